"""The office shares a week out in a real browser: a way, a change by hand, who pays, signed."""

import pytest
from tests_support import log_in

from orders.models import ShareLine, ShareRun

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_office_chooses_changes_a_number_and_shares_out(committed_farm, browser, live_server):
    committed_farm("closed")
    page = log_in(browser, live_server, "office@saltmarrow.example")
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto("/weeks/2026-W49/sharing/")
        page.get_by_text("How ").first.click()
        page.get_by_role("link", name="Choose by whole orders").click()
        page.get_by_label("Which line").select_option(label=choice(page, "PLT plug: 4903"))
        page.get_by_label("Its share").fill("6")
        page.get_by_label("Why").fill("opens a new shop")
        page.get_by_role("button", name="See who pays").click()
        assert page.get_by_text("gets ").count() >= 1
        assert page.get_by_text("pays ").count() >= 1
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(wide) <= 0
    page.get_by_role("button", name="short listings by whole orders").click()
    page.wait_for_selector("text=Shared out by whole orders")

    assert ShareRun.objects.get().way == "by order"
    row = ShareLine.objects.get(line__listing__name="PLT plug", line__order__number="4903")
    assert (row.promised, row.hand_reason) == (6, "opens a new shop")


def choice(page, beginning):
    """The whole text of the first choice that begins so."""
    texts = page.get_by_label("Which line").locator("option").all_inner_texts()
    return next(text for text in texts if text.startswith(beginning))
