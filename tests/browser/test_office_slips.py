"""What hurts on a Monday, typed in a browser: each slip is stopped where it is made, with a reason.

Freeing an inked promise by sharing out again is driven with the death after the ink.
"""

import re

import pytest
from tests_support import log_in

from inventory.models import Balance
from orders.models import Customer, NoDeliveryDay, Order, Promise
from orders.weeks import week_named

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_office_s_slips_are_stopped_where_they_are_made(committed_farm, browser, live_server):
    committed_farm("published")
    page = log_in(browser, live_server, "office@saltmarrow.example")
    past_the_reserve(page)
    without_friday_s_counts(page)
    on_a_day_without_delivery(page)
    to_a_state_without_a_law_row(page, browser, live_server)


def past_the_reserve(page):
    """4 PWS by phone where 3 stand above the mothers: refused with what is left, nothing taken."""
    page.goto("/weeks/2026-W49/list/?ship_to=C01")
    page.get_by_label("PWS plug, pieces").fill("4")
    page.get_by_label("Phone order: take from what is left now, all or nothing").check()
    page.get_by_role("button", name="Send the order").click()
    page.wait_for_selector("[role=alert], .error")
    assert re.search(r"\b3\b.*reserve", page.inner_text("main"), re.S)
    assert not Order.objects.exists() and not Promise.objects.exists()


def without_friday_s_counts(page):
    """A list whose counts are old is named and waits for a signature."""
    Balance.objects.update(counted_on="2026-11-10")
    page.goto("/weeks/2026-W50/publish/")
    text = page.inner_text("main").lower()
    assert "not signed" in text and "old" in text
    assert page.get_by_role("button", name=re.compile("^Sign .* and let the list go out")).count()
    assert week_named(name="2026-W50").published_at is None


def on_a_day_without_delivery(page):
    """Ship days come from the calendar: none whose next day has no delivery can be chosen."""
    shut = set(NoDeliveryDay.objects.values_list("day", flat=True))
    assert shut
    page.goto("/weeks/2026-W49/list/?ship_to=C01")
    offered = (
        page.get_by_label("Ship day")
        .locator("option")
        .evaluate_all("options => options.map((one) => one.value)")
    )
    week = week_named(name="2026-W49")
    assert offered == [day.isoformat() for day in week.ship_days]
    assert not {day.isoformat() for day in shut} & set(offered)
    page.goto("/edit/calendar/new/")
    page.locator("[name=day]").fill("2026-12-02")
    page.locator("[name=reason]").fill("snow")
    page.get_by_role("button", name="Show what it touches").click()
    assert "2026-W49 is out: its ship days and cut-off stay" in page.inner_text("main")


def to_a_state_without_a_law_row(page, browser, live_server):
    """An unknown region is a person's question, never a yes."""
    page.goto("/edit/ship-tos/C01/")
    page.locator("[name=region]").fill("US-ZZ")
    page.get_by_role("button", name="Show what it touches").click()
    assert "a person confirms every line that goes there" in page.inner_text("main")
    page.get_by_label("Reason").fill("moved house")
    page.get_by_role("button", name=re.compile("^Sign it")).click()
    page.wait_for_load_state()
    user = Customer.objects.get(code="C01").seats.first().user
    buyer = log_in(browser, live_server, user.email)
    buyer.goto("/weeks/2026-W49/list/")
    row = buyer.locator("tr", has=buyer.get_by_label("PLT plug, pieces")).inner_text()
    assert "a person of the farm confirms it" in row
