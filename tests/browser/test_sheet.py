"""A buyer's sheet in a real browser: down, filled and sorted, up, looked at, mended, sent."""

import csv
import io
import os
import zipfile
from datetime import date
from pathlib import Path

import openpyxl
import pytest
from tests_support import log_in

from config.management.commands.pictures import CHROMIUM, WIDTHS
from inventory.models import User
from orders.models import Basket, BasketRow, Order

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
    for row in mend.all():
        number, listing, *_, words = [cell.strip() for cell in row.locator("td").all_inner_texts()]
        assert number and listing and len(words) > 20, words
    assert not Order.objects.exists()
    what_comes_down_again_runs_nowhere(page)

    page.get_by_role("link", name="Look at the draft and send it").click()
    assert page.get_by_label("PLT plug, pieces").input_value() == "12"
    page.get_by_role("button", name="Send the order").click()
    page.wait_for_url("**/orders/*/")
    order = Order.objects.get()
    assert order.source == "sheet"
    assert sorted((line.listing.name, line.asked) for line in order.lines.all()) == [
        ("CBB plug", 5), ("PLT plug", 12),
    ]  # fmt: skip


def what_comes_down_again_runs_nowhere(page):
    """The rows to mend as CSV: as typed, and no cell that a spreadsheet would run."""
    with page.expect_download() as coming:
        page.get_by_role("link", name="These rows as CSV, to mend").click()
    text = Path(coming.value.path()).read_bytes().decode("utf-8-sig")
    cells = [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
    assert "'=1+5" in cells and "'-3" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]


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
    every_other_bad_file_has_its_sentence(page)


def every_other_bad_file_has_its_sentence(page):
    """One after the other into the same draft: what was right stays, nothing is ordered."""
    for name, content, words in bad_files():
        page.goto("/weeks/2026-W49/sheet/")
        upload(page, name, content)
        said = page.locator("[role=alert]").first.inner_text()
        assert words in said and "sheet_" in said, f"{name}: {said}"
        assert [row.asked for row in BasketRow.objects.all()] == ["12"], name
    for name, content, listing, words in half_bad_sheets():
        page.goto("/weeks/2026-W49/sheet/")
        upload(page, name, content)
        page.wait_for_url("**/sheet/*/")
        said = page.locator("tr.mend", has_text=listing).first.inner_text()
        assert words in said.lower(), f"{name}: {said}"
        kept = {row.listing.name: row.asked for row in BasketRow.objects.all()}
        assert kept["PLT plug"] == "12" and kept.get(listing) is None, name
    fits(page)
    assert not Order.objects.exists()


def bad_files():
    """Files that are no sheet, or too much of one: name, content, what has to be said."""
    swollen = io.BytesIO()
    with zipfile.ZipFile(swollen, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 60 * 1024 * 1024)
    yield "swells.xlsx", swollen.getvalue(), "MB unpacked"
    yield "photo.xlsx", b"\x89PNG\r\n\x1a\n" + os.urandom(2000), "photo.xlsx is a picture"
    yield "noise.csv", bytes(range(256)) * 20, "no text that could be read as a table"
    rows = b"row key,order qty\r\n" + b"PLT plug,1\r\n" * 100_000
    yield "long.csv", rows, "more than"
    opened = io.BytesIO()
    with zipfile.ZipFile(opened, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<x/>")
    yield "list.ods", opened.getvalue(), "an open-document spreadsheet"
    yield "old.xls", b"\xd0\xcf\x11\xe0" + bytes(600), "a spreadsheet of the old kind"
    yield "empty.csv", b"  ", "empty.csv is empty"
    prices = "row key,price,order qty\nPLT plug,€12,1\nHRT plug,$9,1\nSLG plug,£8,1\n"
    yield "money.csv", prices.encode(), "prices in EUR, USD, GBP (row 2)"


def half_bad_sheets():
    """Sheets with one row that cannot be read beside one that can."""

    def book(listing, value, change=None):
        made = openpyxl.Workbook()
        for row in (["row key", "order qty"], ["PLT plug", 12], [listing, value]):
            made.active.append(row)
        if change:
            change(made.active)
        out = io.BytesIO()
        made.save(out)
        return out.getvalue()

    yield "date.xlsx", book("HRT plug", date(2026, 3, 4)), "HRT plug", "date"
    yield (
        "merged.xlsx",
        book("HRT plug", 3, lambda sheet: sheet.merge_cells("B3:B4")),
        "HRT plug",
        "merged",
    )
    for text, words in (("12 pcs", "number"), ("1O", "type 10"), ("-3", "below"), ("2.5", "whole")):
        content = f"row key,order qty\nPLT plug,12\nHRT plug,{text}\n".encode()
        yield f"{text}.csv", content, "HRT plug", words
    content = b"row key,order qty\nPLT plug,12\nRMG prop-10,15 pieces\n"
    yield "packs.csv", content, "RMG prop-10", "sold in tens: 1 or 2 packs"


def test_last_week_s_file_is_said_and_its_quantities_are_kept(browser, committed_farm, live_server):
    committed_farm("open")
    Basket.objects.all().delete()
    buyer = log_in(browser, live_server, BUYER)
    with buyer.expect_download() as coming:
        buyer.goto("/weeks/2026-W49/list/")
        buyer.get_by_role("link", name="As CSV to fill in").click()
    stamp, head, *rows = list(csv.reader(io.StringIO(
        Path(coming.value.path()).read_bytes().decode("utf-8-sig"), newline="")))  # fmt: skip
    assert stamp[0].startswith("list 2026-W49")
    for row in rows:
        row[head.index("order qty")] = {"PLT plug": "12", "HRT plug": "ten"}.get(row[0], "")
    out = io.StringIO(newline="")
    csv.writer(out).writerows([stamp, head, *rows])
    buyer.goto("/weeks/2026-W50/sheet/")
    upload(buyer, "again.csv", out.getvalue().encode())
    buyer.wait_for_url("**/sheet/*/")
    assert "The stamp is W49, current W50" in buyer.locator("[role=alert]").first.inner_text()
    assert buyer.locator("tr.mend").count() == 1
    assert "Changed since the sheet was made" in buyer.inner_text("main")
    buyer.get_by_role("link", name="Look at the draft and send it").click()
    assert buyer.get_by_label("PLT plug, pieces").input_value() == "12"
    assert not Order.objects.filter(source="sheet", week__name="2026-W50").exists()
