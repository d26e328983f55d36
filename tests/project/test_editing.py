"""Edit pages: what it touches is named before it is signed, and who, when and why is kept."""

import re
from datetime import date
from decimal import Decimal

import pytest
from desk import hidden, open_form, show, shown_text, sign
from tests_support import farm_time

from config.edit_subjects import SUBJECTS, subject_of
from config.playing import rows_of
from config.setting_rules import rule_of
from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import Change, Listing, Setting
from inventory.setting_book import SettingBook
from orders.models import Customer, FreightZone, LaneLeg, Order, Price, ShipTo
from orders.weeks import week_named
from shipping.bench_numbers import Bench
from shipping.models import BagKind

PLT = "/edit/prices/PLT%20plug/"
TIER_2 = "/edit/settings/tier_2_factor/"


def test_a_price_names_its_weeks_and_orders_before_it_is_signed(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, PLT, list_price="15.50")

    text = shown_text(answer)
    assert "14.00" in text and "15.50" in text
    assert "2026-W50 is out and open: its next version shows it" in text
    sent = Order.objects.get(number=re.search(r"order (\d+) keeps the price", text).group(1))
    assert sent.lines.filter(listing__name="PLT plug").exists()
    # tier 2 pays 0.92 and tier 3 0.85 of it, halves up: 14.26 and 13.175 -> 13.18 (by hand)
    assert "15.50, 14.26, 13.18" in text
    assert not Price.objects.filter(list_price=Decimal("15.50")).exists()
    assert not Change.objects.exists()


def test_a_signed_price_is_dated_kept_and_on_the_next_version(open_farm, at_desk):
    browser = at_desk("OF")
    now = farm_time("2026-12-04 16:00")
    typed, answer = show(browser, PLT, list_price="15.50", break_units="24", break_price="13.00")
    signed = sign(browser, PLT, typed, answer, reason="dearer light")

    assert signed.status_code == 302
    price = Price.objects.get(listing__name="PLT plug", starts_on=date(2026, 12, 4))
    assert (price.list_price, price.break_units) == (Decimal("15.50"), 24)
    rows = {row.field: (row.was, row.now) for row in Change.objects.all()}
    assert rows == {
        "list price": ("14.00", "15.50"),
        "break": ("", "13.00 from 24 units"),
    }
    tick(now)
    version = week_named(name="2026-W50").versions.last()
    assert version.lines.get(listing__name="PLT plug").price_tier_1 == Decimal("15.50")
    text = shown_text(browser.get(PLT))
    assert "dearer light" in text and "Odile Marchbank" in text


def test_a_price_for_a_later_day_may_be_set_anew_until_that_day(open_farm, at_desk):
    browser = at_desk("OF")
    for price, reason in (("15.50", "dearer light"), ("15.00", "a slip: half of it")):
        typed, answer = show(browser, PLT, list_price=price, starts_on="2026-12-12")
        assert sign(browser, PLT, typed, answer, reason=reason).status_code == 302

    kept = Price.objects.get(listing__name="PLT plug", starts_on=date(2026, 12, 12))
    assert kept.list_price == Decimal("15.00")
    was = list(Change.objects.order_by("id").values_list("was", "now"))
    assert was == [("14.00", "15.50"), ("15.50", "15.00")]
    for _ in range(2):
        typed, answer = show(browser, PLT, list_price="16.00")
        signed = sign(browser, PLT, typed, answer)
    assert signed.status_code == 422  # the second is what stands already
    _, answer = show(browser, PLT, list_price="17.00")
    assert answer.status_code == 409 and "has a price of 16.00 from 4 Dec 2026" in shown_text(
        answer
    )


def test_what_cannot_be_is_said_beside_its_field_and_the_text_is_kept(open_farm, at_desk):
    _, answer = show(
        at_desk("OF"), PLT, list_price="14,5O", break_units="1", starts_on="2026-12-01"
    )

    text = shown_text(answer)
    assert answer.status_code == 422
    assert "“14,5O” is not an amount. Type it as 14.00." in text
    assert "“1” is not a whole number from 2 to 9999." in text
    assert "2026-12-01 has passed. Type today, 2026-12-04, or a later day." in text
    assert 'value="14,5O"' in answer.content.decode()
    assert not Price.objects.filter(starts_on__gt=date(2026, 11, 1)).exists()


def test_a_winter_look_keeps_its_price_and_is_told_its_usual_one(open_farm, at_desk):
    browser = at_desk("OF")
    _, answer = show(browser, "/edit/prices/KLN%20plug/", list_price="23.50")
    # 0.75 x 23.50 = 17.625, halves up, by hand
    assert "KLN winter tan keeps its own 16.50; its usual share would be 17.63" in shown_text(
        answer
    )

    form = shown_text(browser.get("/edit/prices/KLN%20winter%20tan/"))
    assert "0.75 of 22.00 in colour would be 16.50" in form


