"""Sheets that are too large, swell, lie, or are something else: refused by name, nothing lost."""

import io
import random
import struct
import time
import tracemalloc
import zipfile
import zlib

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from inventory.errors import FarmError
from orders.calc.cells import read_asked
from orders.models import BasketRow, Order, SheetRead
from orders.sheet_checks import SheetCurrency, SheetTwice, list_in, refuse_currencies
from orders.sheet_files import (
    Limits,
    SheetNotATable,
    SheetTooLarge,
    SheetTooLong,
    SheetUnreadable,
    read_tables,
)

MB = 1024 * 1024
LIMITS = Limits(file_bytes=5 * MB, unpacked_bytes=20 * MB, rows=5000, columns=60)
HEAD = ["row key", "order qty"]
ADDRESS = reverse("sheet-upload", args=["2026-W49"])


def read(content, name="sent.xlsx", limits=LIMITS):
    return read_tables(content=content, name=name, limits=limits)


def workbook(rows=(), titles=("list",), change=None):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title in titles:
        sheet = book.create_sheet(title)
        for row in [HEAD, *rows]:
            sheet.append(row)
    if change:
        change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def repacked(content, parts, compression=zipfile.ZIP_DEFLATED):
    """A spreadsheet with some parts put in place of its own, or added."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old:
        with zipfile.ZipFile(out, "w", compression) as new:
            for name in {*old.namelist(), *parts}:
                new.writestr(name, parts[name] if name in parts else old.read(name))
    return out.getvalue()


def sheet_xml(rows):
    return (
        '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/'
        f'spreadsheetml/2006/main"><sheetData>{rows}</sheetData></worksheet>'
    )


def picture():
    out = io.BytesIO()
    Image.effect_noise((64, 64), 50).convert("RGB").save(out, "JPEG")
    return out.getvalue()


def lying(name, data, says):
    """A zip whose directory says that a part unpacks to its first ``says`` bytes, sum included."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr(name, data)
    raw = bytearray(out.getvalue())
    true = struct.pack("<III", zlib.crc32(data), len(zlib_of(raw, name)), len(data))
    false = struct.pack("<III", zlib.crc32(data[:says]), len(zlib_of(raw, name)), says)
    assert raw.count(true) == 2
    return bytes(raw.replace(true, false))


def zlib_of(raw, name):
    with zipfile.ZipFile(io.BytesIO(bytes(raw))) as archive:
        return bytes(archive.getinfo(name).compress_size)


# ---- size


def test_a_file_above_five_megabytes_is_refused_unopened():
    with pytest.raises(SheetTooLarge, match=r"sent.xlsx is larger than 5 MB, so it was not opened"):
        read(b"PK\x03\x04" + b"\0" * 5 * MB)


def test_a_zip_that_swells_is_refused_by_its_directory():
    swollen = repacked(workbook(), {"xl/media/image1.png": b"\0" * 21 * MB})
    assert len(swollen) < MB
    tracemalloc.start()
    with pytest.raises(SheetTooLarge, match="20 MB unpacked"):
        read(swollen)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < MB


def test_a_zip_that_lies_about_its_sizes_is_stopped_while_it_is_read():
    bomb = lying("xl/worksheets/sheet1.xml", b"<row/>" * 10 * MB, says=1000)
    assert len(bomb) < MB
    tracemalloc.start()
    with pytest.raises(SheetUnreadable):
        read(bomb)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 4 * MB


def test_many_parts_that_are_small_alone_are_counted_together():
    parts = {f"xl/worksheets/sheet{n}.xml": b" " * MB for n in range(25)}
    with pytest.raises(SheetTooLarge):
        read(repacked(workbook(), parts))
    with pytest.raises(SheetTooLarge):
        read(repacked(workbook(), {f"x/{n}.xml": b"" for n in range(1100)}))


