"""Every page of the demo in a real browser at three widths: nothing too wide, nothing failing."""

import os
from pathlib import Path

import pytest

from config.management.commands.pictures import CHROMIUM, WIDTHS, pages
from inventory.models import User
from orders.models import Order

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def browser(monkeypatch):
    if not Path(CHROMIUM).exists():
        pytest.skip("left out: no Chromium on this machine")
    # The browser's own loop would otherwise be taken for an asynchronous caller.
    monkeypatch.setitem(os.environ, "DJANGO_ALLOW_ASYNC_UNSAFE", "1")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as runner:
        opened = runner.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield opened
        opened.close()


def log_in(browser, server, email):
    user = User.objects.get(email=email)
    user.set_password("slack water")
    user.save()
    page = browser.new_context(base_url=server.url).new_page()
    page.goto("/log-in/")
    page.fill("#id_username", email)
    page.fill("#id_password", "slack water")
    page.click("main button[type=submit]")
    return page


def test_no_page_is_wider_than_its_screen_or_fails(committed_farm, browser, live_server):
    committed_farm("arrived")
    shown = pages()
    for who in dict.fromkeys(who for who, _ in shown.values() if who):
        page = log_in(browser, live_server, who)
        failures = []
        page.on("pageerror", lambda error, found=failures: found.append(str(error)))
        for name, (looker, address) in shown.items():
            if looker != who:
                continue
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 900})
                page.goto(address)
                too_wide = page.evaluate(
                    "document.documentElement.scrollWidth - document.documentElement.clientWidth"
                )
                assert too_wide <= 0, f"{name} is {too_wide} px too wide at {width}"
                assert page.locator("h1").count() == 1, name
        assert not failures


def test_a_buyer_orders_by_keyboard_alone_and_reads_the_order(committed_farm, browser, live_server):
    committed_farm("published")
    page = log_in(browser, live_server, "buyer@gullwickaquaria.example")
    page.set_viewport_size({"width": 390, "height": 900})
    page.goto("/weeks/2026-W49/list/")
    page.get_by_label("PLT plug, pieces").focus()
    page.keyboard.type("12")
    page.get_by_label("HRT plug, pieces").focus()
    page.keyboard.type("10")
    # Return in a field keeps the draft and sends nothing.
    page.keyboard.press("Enter")
    page.wait_for_selector("[role=status]")
    assert not Order.objects.exists()
    assert page.get_by_label("PLT plug, pieces").input_value() == "12"
    page.get_by_role("button", name="Send the order").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/orders/*/")

    assert "is sent" in page.locator("[role=status]").inner_text()
    order = Order.objects.get()
    assert sorted((line.listing.name, line.asked) for line in order.lines.all()) == [
        ("HRT plug", 10), ("PLT plug", 12),
    ]  # fmt: skip


def test_the_outdoor_theme_is_black_on_white(committed_farm, browser, live_server):
    committed_farm("published")
    page = log_in(browser, live_server, "gita@saltmarrow.example")
    page.get_by_role("button", name="Outdoor").click()
    inks = page.evaluate(
        "[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]"
    )

    assert inks == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
