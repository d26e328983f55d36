"""The spreadsheet as its parts stand in the file (ECMA-376), and whose sheet the office reads in.

Read here by the standard alone, without the library that wrote it or the one that reads uploads.
Beside these tests it was opened with a spreadsheet program by hand: every value was the CSV's.
"""

import csv
import io
import zipfile
from xml.etree import ElementTree

import pytest
from django.urls import reverse

from inventory.clock import farm_now
from inventory.models import User
from orders.listing import newest_version
from orders.models import BasketRow, ShipTo
from orders.sheet_out import COLUMNS, list_csv, list_xlsx
from orders.weeks import week_named

W49 = "2026-W49"
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def files(code):
    version, ship_to = newest_version(week=week_named(name=W49)), ShipTo.objects.get(code=code)
    made = {"version": version, "ship_to": ship_to, "now": farm_now()}
    return list_csv(**made), list_xlsx(**made)


def parts_of(content):
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        names = [name for name in archive.namelist() if name.endswith(".xml")]
        return {name: ElementTree.fromstring(archive.read(name)) for name in names}


def cells_of(parts):
    """Each cell by its reference: its kind, its text and its style."""
    shared = [
        "".join(part.text or "" for part in item.iter(f"{MAIN}t"))
        for item in parts["xl/sharedStrings.xml"].iter(f"{MAIN}si")
    ]
    found = {}
    for cell in parts["xl/worksheets/sheet1.xml"].iter(f"{MAIN}c"):
        kind, value = cell.get("t", "n"), cell.findtext(f"{MAIN}v")
        text = shared[int(value)] if kind == "s" else value
        found[cell.get("r")] = (kind, text, int(cell.get("s", 0)), cell.find(f"{MAIN}f"))
    return found


@pytest.mark.parametrize("code", ["C02", "C09"])
def test_every_value_of_the_spreadsheet_is_the_csv_s(published_farm, code):
    paper, book = files(code)
    rows = list(csv.reader(io.StringIO(paper.decode("utf-8-sig"), newline="")))
    cells = cells_of(parts_of(book))
    for down, row in enumerate(rows, 1):
        for at, text in enumerate(row):
            kind, value, _, formula = cells.get(f"{chr(65 + at)}{down}", ("n", None, 0, None))
            assert formula is None
            if kind == "n" and value is not None:
                assert float(value) == float(text)
            else:
                # A cell of nothing is none at all: a text of no letters would be counted.
                assert value == (text or None)
    assert len(rows) > 50


def test_numbers_are_numbers_and_what_helps_to_fill_it_in_is_there(published_farm):
    paper, book = files("C02")
    rows = list(csv.reader(io.StringIO(paper.decode("utf-8-sig"), newline="")))
    parts = parts_of(book)
    cells, sheet = cells_of(parts), parts["xl/worksheets/sheet1.xml"]
    formats = list(parts["xl/styles.xml"].find(f"{MAIN}cellXfs"))
    codes = {one.get("numFmtId"): one.get("formatCode")
             for one in parts["xl/styles.xml"].iter(f"{MAIN}numFmt")}  # fmt: skip
    letters = {name: chr(65 + at) for at, name in enumerate(COLUMNS)}
    for down, row in enumerate(rows[2:], 3):
        price = cells[f"{letters['price']}{down}"]
        assert price[0] == "n" and codes[formats[price[2]].get("numFmtId")] == "0.00"
        assert cells[f"{letters['level']}{down}"][0] == "n"
        shown = row[COLUMNS.index("can promise")]
        kind = cells.get(f"{letters['can promise']}{down}", ("n",))[0]
        assert kind == ("n" if shown.isdecimal() or not shown else "s")
        for name in ("order qty", "least"):
            assert cells[f"{letters[name]}{down}"][1] is None

    pane = sheet.find(f"{MAIN}sheetViews/{MAIN}sheetView/{MAIN}pane")
    assert (pane.get("state"), pane.get("topLeftCell")) == ("frozen", "B3")
    last = len(rows)
    assert sheet.find(f"{MAIN}autoFilter").get("ref") == f"A2:M{last}"
    ranges = {one.get("sqref") for one in sheet.iter(f"{MAIN}dataValidation")}
    assert ranges == {f"K3:K{last}", f"L3:L{last}"}
    # Sorting and deleting columns is a shop's right: nothing is locked.
    assert sheet.find(f"{MAIN}sheetProtection") is None


def test_every_column_is_wide_enough_for_its_longest_word(published_farm):
    paper, book = files("C02")
    rows = list(csv.reader(io.StringIO(paper.decode("utf-8-sig"), newline="")))
    widths = {}
    for col in parts_of(book)["xl/worksheets/sheet1.xml"].iter(f"{MAIN}col"):
        for at in range(int(col.get("min")), int(col.get("max")) + 1):
            widths[at - 1] = float(col.get("width"))
    for at, name in enumerate(COLUMNS):
        words = [word for row in rows[1:] for word in row[at].split() or [""]]
        longest = max(map(len, [*words, name]))
        assert longest <= widths[at], f"{name}: {longest} letters in {widths[at]}"


# ---- whose sheet it is


def sent(client, content, **form):
    address = reverse("sheet-upload", args=[W49])
    file = io.BytesIO(content)
    file.name = "from-a-letter.csv"
    return client.post(address, {"sheet": file, **form}, follow=True)


def test_the_office_reads_a_sheet_in_by_the_shop_that_its_stamp_names(published_farm, at_desk):
    office = at_desk("OF")
    page = office.get(reverse("sheet-upload", args=[W49])).content.decode()
    assert "the shop that the sheet names" in page
    assert reverse("sheet-upload", args=[W49]) in office.get("/").content.decode()

    paper, _ = files("C09")
    filled = paper.replace(b"pieces,,", b"pieces,6,", 1)
    answer = sent(office, filled)
    assert answer.status_code == 200
    assert "1 accepted" in answer.content.decode()
    row = BasketRow.objects.get()
    assert (row.basket.ship_to.code, row.asked) == ("C09", "6")


def test_a_sheet_without_its_stamp_asks_the_office_whose_it_is(published_farm, at_desk):
    office = at_desk("OF")
    answer = sent(office, b"row key,order qty\r\nPLT plug,12\r\n")
    text = answer.content.decode()
    assert answer.status_code == 422 and "sheet_names_no_shop" in text
    assert "Choose above whose draft it goes into" in text
    assert not BasketRow.objects.exists()

    assert sent(office, b"row key,order qty\r\nPLT plug,12\r\n", ship_to="C02").status_code == 200
    assert BasketRow.objects.get().basket.ship_to.code == "C02"


def test_a_buyer_s_stamp_names_nobody_else(published_farm, client):
    client.force_login(
        User.objects.get(code="B02"), backend="django.contrib.auth.backends.ModelBackend"
    )
    paper, _ = files("C09")
    sent(client, paper.replace(b"pieces,,", b"pieces,6,", 1))
    assert BasketRow.objects.get().basket.ship_to.code == "C02"
