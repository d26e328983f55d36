"""The office's first page: stops, short listings and why, orders that need a word."""

import html

import pytest
from tests_support import farm_time, page_words

from config import monday
from inventory.models import Listing
from orders.models import Line, Order
from orders.weeks import week_named


@pytest.fixture
def page(person, client):
    client.force_login(person("OF"), backend="django.contrib.auth.backends.ModelBackend")
    return lambda: html.unescape(page_words(client.get("/")))


def test_why_did_i_get_8_of_12_is_one_click(closed_farm, page):
    text = page()

    assert "PLT plug" in text
    for number in ("56", "88", "4.94"):
        assert number in text
    assert "4902 Gullwick Aquaria" in text


def test_the_short_listings_are_those_of_the_rule(closed_farm):
    rows = monday.short_listings(
        week=week_named(name="2026-W49"), now=farm_time("2026-11-30 12:15")
    )

    plt = next(row for row in rows if row.listing.name == "PLT plug")
    assert (plt.available, plt.asked) == (56, 88)
    assert [line.promised for line in plt.lines] == [6, 8, 4, 8, 7, 4, 7, 12]


def test_holds_rests_and_a_list_that_waits_are_stops(farm):
    Listing.objects.update(photo="")

    rows = monday.stops(week=None, now=farm_time("2026-11-25 09:00"))

    assert [row.what for row in rows][:2] == ["list 2026-W49", "system P"]
    assert "without a photo" in rows[0].why


def test_listings_that_rest_for_one_reason_stand_in_one_row(published_farm):
    rows = monday.stops(week=week_named(name="2026-W49"), now=farm_time("2026-11-25 15:00"))

    whys = [row.why for row in rows if row.state == "resting"]
    (held,) = [row for row in rows if row.why.startswith("on hold since 20 Nov")]
    assert len(whys) == len(set(whys))
    assert held.what.endswith(" listings") and int(held.what.split()[0]) == held.why.count(",") + 1
    assert "CHR plug" in held.why


def test_an_order_under_the_minimum_is_named(closed_farm):
    week, now = week_named(name="2026-W49"), farm_time("2026-11-30 12:15")
    order = Order.objects.get(number="4914")
    order.lines.exclude(pk=order.lines.first().pk).update(state=Line.State.WITHDRAWN)
    first = order.lines.first()
    first.asked, first.least, first.unit_price = 4, 1, "12.25"
    first.state = Line.State.OPEN
    first.save()

    rows = monday.orders_that_need_a_word(week=week, now=now)

    (under,) = [row for row in rows if row.state == "under minimum" and row.args == ("4914",)]
    assert under.why == "49.00 asked, the least is 250.00"
    first.asked = 21  # 257.25
    first.save()
    rows = monday.orders_that_need_a_word(week=week, now=now)
    assert not [row for row in rows if row.state == "under minimum" and row.args == ("4914",)]


def test_lines_that_wait_and_missing_weather_are_named(inked_farm):
    week = week_named(name="2026-W49")

    waiting = monday.orders_that_need_a_word(week=week, now=farm_time("2026-11-30 14:45"))
    assert ("4905",) in [row.args for row in waiting if row.state == "waits for a paper"]
    late = monday.stops(week=week, now=farm_time("2026-12-01 15:00"))
    assert [row for row in late if row.state == "missing" and row.args == ("4901",)]
