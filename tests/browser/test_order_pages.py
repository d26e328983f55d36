"""A buyer changes an order and answers for a resting line in a real browser, by phone and desk."""

import os
from pathlib import Path

import pytest
from autumn_scene import play_autumn, rest
from tests_support import log_in

from config.management.commands.pictures import WIDTHS
from orders.models import Customer, Line, Order, OrderChange, RestQuestion

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def fits(page, name):
    """Nothing is too wide at any width. Pictures are kept where FARM_PICTURES names a folder."""
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        too_wide = page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        assert too_wide <= 0, f"{name} is {too_wide} px too wide at {width}"
        if os.environ.get("FARM_PICTURES"):
            page.screenshot(
                path=Path(os.environ["FARM_PICTURES"]) / f"{name}-{width}.png", full_page=True
            )


def test_an_order_is_changed_on_a_phone_and_reads_what_was_changed(
    committed_farm,
    browser,
    live_server,
):
    committed_farm("published")
    page = log_in(browser, live_server, "buyer@gullwickaquaria.example")
    page.goto("/weeks/2026-W49/list/")
    page.get_by_label("PLT plug, pieces").fill("12")
    page.get_by_label("HRT plug, pieces").fill("10")
    page.get_by_role("button", name="Send the order").click()
    page.wait_for_url("**/orders/*/")
    page.get_by_role("link", name="Change this order").click()
    fits(page, "change")
    page.set_viewport_size({"width": 390, "height": 900})
    page.get_by_label("PLT plug, pieces").fill("1O")
    page.get_by_role("button", name="Change the order").click()
    assert "type 10 if that is meant" in page.locator("tr.mend").inner_text()
    fits(page, "change-to-mend")

    page.get_by_label("PLT plug, pieces").fill("8")
    page.get_by_label("HRT plug, pieces").fill("0")
    page.get_by_role("button", name="Change the order").click()
    page.wait_for_url("**/orders/*/")
    fits(page, "order-changed")
    words = page.locator("main").inner_text()
    assert "HRT plug taken off (it was 10); PLT plug 8 instead of 12" in words
    assert OrderChange.objects.get().user.code == "B02"
    standing = Line.objects.exclude(state="withdrawn")
    assert [(line.listing.name, line.asked) for line in standing] == [("PLT plug", 8)]


def test_a_resting_line_is_answered_with_one_choice(
    transactional_db,
    fixtures_folder,
    browser,
    live_server,
):
    play_autumn(fixtures_folder)
    rest(fixtures_folder)
    order = Order.objects.get(customer=Customer.objects.get(code="C07"))
    page = log_in(browser, live_server, "buyer@cascadontidepool.example")
    page.goto(f"/orders/{order.number}/")
    fits(page, "order-to-answer")
    page.get_by_role("link", name="choose what shall go instead").click()
    fits(page, "rest-answer")
    page.get_by_label("in winter colour").check()
    page.get_by_role("button", name="Send the answer on KLN plug").click()
    page.wait_for_url(f"**/orders/{order.number}/")
    fits(page, "order-answered")

    assert RestQuestion.objects.get(line__order=order).choice == "winter"
    assert "4 Fen Kiln, winter tan at $16.50 each instead" in page.locator("main").inner_text()
    page.goto(f"/orders/{order.number}/resting/")
    fits(page, "rest-answered")
    page = log_in(browser, live_server, "office@saltmarrow.example")
    page.goto("/resting/")
    fits(page, "rests")