def test_a_break_needs_both_its_halves(open_farm, at_desk):
    _, answer = show(at_desk("OF"), PLT, break_units="24")

    assert answer.status_code == 422
    assert "A break needs both its units and its price." in shown_text(answer)


def test_a_signature_needs_a_reason(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, PLT, list_price="15.50")
    refused = sign(browser, PLT, typed, answer, reason="  ")

    assert refused.status_code == 422
    assert "Say why" in shown_text(refused)
    assert not Change.objects.exists()
    assert sign(browser, PLT, typed, refused, reason="dearer light").status_code == 302


def test_a_second_editor_is_told_who_was_first(open_farm, at_desk):
    first, second = at_desk("OF"), at_desk("OW")
    late = {**open_form(second, TIER_2), "value": "0.90"}
    typed, answer = show(first, TIER_2, value="0.91")
    assert sign(first, TIER_2, typed, answer, reason="agreed at the fair").status_code == 302

    refused = second.post(TIER_2, {**late, "act": "show"})

    text = shown_text(refused)
    assert refused.status_code == 409
    assert "Odile Marchbank changed value while you were typing" in text
    assert "Stands now: 0.91" in text and 'value="0.90"' in refused.content.decode()
    late["seen"] = hidden(refused, "seen")
    again = second.post(TIER_2, {**late, "act": "show"})
    assert again.status_code == 200


def test_what_was_signed_between_showing_and_signing_stops_the_signature(open_farm, at_desk):
    first, second = at_desk("OF"), at_desk("OW")
    late, shown_late = show(second, TIER_2, value="0.90")
    typed, answer = show(first, TIER_2, value="0.91")
    sign(first, TIER_2, typed, answer)

    refused = sign(second, TIER_2, late, shown_late)

    assert refused.status_code == 409
    assert SettingBook.read(on=date(2026, 12, 4)).text("tier_2_factor") == "0.91"


def test_what_it_touches_has_to_be_what_was_shown(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, PLT, list_price="15.50")
    line = Order.objects.filter(week__name="2026-W50", lines__listing__name="PLT plug")[0].lines
    line.filter(listing__name="PLT plug").update(unit_price=Decimal("13.99"))

    refused = sign(browser, PLT, typed, answer)

    assert refused.status_code == 409
    assert "keeps the price it was sent at, 13.99" in shown_text(refused)
    assert sign(browser, PLT, typed, refused).status_code == 302


@pytest.mark.parametrize("code", ["G1", "PK1", "B01"])
def test_who_edits_nothing_is_refused_with_a_code(open_farm, at_desk, code):
    browser = at_desk(code)

    for address in ("/edit/", "/edit/prices/", PLT, TIER_2):
        answer = browser.get(address)
        assert answer.status_code == 403 and "not_allowed" in answer.content.decode()


def test_each_side_keeps_its_own_numbers(open_farm, at_desk):
    lead, office = at_desk("LD"), at_desk("OF")

    assert lead.get(TIER_2).status_code == 403
    assert office.get("/edit/settings/reference_dli/").status_code == 403
    assert lead.get("/edit/settings/reference_dli/").status_code == 200
    assert lead.get(PLT).status_code == 403
    assert lead.post(TIER_2, {"act": "sign", "value": "0.5"}).status_code == 403


def test_a_setting_names_its_rule_its_pages_and_each_listing_that_changes(open_farm, at_desk):
    _, answer = show(at_desk("OF"), TIER_2, value="0.90")

    text = shown_text(answer)
    assert "what a price tier pays of the list price" in text
    assert "orders sent before keep theirs" in text
    # 14.00 at 0.92 and at 0.90, by hand
    assert "14.00, 12.88, 11.90 14.00, 12.60, 11.90" in text


def test_a_number_for_a_later_day_changes_the_open_list_on_that_day(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, TIER_2, value="0.90", starts_on="2026-12-06")
    sign(browser, TIER_2, typed, answer, reason="from the second Sunday of Advent")
    tick(farm_time("2026-12-05 23:59"))
    week = week_named(name="2026-W50")
    assert week.versions.last().lines.get(listing__name="PLT plug").price_tier_2 == Decimal("12.88")

    move_clock(to=farm_time("2026-12-06 00:01"))
    tick(farm_time("2026-12-06 00:01"))
    versions = week.versions.count()
    tick(farm_time("2026-12-06 00:02"))

    assert week.versions.last().lines.get(listing__name="PLT plug").price_tier_2 == Decimal("12.60")
    assert week.versions.count() == versions
    assert SettingBook.read(on=date(2026, 12, 5)).text("tier_2_factor") == "0.92"


