"""Every page of the demo in a real browser at three widths: nothing too wide, failing or shut."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect
from tests_support import log_in

from config.management.commands.pictures import WIDTHS, pages
from orders.models import Order

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


# Conformance to WCAG 2.2 A and AA, as far as axe-core can tell it.
AXE = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    "resultTypes": ["violations"],
}


TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def faults(page):
    """What axe finds on a page: rule and the first places."""
    found = Axe().run(page, options=AXE).response["violations"]
    return [(one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found]


@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_is_too_wide_fails_or_shuts_a_reader_out(
    committed_farm, browser, live_server, width
):
    committed_farm("open")
    shown, found = pages(), []
    for who in dict.fromkeys(who for who, _ in shown.values()):
        page = log_in(browser, live_server, who)
        page.set_viewport_size({"width": width, "height": 900})
        page.on("pageerror", lambda error, found=found: found.append(str(error)))
        for name, (looker, address) in shown.items():
            if looker != who:
                continue
            answer = page.goto(address)
            if answer.status != (404 if name == "refusal" else 200):
                found.append(f"{name} answers {answer.status}")
            found += [f"{name}: {fault}" for fault in faults(page)]
            for theme in ("paper", "outdoor"):
                page.evaluate("theme => document.documentElement.className = theme", theme)
                too_wide = page.evaluate(TOO_WIDE)
                if too_wide > 0:
                    found.append(f"{name} is {too_wide} px too wide, {theme}")
            assert page.locator("h1").count() == 1, name
    assert found == [], "\n".join(found)


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


def test_with_scripts_what_is_typed_is_kept_and_answered_beside_its_field(
    committed_farm, browser, live_server
):
    committed_farm("published")
    page = log_in(browser, live_server, "buyer@gullwickaquaria.example")
    failures = []
    page.on("pageerror", lambda error: failures.append(str(error)))
    page.on("console", lambda line: failures.append(line.text) if line.type == "error" else None)
    page.goto("/weeks/2026-W49/list/")
    page.get_by_label("PLT plug, pieces").fill("12")
    page.get_by_label("HRT plug, pieces").fill("many")
    page.keyboard.press("Tab")
    page.wait_for_selector("#draft-foot :text('to mend')")

    says = page.get_by_label("HRT plug, pieces").locator("xpath=following-sibling::div")
    assert "many is not a number" in says.inner_text().lower()
    assert page.get_by_label("HRT plug, pieces").input_value() == "many"
    page.reload()
    assert page.get_by_label("PLT plug, pieces").input_value() == "12"
    assert not Order.objects.exists() and failures == []


# What hurts at a list, as it is typed: each is answered beside its field and nothing is ordered.
SLIPS = {
    "PLT plug, pieces": "12 pcs",
    "HRT plug, pieces": "1O",
    "SLG plug, pieces": "-3",
    "TFT plug, pieces": "2.5",
    "SXT base, pieces": "3/4",
    "BKP plug, pieces": "1",
    "RMG prop-10, packs": "15 pieces",
}


def test_the_usual_slips_are_answered_beside_their_fields_and_the_rest_is_kept(
    committed_farm, browser, live_server
):
    committed_farm("published")
    page = log_in(browser, live_server, "buyer@gullwickaquaria.example")
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto("/weeks/2026-W49/list/")
    for label, text in SLIPS.items():
        page.get_by_label(label).fill(text)
    page.get_by_label("CBB plug, pieces").fill("5")
    page.get_by_role("button", name="Send the order").click()
    page.wait_for_selector("tr.mend")

    assert not Order.objects.exists()
    mended = page.locator("tr.mend")
    assert mended.count() == len(SLIPS)
    for row in mended.all():
        assert len(row.locator(".error").inner_text()) > 20
    for label, text in SLIPS.items():
        assert page.get_by_label(label).input_value() == text
        page.get_by_label(label).fill("")
    assert page.get_by_label("CBB plug, pieces").input_value() == "5"
    packs = page.get_by_label("RMG prop-10, packs")
    said = packs.locator("xpath=following-sibling::div")
    assert "sold in tens: 1 or 2 packs" in said.inner_text().lower()
    packs.fill("2")
    packs.press("Tab")
    expect(said).to_contain_text("20 pieces")

    page.get_by_role("button", name="Send the order").click()
    page.wait_for_url("**/orders/*/")
    assert sorted(line.listing.name for line in Order.objects.get().lines.all()) == [
        "CBB plug", "RMG prop-10",
    ]  # fmt: skip