@pytest.mark.parametrize("compression", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_packing_that_is_undone_in_one_go_is_not_opened(compression):
    with pytest.raises(SheetNotATable, match="packed in a way"):
        read(repacked(workbook(), {}, compression))


def test_entities_are_not_resolved():
    swelling = b'<!DOCTYPE x [<!ENTITY a "ha">]><worksheet>&a;</worksheet>'
    for part in (swelling, swelling.decode().encode("utf-16")):
        with pytest.raises(SheetUnreadable, match="entities"):
            read(repacked(workbook(), {"xl/worksheets/sheet1.xml": part}))


# ---- rows and columns


def test_a_hundred_thousand_rows_are_refused_in_both_formats():
    rows = b"".join(b"PLT plug,%d\r\n" % number for number in range(100_000))
    with pytest.raises(SheetTooLong, match="more than 5000 rows"):
        read(b"row key,order qty\r\n" + rows, "long.csv")
    cells = "".join(f'<row r="{n}"><c r="A{n}"><v>1</v></c></row>' for n in range(1, 100_001))
    long = repacked(workbook(), {"xl/worksheets/sheet1.xml": sheet_xml(cells)})
    with pytest.raises(SheetTooLong, match="more than 5000 rows"):
        read(long)


def test_five_thousand_rows_are_read_and_one_more_is_not():
    rows = [["PLT plug", ""]] * 4999
    assert len(read(workbook(rows))[0].rows) == 5000
    with pytest.raises(SheetTooLong):
        read(workbook([*rows, ["PLT plug", 1]]))


def test_blank_rows_do_not_count_however_far_down_they_are_formatted():
    cells = (
        '<row r="1"><c r="A1" t="inlineStr"><is><t>row key</t></is></c></row>'
        '<row r="1048576" ht="20"><c r="A1048576" s="0"/></row>'
    )
    sent = repacked(workbook(), {"xl/worksheets/sheet1.xml": sheet_xml(cells)})
    started = time.perf_counter()
    assert [row.number for row in read(sent)[0].rows] == [1]
    assert time.perf_counter() - started < 10


def test_a_row_number_beyond_every_spreadsheet_does_not_run_on():
    cells = '<row r="999999999999"><c r="A1"><v>1</v></c></row>'
    sent = repacked(workbook(), {"xl/worksheets/sheet1.xml": sheet_xml(cells)})
    started = time.perf_counter()
    assert read(sent)[0].rows == ()
    assert time.perf_counter() - started < 10


def test_too_many_columns_are_refused_in_both_formats():
    for content in (b",".join(b"%d" % n for n in range(61)), workbook([[1] * 61])):
        with pytest.raises(SheetTooLong, match="more than 60 columns"):
            read(content)


def test_cells_are_counted_before_they_are_built():
    cells = f'<row r="1">{"<c/>" * 300_001}</row>'
    sent = repacked(workbook(), {"xl/worksheets/sheet1.xml": sheet_xml(cells)})
    with pytest.raises(SheetTooLong):
        read(sent)


# ---- not a sheet at all


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (picture(), "a picture"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 90, "a picture"),
        (b"%PDF-1.7 ...", "a PDF"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 90, "the old kind, or one with a password"),
        (b"row key,order\x00qty", "no text"),
        (b"", "empty"),
        (b" \r\n\t", "empty"),
    ],
)
def test_what_is_no_table_is_named(content, words):
    with pytest.raises(SheetNotATable, match=words):
        read(content, "list.csv")


def test_other_packed_files_are_named():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<x/>")
    with pytest.raises(SheetNotATable, match="an open-document spreadsheet"):
        read(out.getvalue())
    with pytest.raises(SheetUnreadable, match="cannot be unpacked"):
        read(workbook()[:-40])
    with pytest.raises(SheetUnreadable, match="do not hold together"):
        read(repacked(workbook(), {"xl/worksheets/sheet1.xml": b"<worksheet>"}))


def test_a_quote_that_is_never_closed_does_not_swallow_the_rows_below():
    with pytest.raises(SheetUnreadable, match="a quoted cell is not closed"):
        read(b'row key,order qty\r\n"PLT plug,12\r\nHRT plug,10\r\n', "list.csv")


def test_two_lists_in_one_file_and_two_columns_of_one_name_are_not_guessed():
    tables = read(workbook(titles=("ours", "last week's")))
    with pytest.raises(SheetTwice, match="ours and last week's"):
        list_in(tables=tables, name="x")

    def hide(book):
        book["last week's"].sheet_state = "hidden"

    tables = read(workbook(titles=("ours", "last week's"), change=hide))
    assert list_in(tables=tables, name="x")[0].name == "ours"
    with pytest.raises(SheetTwice, match='two columns "order qty"'):
        list_in(tables=read(b"row key,order qty,order qty\r\n"), name="x")


@pytest.mark.parametrize(
    "prices",
    [
        ["$12.88", "\u20ac14.00", "\u00a311.20"],
        ["12.88 USD", "14.00 EUR", "11.20 GBP"],
        ["US$ 12.88", "C$ 14.00", "\u00a5 1100"],
    ],
)
def test_three_currencies_are_one_refusal_that_names_them(prices):
    rows = "".join(f"PLT plug;12;{price}\n" for price in prices)
    tables = read(f"row key;order qty;price\n{rows}".encode())
    table, columns, _ = list_in(tables=tables, name="x")
    with pytest.raises(SheetCurrency, match=r"prices in USD, \w{3}, \w{3} \(row 3\)"):
        refuse_currencies(rows=table.rows, columns=columns, name="x")


