"""The list page draws a row once and keeps it: what a shop reads is never another shop's, nor old.

Each test opens the page first, so that every row it looks at was drawn before.
"""

import re
from datetime import timedelta

import pytest

from config.ticking import tick
from inventory.clock import farm_now
from inventory.colour_words import say_colour
from inventory.models import Listing
from orders.basket import Typed, save_basket
from orders.likely import read_asks
from orders.models import Customer, CustomerTier, ListLine, RegionRule, ShipTo, Watch
from orders.weeks import week_named

ADDRESS = "/weeks/2026-W49/list/"


@pytest.fixture
def page(published_farm, at_desk):
    """The list as one of two shops reads it, each opened once already."""
    readers = {code: at_desk(code) for code in ("B02", "B03")}

    def look(code="B02", query=""):
        answer = readers[code].get(f"{ADDRESS}{query}")
        assert answer.status_code == 200
        return answer.content.decode()

    look()
    look("B03")
    return look


def offered():
    lines = ListLine.objects.filter(version__week__name="2026-W49", status="offered")
    return lines.select_related("listing__strain_form__strain").order_by("position")


@pytest.fixture
def line(page):
    return offered().first()


def row_of(page, line):
    """A line's row, by the title in it."""
    rows = re.findall(r"<tr.*?</tr>", page, re.DOTALL)
    return next(row for row in rows if f'<span class="strain">{line.listing.title}<' in row)


def test_what_is_changed_of_a_listing_is_read_at_once(page, line):
    Listing.objects.filter(pk=line.listing_id).update(
        title="Renamed & <new>", photo="a.jpg", photo_light="blue", photo_on="2026-11-20"
    )
    line.listing.title = "Renamed &amp; &lt;new&gt;"
    assert "photo of 20 Nov, in blue light" in row_of(page(), line)


def test_what_is_rested_rests_on_the_page_and_stands_in_the_version_before(page, person):
    line = offered().exclude(listing__strain_form__strain__colour="none").first()
    key = line.listing.strain_form.strain.key
    assert ">offered<" in row_of(page(), line)
    why = {"reason": "colour out", "user": person("LD"), "at": farm_now()}
    say_colour(strain_key=key, is_rest=True, **why)
    tick(farm_now())
    for code in ("B02", "B03"):
        assert ">resting<" in row_of(page(code), line)
        assert ">offered<" in row_of(page(code, "?version=1"), line)


def test_each_shop_reads_its_own_prices_in_turn_and_a_new_tier_from_its_day_on(page, line):
    tiers = {1: line.price_tier_1, 2: line.price_tier_2, 3: line.price_tier_3}
    assert len(set(tiers.values())) > 1
    today = farm_now().date()
    for tier, day in ((3, today), (1, today), (2, today + timedelta(days=1))):
        CustomerTier.objects.filter(customer__code="C02").delete()
        CustomerTier.objects.create(
            customer=Customer.objects.get(code="C02"), tier=tier, starts_on=day
        )
        expected = tiers[tier] if day == today else tiers[1]
        assert f'data-name="$">{expected}<' in row_of(page(), line)
        other = Customer.objects.get(code="C03").tier_on(today)
        assert f'data-name="$">{tiers[other]}<' in row_of(page("B03"), line)


def test_a_rule_that_changes_is_read_at_once_by_the_shop_it_bears_on(page, line):
    strain = line.listing.strain_form.strain
    rules = RegionRule.objects.filter(region=ShipTo.objects.get(code="C02").region)
    assert "a person of the farm confirms it" not in row_of(page(), line)
    rules.filter(strain_class=strain.strain_class_id).update(verdict="ask")
    assert "a person of the farm confirms it" in row_of(page(), line)
    rules.filter(strain_class=strain.strain_class_id).update(verdict="forbid")
    assert f">{line.listing.title}<" not in page()
    assert f">{line.listing.title}<" in page("B03")


def test_one_shop_s_draft_and_watch_are_not_another_s(page, line, person):
    now = farm_now()
    save_basket(
        ship_to=ShipTo.objects.get(code="C02"),
        week=week_named(name="2026-W49"),
        typed={line.listing.name: Typed('"<7', "3")},
        user=person("B02"),
        now=now,
    )
    watch = {"customer": Customer.objects.get(code="C02"), "listing": line.listing}
    for days in (9, 2, 5):
        at = now - timedelta(days=days)
        Watch.objects.create(**watch, user=person("B02"), asked_at=at, told_at=at)
    row = row_of(page(), line)
    assert 'value="&quot;&lt;7"' in row
    assert 'value="3"' in row
    # Of three answers the last one is told.
    assert "told Mon 23 Nov" in row
    other = row_of(page("B03"), line)
    assert 'value=""' in other
    assert "told" not in other


def test_words_of_what_is_likely_are_kept_for_one_reading_of_the_asks(page, line):
    week, name = week_named(name="2026-W49"), line.listing.name
    asks = read_asks(week=week, now=farm_now())
    twice = [asks.likely(listing=name, asked=6, customer="C02", tier=2) for _ in range(2)]
    assert twice[0] == twice[1]
    assert asks.likely(listing=name, asked=7, customer="C02", tier=2).asked == 7
    # The same text is read once; another text is another reading.
    assert read_asks(week=week, now=farm_now()) is asks
    week.asks.body = week.asks.body.replace('"asks": []', '"asks":  []')
    week.asks.save()
    assert read_asks(week=week_named(name="2026-W49"), now=farm_now()) is not asks


def test_every_field_s_answer_is_taken_over_in_place_and_nothing_else_is(page):
    drawn = page()
    named = re.search(r'hx-select-oob="([^"]*)"', drawn)[1].split(",")
    assert named == [f"#{name}" for name in re.findall(r'id="(says-\d+)"', drawn)]
    assert len(named) > 20