def test_heat_numbers_name_the_boxes_that_are_planned(drawn_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/settings/start_c/", value="25.0")

    found = re.search(r"4902 now Tue 1 Dec clear .*? 156.35 .*? 4902 then", shown_text(answer))
    assert found


def test_charges_name_what_each_planned_order_would_pay(drawn_farm, at_desk):
    browser = at_desk("OF")
    _, answer = show(browser, "/edit/settings/fuel_factor/", value="1.15")
    # (58 + 1.60 x 51) x 1.15 = 160.54, by hand
    assert re.search(r"4902 now .*? 156.35 .*? 4902 then .*? 160.54 ", shown_text(answer))
    # goods 826.16 + freight 156.35 + one L box and three heat packs, 15.00 + 3 x 2.25, by hand
    _, answer = show(browser, "/edit/settings/box_charge_L/", value="15.00")
    assert re.search(r"4902 now .*? 1002.26 .*? 4902 then .*? 1004.26 ", shown_text(answer))
    _, answer = show(browser, "/edit/settings/box_charge_L/", value="15.00", starts_on="2026-12-02")
    assert "4902" not in shown_text(answer)


def test_lower_and_upper_numbers_do_not_cross(open_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/settings/caution_low_c:class:SPS/", value="30")

    assert answer.status_code == 422
    assert "caution high c is 29: type at most that." in shown_text(answer)


def test_every_setting_belongs_to_a_rule_that_reads_what_is_loaded(fixtures_folder):
    for row in rows_of(fixtures_folder, "settings.csv"):
        rule = rule_of(row["name"], reason=row["reason"], value=row["value"])
        assert rule.rule and rule.pages
        rule.parse(row["value"])


def test_nothing_different_is_said(open_farm, at_desk):
    _, answer = show(at_desk("OF"), TIER_2, value="0.920")

    assert answer.status_code == 422
    assert "nothing_to_change" not in Setting.objects.values_list("name", flat=True)
    assert "stands like that already" in shown_text(answer)


@pytest.mark.parametrize("key", [subject.key for subject in SUBJECTS])
def test_every_row_of_a_list_opens_its_form(open_farm, at_desk, key):
    browser, subject = at_desk("OW"), subject_of(key)
    assert browser.get(f"/edit/{key}/").status_code == 200

    for row in list(subject.rows(on=date(2026, 12, 4)))[::17]:
        assert browser.get(f"/edit/{key}/{row.key}/").status_code == 200, row.key


def test_an_unknown_row_is_unknown(open_farm, at_desk):
    assert Listing.objects.count()
    for address in ("/edit/prices/XYZ/", "/edit/moons/", "/edit/settings/none:class:SPS/"):
        assert at_desk("OW").get(address).status_code == 404


def test_freight_from_a_day_on_names_each_order_and_is_what_that_day_pays(drawn_farm, at_desk):
    browser = at_desk("OF")
    address = "/edit/freight/3/"
    typed, answer = show(browser, address, base="60.00")

    # 4902 goes to zone 3 in one box of 61 billable lb: (60 + 1.60 x 51) x 1.12 = 158.592, by hand
    assert re.search(r"4902 now .*? 156.35 .*? 4902 then .*? 158.59 ", shown_text(answer))
    later, answer = show(browser, address, base="60.00", starts_on="2026-12-10")
    assert "4902" not in shown_text(answer)
    assert (
        sign(browser, address, later, answer, reason="the carrier's new table").status_code == 302
    )
    zone = FreightZone.objects.get(zone=3)
    assert zone.rate_on(date(2026, 12, 9)) == (Decimal("58.00"), Decimal("1.60"))
    assert zone.rate_on(date(2026, 12, 10)) == (Decimal("60.00"), Decimal("1.60"))
    assert Bench.read(on=date(2026, 12, 9)).rate_of(zone)[0] == Decimal("58.00")
    assert Bench.read(on=date(2026, 12, 10)).rate_of(zone)[0] == Decimal("60.00")


def test_a_tier_starts_on_its_day_and_orders_keep_theirs(open_farm, at_desk):
    browser = at_desk("OF")
    customer = Customer.objects.get(code="C01")
    typed, answer = show(browser, "/edit/customers/C01/", tier="2", note="ten years with us")
    assert sign(browser, "/edit/customers/C01/", typed, answer).status_code == 302

    customer = Customer.objects.get(code="C01")
    assert customer.tier_on(date(2026, 12, 3)) == 1
    assert customer.tier_on(date(2026, 12, 4)) == 2
    assert set(Order.objects.filter(customer=customer).values_list("tier", flat=True)) == {1}
    assert {row.field: row.now for row in Change.objects.all()} == {
        "Price tier": "2",
        "Note": "ten years with us",
    }


def test_a_lane_names_the_orders_that_have_not_left_on_it(drawn_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/lanes/C02/", is_sunny="yes")

    text = shown_text(answer)
    assert re.search(r"order 4902, ships Tue 1 Dec, planned clear, freight 156.35", text)
    assert "4901" not in text


def test_the_shares_of_a_leg_make_one(drawn_farm, at_desk):
    browser = at_desk("OF")
    _, answer = show(browser, "/edit/legs/overnight:3:both/", share="0.5")

    assert answer.status_code == 422
    assert "The two shares must make 1 together." in shown_text(answer)
    typed, answer = show(browser, "/edit/legs/overnight:3:both/", share="0.5", fixed_share="0.5")
    assert "C02" in shown_text(answer) and "order 4902" in shown_text(answer)
    sign(browser, "/edit/legs/overnight:3:both/", typed, answer)
    assert LaneLeg.objects.get(profile="overnight", leg=3, mode="both").share == 0.5


def test_a_new_region_says_what_its_law_rows_say(open_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/ship-tos/C01/", region="US-HI")
    assert re.search(r"law Mangroves?: allowed to forbidden", shown_text(answer))

    _, answer = show(at_desk("OF"), "/edit/ship-tos/C01/", region="US-ZZ")
    assert "US-ZZ has no row yet: a person confirms every line" in shown_text(answer)


def test_a_new_ship_to_abroad_is_an_export(open_farm, at_desk):
    browser = at_desk("OF")
    new = {
        "code": "C01B", "customer": "C01", "town": "Thunder Bay", "region": "CA-ON",
        "country": "Canada", "time_zone": "America/Toronto", "lane": "C01", "zone": "5",
    }  # fmt: skip
    typed, answer = show(browser, "/edit/ship-tos/new/", **new)
    assert answer.status_code == 200, shown_text(answer)
    signed = sign(browser, "/edit/ship-tos/new/", typed, answer, reason="a second door")

    assert signed["Location"].endswith("/edit/ship-tos/C01B/")
    assert ShipTo.objects.get(code="C01B").is_export
    _, again = show(browser, "/edit/ship-tos/new/", **new)
    assert again.status_code == 409
    assert "A ship-to C01B stands there already." in shown_text(again)


def test_a_setting_is_given_to_one_class_and_the_others_keep_the_farms(open_farm, at_desk):
    browser = at_desk("LD")
    address = "/edit/settings/new/"
    new = {"name": "p80_factor", "scope": "sps", "value": "many"}
    Setting.objects.filter(name="p80_factor").update(owner="grower lead")
    _, answer = show(browser, address, **new)
    assert "“many” is not a number." in shown_text(answer)
    _, answer = show(browser, address, **{**new, "value": "1.3", "scope": "XYZ"})
    assert "“XYZ” is no class and no strain." in shown_text(answer)
    _, answer = show(browser, address, **{**new, "value": "1.3", "scope": "PLT"})
    assert "Its rule asks for classes and not for PLT." in shown_text(answer)
    typed, answer = show(browser, address, **{**new, "value": "1.3"})
    signed = sign(browser, address, typed, answer, reason="late twice in a row")

    assert signed["Location"].endswith("/edit/settings/p80_factor:class:SPS/")
    book = SettingBook.read(on=date(2026, 12, 4))
    assert book.number("p80_factor", strain_class="SPS") == 1.3
    assert book.number("p80_factor", strain_class="LPS") == 1.12
    _, again = show(browser, address, **{**new, "value": "1.4"})
    assert "SPS has a value of its own." in shown_text(again)


def test_a_lead_gives_no_office_number_to_a_class(open_farm, at_desk):
    _, answer = show(
        at_desk("LD"), "/edit/settings/new/", name="bag_stop_h", scope="SPS", value="40"
    )

    assert answer.status_code == 403


def test_a_new_form_and_listing_of_a_strain_wait_for_a_price(open_farm, at_desk):
    browser = at_desk("OF")
    form, listing = "/edit/strain-forms/new/", "/edit/listings/new/"
    bags = [f"{kind.code} {kind.use}" for kind in BagKind.objects.all()]
    assert [words for words in bags if words not in shown_text(browser.get(form))] == []
    typed, answer = show(browser, form, strain="PLT", form="sprout", bag="P1")
    assert answer.status_code == 200, shown_text(answer)
    assert sign(browser, form, typed, answer)["Location"].endswith(
        "/edit/strain-forms/PLT%20sprout/"
    )
    new = {"name": "PLT sprout", "strain_form": "PLT sprout", "title": "Plum Trellis, tiny"}
    typed, answer = show(browser, listing, **new)
    assert "it is on no list until it has a price" in shown_text(answer)
    assert sign(browser, listing, typed, answer).status_code == 302

    _, answer = show(browser, "/edit/prices/PLT%20sprout/", list_price="30.00")
    assert "2026-W50 is out and open" in shown_text(answer)
    _, again = show(browser, form, strain="PLT", form="sprout", bag="P1")
    assert again.status_code == 409
