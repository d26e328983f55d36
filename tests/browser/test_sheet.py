"""A buyer's sheet in a real browser: down, filled and sorted, up, looked at, mended, sent."""

import csv
import io
import os
from pathlib import Path

import openpyxl
import pytest

from config.management.commands.pictures import CHROMIUM, WIDTHS
from inventory.models import User
from orders.models import BasketRow, Order

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
BUYER = "buyer@gullwickaquaria.example"
ASKED = {
    "PLT plug": "12", "HRT plug": "ten", "SLG plug": "-3", "TFT plug": "2.5", "CBB plug": " 5 ",
    "KLN plug": "4", "PNR base": "6", "BKP plug": "1", "APT base": "6", "CTH base": "=1+5",
    "SXT base": "3/4",
}  # fmt: skip


@pytest.fixture
def page(committed_farm, live_server, monkeypatch):
    if not Path(CHROMIUM).exists():
        pytest.skip("left out: no Chromium on this machine")
    monkeypatch.setitem(os.environ, "DJANGO_ALLOW_ASYNC_UNSAFE", "1")
    from playwright.sync_api import sync_playwright

    committed_farm("published")
    user = User.objects.get(email=BUYER)
    user.set_password("slack water")
    user.save()
    with sync_playwright() as runner:
        opened = runner.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        page = opened.new_context(base_url=live_server.url).new_page()
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto("/log-in/?next=/weeks/2026-W49/list/")
        page.fill("#id_username", BUYER)
        page.fill("#id_password", "slack water")
        page.click("main button[type=submit]")
        yield page
        opened.close()


def fits(page):
    """No page of the round trip is wider than its screen, and every target is large enough."""
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        too_wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert too_wide <= 0, f"{page.url} is {too_wide} px too wide at {width}"
        small = page.evaluate(
            """() => [...document.querySelectorAll('main button, main .links a, main .button')]
                .filter((one) => one.getBoundingClientRect().height < 44)
                .map((one) => one.textContent)"""
        )
        assert small == []
    page.set_viewport_size({"width": 390, "height": 844})


def shop_s_sheet(content):
    """What a shop makes of the CSV: asked, sorted backwards, two columns deleted, as a workbook."""
    stamp, head, *rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))
    at = head.index("order qty")
    for row in rows:
        row[at] = ASKED.get(row[0], "")
    extra = [["ZZZ", *[""] * (at - 1), "3"], ["APT base", *[""] * (at - 1), "6"]]
    gone = {head.index("taxon"), head.index("note")}
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "for Tuesday"
    for row in [stamp, head, *reversed(rows), *extra]:
        sheet.append([cell for at, cell in enumerate(row) if at not in gone])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def upload(page, name, content):
    page.set_input_files(
        "#filled", {"name": name, "mimeType": "application/octet-stream", "buffer": content}
    )
    page.get_by_role("button", name="Read it into the draft").click()


def test_a_sheet_goes_down_and_comes_back_with_every_bad_cell_named(page):
    with page.expect_download() as coming:
        page.get_by_role("link", name="As CSV to fill in").click()
    assert coming.value.suggested_filename == "list-2026-W49-C02.csv"
    sheet = shop_s_sheet(Path(coming.value.path()).read_bytes())

    page.get_by_role("link", name="Read a filled sheet in").click()
    fits(page)
    upload(page, "tuesday.xlsx", sheet)
    page.wait_for_url("**/sheet/*/")
    fits(page)
    assert page.locator("h1").inner_text() == "2 accepted, 10 to mend"
    mend = page.locator("tr.mend")
    assert mend.count() == 10
    twice = mend.filter(has_text="APT base")
    assert twice.count() == 1 and " and " in twice.locator("td").first.inner_text()
    assert "3/4 looks like a date" in mend.filter(has_text="SXT base").inner_text()
    assert not Order.objects.exists()

    page.get_by_role("link", name="Look at the draft and send it").click()
    assert page.get_by_label("PLT plug, pieces").input_value() == "12"
    page.get_by_role("button", name="Send the order").click()
    page.wait_for_url("**/orders/*/")
    order = Order.objects.get()
    assert order.source == "sheet"
    assert sorted((line.listing.name, line.asked) for line in order.lines.all()) == [
        ("CBB plug", 5), ("PLT plug", 12),
    ]  # fmt: skip


def test_fifty_megabytes_are_answered_in_our_words_and_lose_nothing(page, tmp_path):
    page.goto("/weeks/2026-W49/sheet/")
    upload(page, "good.csv", b"row key,order qty\r\nPLT plug,12\r\n")
    page.wait_for_url("**/sheet/*/")
    large = tmp_path / "large.xlsx"
    large.write_bytes(b"PK\x03\x04" + os.urandom(1024) * 50 * 1024)
    page.goto("/weeks/2026-W49/sheet/")
    page.set_input_files("#filled", str(large))
    page.get_by_role("button", name="Read it into the draft").click()
    words = page.locator("[role=alert]").inner_text()
    assert "large.xlsx is larger than 5 MB" in words and "sheet_too_large" in words
    fits(page)
    assert [row.asked for row in BasketRow.objects.all()] == ["12"]
