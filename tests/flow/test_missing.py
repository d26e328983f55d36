"""What a farm just set up still lacks, part by part, and where each is mended."""

import html

import pytest
from tests_support import farm_time

from config.missing import how_many, whats_missing
from inventory.models import Balance, Listing, StrainClass, StrainForm, User
from orders.models import Customer, LaneLeg, Paper, Price, RegionRule, Seat, ShipTo
from shipping.models import BagKind, BoxKind, Forecast

NOW = "2026-11-25 09:00"


def parts(now=NOW):
    return {part.name: part for part in whats_missing(now=farm_time(now))}


def lacks(name, now=NOW):
    return {row.name: row for row in parts(now)[name].lacks}


def test_an_empty_farm_lacks_what_its_first_day_loads(db, fixtures_folder):
    from config.playing import zone
    from inventory.csv_reading import Reading
    from inventory.loading import _setting, load_rows

    reading = Reading(folder=fixtures_folder, zone=zone(), now=farm_time(NOW))
    load_rows(reading, "settings.csv", "name scope_kind scope value set_on", _setting)
    assert not reading.problems
    found = parts()
    assert [row.file for row in found["the farm"].lacks] == ["farm.csv", "trays.csv"]
    assert len(found["people"].lacks) == 4
    assert found["packing"].lacks[0].file == "boxes.csv"
    assert found["lanes"].lacks[0].url == "/edit/ship-tos/new/"
    assert how_many(parts=list(found.values())) == 2 + 4 + 1 + 1 + 1


def test_each_thing_taken_away_from_a_whole_farm_is_named_with_its_mending(farm):
    was = parts()
    assert not was["prices"].lacks and not was["packing"].lacks and not was["lanes"].lacks

    Price.objects.filter(listing__name="PLT plug").delete()
    assert list(lacks("prices")) == ["PLT plug"]
    assert lacks("prices")["PLT plug"].url == "/edit/prices/PLT%20plug/"

    StrainForm.objects.filter(strain__key="PLT").update(bag="ZZ")
    assert lacks("packing")["PLT plug"].url == "/edit/strain-forms/PLT%20plug/"
    assert BagKind.objects.exists() and BoxKind.objects.exists()

    LaneLeg.objects.all().delete()
    assert len(lacks("lanes")) == len(set(lacks("lanes"))) > 0

    RegionRule.objects.filter(region="US-NY", strain_class="SPS").delete()
    (lack,) = [row for name, row in lacks("rules of each region").items() if "US-NY" in name]
    assert lack.url == "/edit/region-rules/new/"
    RegionRule.objects.filter(region="US-NY").delete()
    there = [name for name in lacks("rules of each region") if name.startswith("US-NY")]
    assert len(there) == StrainClass.objects.count()


def test_a_count_older_than_the_farm_s_days_is_named_by_its_tray(farm):
    before = set(lacks("counts"))
    tray = Balance.objects.filter(tray__use="sale", pieces__gt=0).exclude(
        tray__code__in=before
    ).select_related("tray")[0]  # fmt: skip
    # Four days old may still be relied on, five may not.
    Balance.objects.filter(pk=tray.pk).update(counted_on="2026-11-21")
    assert tray.tray.code not in lacks("counts")
    Balance.objects.filter(pk=tray.pk).update(counted_on="2026-11-20")
    row = lacks("counts")[tray.tray.code]
    assert row.url == f"/t/{tray.tray.code}/"
    assert "Fri 20 Nov" in row.why


def test_weather_photos_papers_and_log_ins(farm):
    Forecast.objects.all().delete()
    assert "forecasts" in lacks("weather")
    Listing.objects.filter(name="PLT plug").update(photo="")
    assert lacks("photos")["PLT plug"].url == "/edit/listings/PLT%20plug/"
    # C05 has no California paper on file, C04 has Arizona's.
    papers = lacks("papers")
    assert "Foothill Brine Room, Riverside" in papers
    assert "Ocotassel Marine, Tempe" not in papers
    Paper.objects.filter(customer__code="C04").update(valid_to="2026-11-24")
    Paper.objects.filter(ship_to__customer__code="C04").update(valid_to="2026-11-24")
    assert "Ocotassel Marine, Tempe" in lacks("papers")
    User.objects.filter(code="B02").update(is_active=False)
    assert list(lacks("buyers' log-ins")) == ["C02 Gullwick Aquaria"]
    assert Seat.objects.exists() and Customer.objects.exists() and ShipTo.objects.exists()


def test_nobody_for_an_act_is_named(farm):
    User.objects.filter(role__in=["office", "owner"]).update(is_active=False)
    assert lacks("people")["office or owner"].why == "nobody may publish the list"
    assert len(lacks("people")) == 1


def test_the_page_counts_down_and_links_to_the_mending(farm, person, client):
    client.force_login(person("OF"))
    text = html.unescape(client.get("/missing/").content.decode())
    left = how_many(parts=whats_missing(now=farm_time(NOW)))
    assert f"{left} thing" in text or left == 0
    Price.objects.filter(listing__name="PLT plug").delete()
    text = html.unescape(client.get("/missing/").content.decode())
    assert f"{left + 1} thing" in text
    assert "Price PLT plug" in text


def test_every_link_opens_where_it_is_mended(farm, person, client):
    StrainForm.objects.filter(strain__key="PLT").update(bag="ZZ")
    Price.objects.filter(listing__name="PLT plug").delete()
    Listing.objects.filter(name="PLT plug").update(photo="")
    LaneLeg.objects.all().delete()
    RegionRule.objects.filter(region="US-NY").delete()
    Seat.objects.filter(customer__code="C02").delete()
    User.objects.filter(role="packer").update(is_active=False)
    Balance.objects.filter(strain_form__strain__key="PLT").update(counted_on="2026-11-01")
    client.force_login(person("OW"))
    links = {row.url for part in parts().values() for row in part.lacks if row.url}
    kinds = {link.rsplit("/", 2)[0]: link for link in links}
    assert {"/edit/prices", "/edit/strain-forms", "/edit/lanes", "/edit/listings"} <= set(kinds)
    for link in kinds.values():
        assert client.get(link, follow=True).status_code == 200, link


def test_it_costs_two_dozen_statements_on_any_farm(farm, django_assert_max_num_queries):
    Listing.objects.update(photo="")
    Price.objects.all().delete()
    with django_assert_max_num_queries(24):
        whats_missing(now=farm_time(NOW))


@pytest.mark.parametrize("code", ["B02"])
def test_buyers_do_not_see_it(farm, person, client, code):
    client.force_login(person(code))
    assert client.get("/missing/").status_code == 403