def test_currencies_that_only_the_format_of_a_number_shows_are_seen():
    def change(book):
        sheet = book["list"]
        sheet["C1"] = "price"
        for row, shown in ((2, '"$"0.00'), (3, "[$\u20ac-407] 0.00"), (4, "[$GBP] 0.00")):
            sheet.cell(row, 3, 12.88).number_format = shown

    tables = read(workbook([["PLT plug", 1]] * 3, change=change))
    table, columns, _ = list_in(tables=tables, name="x")
    with pytest.raises(SheetCurrency, match="USD, EUR, GBP"):
        refuse_currencies(rows=table.rows, columns=columns, name="x")
    only = [row for row in table.rows if row.number < 3]
    refuse_currencies(rows=only, columns=columns, name="x")


# ---- whatever comes, it is a table or a named refusal


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=400) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_a_table_or_a_named_refusal(content):
    try:
        tables = read(content)
    except FarmError as refusal:
        assert refusal.code.startswith("sheet_") and "as it was" in refusal.sentence
    else:
        assert all(isinstance(cell, str) for row in tables[0].rows for cell in row.cells)


def test_a_spreadsheet_with_flipped_bytes_is_a_table_or_a_named_refusal():
    whole, chance = workbook([["PLT plug", 12], ["HRT plug", 10.5]]), random.Random(49)
    seen = set()
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    for _ in range(300):
        name = chance.choice(list(parts))
        torn = bytearray(parts[name])
        for _ in range(chance.randrange(1, 6)):
            torn[chance.randrange(len(torn))] = chance.randrange(256)
        try:
            read(repacked(whole, {name: bytes(torn)}))
            seen.add("read")
        except FarmError as refusal:
            seen.add(refusal.code)
    assert {"read", "sheet_unreadable"} <= seen


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=40) | st.integers().map(str) | st.floats().map(str))
def test_any_cell_is_a_number_nothing_or_a_fault_with_words(text):
    found = read_asked(text)
    assert found.is_bad == bool(found.words)
    assert found.value is None or (1 <= found.value <= 100_000 and not found.is_bad)


def test_a_cell_of_thousands_of_digits_is_too_large():
    assert read_asked("9" * 5000).code == "cell_too_large"
    assert read_asked("0" * 5000).code in ("", "cell_too_large")


# ---- through the page


@pytest.mark.parametrize(
    ("content", "name", "status", "code"),
    [
        (b"row key,order qty\r\n" + b"x" * 50 * MB, "large.csv", 413, "sheet_too_large"),
        (b"PLT plug,1\r\n" * 100_000, "long.csv", 413, "sheet_too_long"),
        (picture(), "list.csv", 422, "sheet_not_a_table"),
        (b"row key,name\r\nPLT plug,x\r\n", "list.csv", 422, "sheet_column_missing"),
        (b"name,order qty\r\nPlum,1\r\n", "list.csv", 422, "sheet_column_missing"),
        (b"PK\x03\x04 nothing", "list.xlsx", 422, "sheet_unreadable"),
        (
            "row key;order qty;price\nA;1;$1\nB;1;\u20ac1\nC;1;\u00a31\n".encode(),
            "list.csv", 422, "sheet_currency",
        ),
        (None, "", 422, "sheet_missing"),
    ],
)  # fmt: skip
def test_a_refused_file_is_a_page_with_code_and_sentence_and_loses_nothing(
    published_farm, person, client, content, name, status, code
):
    client.force_login(person("B02"))
    good = SimpleUploadedFile("good.csv", b"row key,order qty\r\nPLT plug,12\r\n")
    assert client.post(ADDRESS, {"sheet": good}).status_code == 302
    sent = {"ship_to": "C02"}
    if content is not None:
        sent["sheet"] = SimpleUploadedFile(name, content)
    answer = client.post(ADDRESS, sent)
    page = answer.content.decode()
    assert answer.status_code == status
    assert code in page and "Nothing was read" in page and name in page
    assert [row.asked for row in BasketRow.objects.all()] == ["12"]
    assert SheetRead.objects.count() == 1 and not Order.objects.exists()


def test_the_upload_s_token_is_asked_for(published_farm, person):
    from django.test import Client

    client = Client(enforce_csrf_checks=True)
    client.force_login(person("B02"))
    sent = {"sheet": SimpleUploadedFile("list.csv", b"row key,order qty\r\nPLT plug,12\r\n")}
    assert client.post(ADDRESS, sent).status_code == 403
    client.get(ADDRESS)
    sent = {
        "csrfmiddlewaretoken": client.cookies["csrftoken"].value,
        "sheet": SimpleUploadedFile("list.csv", b"row key,order qty\r\nPLT plug,12\r\n"),
    }
    assert client.post(ADDRESS, sent).status_code == 302
