"""A buyer changes an order and answers for a resting line in a real browser, by phone and desk."""

import os
from decimal import Decimal
from pathlib import Path

import pytest
from autumn_scene import RESTED, SHIP_ON, play_autumn, rest
from tests_support import farm_time, log_in

from config.management.commands.pictures import WIDTHS
from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import Message, User
from orders.intake import Asked
from orders.models import Customer, Line, Order, OrderChange, RestQuestion
from shipping.bench_numbers import Bench
from shipping.clearing import enter_forecast, make_plan
from shipping.picking import draw_sheets

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


def test_a_winter_look_taken_for_the_colour_is_noticed_and_mended(
    committed_farm,
    browser,
    live_server,
):
    """Expecting ember and getting tan: said while typing, before sending, and on the order."""
    committed_farm("published")
    said = "these pieces are out of colour now and arrive so"
    page = log_in(browser, live_server, "buyer@gullwickaquaria.example")
    page.set_viewport_size({"width": 390, "height": 900})
    page.goto("/weeks/2026-W49/list/")
    assert page.get_by_label("KLN plug, pieces").count() == 0, "the look in colour rests"
    page.get_by_label("KLN winter tan, pieces").fill("4")
    page.get_by_label("PLT plug, pieces").fill("12")
    page.locator("#at-kln-winter-tan", has_text=said).wait_for()
    page.locator("#draft-foot", has_text="KLN winter tan is the winter look").wait_for()
    fits(page, "winter-draft")
    page.get_by_role("button", name="Send the order").click()
    page.wait_for_url("**/orders/*/")
    assert said in page.locator("tr", has_text="KLN winter tan").inner_text()
    fits(page, "winter-order")

    page.get_by_role("link", name="Change this order").click()
    assert said in page.locator("tr", has_text="KLN winter tan").inner_text()
    page.get_by_label("KLN winter tan, pieces").fill("0")
    page.get_by_role("button", name="Change the order").click()
    page.wait_for_url("**/orders/*/")
    assert "KLN winter tan taken off (it was 4)" in page.locator("main").inner_text()
    standing = Line.objects.exclude(state="withdrawn")
    assert [(line.listing.name, line.asked) for line in standing] == [("PLT plug", 12)]


def test_a_resting_line_is_answered_with_one_choice(
    transactional_db,
    fixtures_folder,
    browser,
    live_server,
):
    play_autumn(fixtures_folder, also=[Asked("CSC plug", 8)])
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
    a_shop_that_says_nothing_is_cancelled(browser, live_server, page)


def a_shop_that_says_nothing_is_cancelled(browser, live_server, office):
    """C05 has a line of the resting strain too, and does not answer by 18:00 the day before."""
    order = Order.objects.get(customer=Customer.objects.get(code="C05"))
    enter_forecast(
        ship_to=order.ship_to, ship_on=SHIP_ON, now=RESTED, user=User.objects.get(code="OF"),
        evening_c=17, hub_c=10, morning_c=8, midday_c=12,
    )  # fmt: skip
    make_plan(order=order, now=RESTED, bench=Bench.read(on=SHIP_ON), stage="Monday 15:30")
    draw_sheets(week=order.week, ship_on=SHIP_ON, now=RESTED)
    office.goto(f"/orders/{order.number}/plan/")
    total = total_of(office)
    buyer = log_in(browser, live_server, "buyer@foothillbrineroom.example")
    buyer.goto(f"/orders/{order.number}/")
    assert "went out of colour: choose what shall go instead" in buyer.inner_text("main")

    for text in ("2026-11-10 18:00", "2026-11-10 18:01"):
        move_clock(to=farm_time(text))
        tick(farm_time(text))
        buyer.reload()
        line = buyer.locator("tr", has_text="KLN plug").first.inner_text().lower()
        assert ("withdrawn" in line) == (text > "2026-11-10 18:00"), text
    buyer.locator("tr", has_text="KLN plug").first.get_by_text("why").click()
    why = buyer.locator("tr", has_text="KLN plug").first.inner_text()
    assert "cancelled: no answer came in time" in why
    letter = Message.objects.get(kind="a resting line is settled", user__email__contains="foothill")
    assert "the line of 3 Fen Kiln is cancelled" in letter.subject
    office.reload()
    # 3 at the tier 1 price of 22.00 less, and a box that is no longer planned for them.
    assert total - total_of(office) >= 66
    office.goto("/weeks/2026-W46/sheets/")
    links = [one.get_attribute("href") for one in office.locator("main a[href^='/sheets/']").all()]
    assert links
    for link in links:
        office.goto(link)
        # C07 took it in its winter look: that is printed, and nothing else of the strain.
        heads = office.locator("h2", has_text="KLN").all_inner_texts()
        assert all("winter tan" in head for head in heads)
        rows = office.locator("h2:has-text('KLN') ~ table").first
        assert not heads or order.number not in rows.inner_text()


def total_of(page):
    cells = page.locator("tr.sum", has_text="total").locator("td.number").inner_text()
    return Decimal(cells)
