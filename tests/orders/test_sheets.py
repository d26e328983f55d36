"""A sheet comes back in any order: every row is answered, right ones are kept, stale ones said."""

import io
import json
from datetime import datetime

import pytest
import xlsxwriter
from openpyxl.styles import numbers
from tests_support import farm_time

from inventory.clock import farm_now, move_clock
from inventory.models import Listing
from orders.listing import publish_list
from orders.models import Basket, BasketRow, Order, Price, ShipTo
from orders.sheet_files import Limits, read_tables
from orders.sheet_out import Stamp, stamp_in
from orders.weeks import week_named
from tests.orders.sheet_desk import A12, W49, as_csv, as_xlsx, codes, drafted, filled, take, without

LIMITS = Limits(file_bytes=5_000_000, unpacked_bytes=20_000_000, rows=5000, columns=60)
A12_REFUSED = {
    "HRT plug": "cell_not_a_number",
    "SLG plug": "cell_below_zero",
    "TFT plug": "cell_not_whole",
    "KLN plug": "line_resting",
    "PNR base": "line_resting",
    "ZZZ": "listing_unknown",
    "BKP plug": "below_minimum_line",
    "APT base": "listing_twice",
    "CTH base": "cell_formula",
    "SXT base": "cell_looks_like_a_date",
}


@pytest.fixture
def buyer(person):
    return person("B02")


# ---- reading


def test_the_published_cases_of_csv_are_read(farm_checks):
    cases = json.loads((farm_checks / "10_csv.json").read_text())["cases"]
    assert len(cases) == 5
    for case in cases:
        content = case["inputs"]["text"].encode()
        first = read_tables(content=content, name="case.csv", limits=LIMITS)[0]
        rows = [list(row.cells) for row in first.rows]
        expected = case["expected"]
        if case["id"] == "csv-empty-fields":
            # A row without a word in it is left out: nobody asked for anything there.
            assert rows == [] and expected["rows"] == [["", "", ""]]
        elif "header" in expected:
            assert rows[0] == expected["header"], case["id"]
        else:
            assert rows == expected["rows"], case["id"]


def test_a12_bad_cells_are_named_by_row_and_the_right_ones_kept(week, buffalo, buyer):
    rows = filled(week, buffalo, A12)
    rows.append([*rows[-1][:0], *["APT base", *[""] * 9, "6", "", ""]])
    stamp, head, body = rows[0], rows[1], sorted(rows[2:], key=lambda row: row[1], reverse=True)
    sent = without([stamp, head, *body], "taxon", "note")
    for content, name in ((as_csv(sent), "a.csv"), (as_xlsx(sent), "a.xlsx")):
        read = take(week, buffalo, buyer, content, name)
        assert codes(read) == A12_REFUSED
        assert len(read.refused) == 10
        assert {row["listing"]: row["typed"] for row in read.kept} == {
            "PLT plug": "12", "CBB plug": "5",
        }  # fmt: skip
        where = {row[0]: at for at, row in enumerate(sent, 1) if len(row) > 3 and row[-3]}
        for line in read.lines:
            assert where[line["listing"]] in line["rows"]
        twice = next(row for row in read.refused if row["listing"] == "APT base")
        assert len(twice["rows"]) == 2
        assert "rows {} and {}".format(*twice["rows"]) in twice["words"]
        assert read.notes == []
    assert drafted(buffalo) == {"PLT plug": "12", "CBB plug": "5"}
    assert not Order.objects.exists()


def test_a_head_that_was_sorted_along_and_bare_keys_are_found(week, buffalo, buyer):
    rows = sorted(filled(week, buffalo, {"PLT plug": "12"}), key=lambda row: row[0].lower())
    assert rows[0][0] != "row key" and not rows[0][0].startswith("list 2026")
    for row in rows:
        row[0] = row[0].replace("PLT plug", "plt")
    read = take(week, buffalo, buyer, as_csv(rows))
    assert [row["listing"] for row in read.kept] == ["PLT plug"]
    assert read.notes == [] and read.refused == []


@pytest.mark.parametrize(
    ("delimiter", "end", "mark", "coding"),
    [
        (";", "\r\n", True, "utf-8"),
        ("\t", "\n", False, "utf-8"),
        (",", "\r", False, "utf-8"),
        (";", "\n", False, "cp1252"),
        ("\t", "\r\n", False, "utf-16"),
    ],
)
def test_other_delimiters_line_ends_and_letters_are_read(
    week, buffalo, buyer, delimiter, end, mark, coding
):
    rows = filled(week, buffalo, {"PLT plug": "12", "HRT plug": "3/4"})
    rows[2][1] = f'quoted "{delimiter}" caf\u00e9\r\nof two lines'
    content = as_csv(rows, delimiter, end, mark)
    if coding != "utf-8":
        content = content.decode("utf-8-sig").encode(coding)
    read = take(week, buffalo, buyer, content)
    assert drafted(buffalo) == {"PLT plug": "12"}
    assert codes(read) == {"HRT plug": "cell_looks_like_a_date"}


def test_what_a_spreadsheet_makes_of_a_cell_is_read_as_a_person_meant_it(week, buffalo, buyer):
    rows = filled(week, buffalo, {})
    at = rows[1].index("order qty")
    typed = {
        "PLT plug": 12.0, "CBB plug": "12", "HRT plug": datetime(2026, 3, 4), "SLG plug": 2.5,
        "TFT plug": "=6+6", "BKP plug": 4, "DMK plug": 1.0, "MKC plug": True,
    }  # fmt: skip
    for row in rows[2:]:
        row[at] = typed.get(row[0], "")
    rows.append(["ORG plug", *[""] * (at - 1), 3])

    def change(sheet):
        by_key = {row[0].value: row for row in sheet.iter_rows()}
        by_key["BKP plug"][at].number_format = numbers.FORMAT_CURRENCY_USD_SIMPLE
        by_key["DMK plug"][at].number_format = numbers.FORMAT_PERCENTAGE
        cell = list(sheet.iter_rows())[-1][at]
        sheet.merge_cells(
            start_row=cell.row, end_row=cell.row + 1,
            start_column=cell.column, end_column=cell.column,
        )  # fmt: skip

    read = take(week, buffalo, buyer, as_xlsx(rows, change=change), "list.xlsx")
    assert drafted(buffalo) == {"PLT plug": "12", "CBB plug": "12"}
    assert codes(read) == {
        "HRT plug": "cell_looks_like_a_date",
        "SLG plug": "cell_not_whole",
        "TFT plug": "cell_formula",
        "BKP plug": "cell_other_format",
        "DMK plug": "cell_other_format",
        "ORG plug": "cell_merged",
        "MKC plug": "cell_not_a_number",
    }
    assert all(row["words"] for row in read.refused)


def test_a_formula_s_kept_value_is_not_believed(week, buffalo, buyer):
    """A spreadsheet program keeps 12 beside =6+6; the claim is not taken for a number typed."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out)
    sheet = book.add_worksheet()
    sheet.write_row(0, 0, ["row key", "order qty"])
    sheet.write_string(1, 0, "PLT plug")
    sheet.write_formula(1, 1, "=6+6", None, 12)
    book.close()
    read = take(week, buffalo, buyer, out.getvalue(), "list.xlsx")
    assert codes(read) == {"PLT plug": "cell_formula"} and drafted(buffalo) == {}


def test_packs_are_asked_in_packs_and_a_column_of_pieces_is_not_guessed(week, buffalo, buyer):
    read = take(week, buffalo, buyer, b"row key;order qty\nRMG prop-10;3\n")
    assert read.kept[0]["words"].startswith("30 pieces in 3 packs")
    read = take(week, buffalo, buyer, b"row key,pieces\nRMG prop-10,30\nPLT plug,12\nRMG,2\n")
    assert codes(read) == {"RMG prop-10": "cell_unit_unclear", "RMG": "row_key_unclear"}
    assert drafted(buffalo) == {"RMG prop-10": "3", "PLT plug": "12"}


def test_forbidden_and_unlisted_rows_say_why(week, person):
    honolulu = ShipTo.objects.get(code="C09")
    harrow = Listing.objects.get(name="HRT plug")
    Listing.objects.create(
        name="HRT winter", title="x", strain_form=harrow.strain_form, look="winter"
    )
    content = b"row key,order qty\nRMG prop-10,2\nHRT winter,4\n,7\n"
    read = take(week, honolulu, person("B09"), content)
    assert codes(read) == {
        "RMG prop-10": "region_forbids", "HRT winter": "not_on_list", "": "row_key_missing",
    }  # fmt: skip


# ---- the draft


def test_blank_leaves_the_draft_zero_takes_out_and_changed_is_said(week, buffalo, buyer):
    take(week, buffalo, buyer, b"row key,order qty,least\nPLT plug,12,4\nHRT plug,10,\nCBB plug,5,")
    content = b"row key,order qty\nPLT plug,8\nHRT plug,0\nCBB plug,\nSLG plug,0\n"
    read = take(week, buffalo, buyer, content)
    assert {row["listing"]: (row["outcome"], row["was"]) for row in read.lines} == {
        "PLT plug": ("changed", "12"), "HRT plug": ("taken out", "10"),
    }  # fmt: skip
    assert drafted(buffalo) == {"PLT plug": "8", "CBB plug": "5"}
    assert BasketRow.objects.get(listing__name="PLT plug").least == "4"


def test_the_least_is_read_and_a_bad_one_named(week, buffalo, buyer):
    content = b"row key,order qty,least\nPLT plug,12,4\nHRT plug,10,11\nCBB plug,5,some\n"
    read = take(week, buffalo, buyer, content)
    assert BasketRow.objects.get().least == "4"
    assert {(row["listing"], row["code"], row["field"]) for row in read.refused} == {
        ("HRT plug", "least_above_asked", "least"), ("CBB plug", "cell_not_a_number", "least"),
    }  # fmt: skip


def test_the_same_sheet_twice_changes_nothing(week, buffalo, buyer):
    content = as_csv(filled(week, buffalo, {"PLT plug": "12"}))
    take(week, buffalo, buyer, content)
    again = take(week, buffalo, buyer, content)
    assert [row["outcome"] for row in again.kept] == ["same"]
    assert drafted(buffalo) == {"PLT plug": "12"}


# ---- stale stamps


def test_an_older_version_is_said_with_what_changed(week, buffalo, buyer):
    rows = filled(week, buffalo, {"PLT plug": "12", "HRT plug": "4"})
    move_clock(to=farm_time("2026-11-25 16:10"))
    # 15.00 x 0.92 = 13.80
    Price.objects.create(
        listing=Listing.objects.get(name="PLT plug"), list_price="15.00", starts_on="2026-11-25"
    )
    publish_list(week=week, now=farm_now(), reason="a correction")
    read = take(week, buffalo, buyer, as_csv(rows))
    assert read.notes == [
        "The sheet was made from version 1 of 2026-W49; version 2 is out since "
        "Wed 25 Nov, 16:10. Your quantities are kept."
    ]
    assert {"listing": "PLT plug", "what": "price", "was": "12.88", "now": "13.80"} in (
        read.differences
    )
    assert {row["listing"] for row in read.differences} == {"PLT plug"}
    assert drafted(buffalo) == {"PLT plug": "12", "HRT plug": "4"}


def test_last_week_s_file_is_said_and_kept_for_review(open_farm, person):
    ship_to, old, new = ShipTo.objects.get(code="C02"), week_named(name=W49), None
    Basket.objects.all().delete()
    rows = filled(old, ship_to, {"PLT plug": "12", "HRT plug": "ten"})
    new = week_named(name="2026-W50")
    read = take(new, ship_to, person("B02"), as_csv(rows))
    assert read.notes[0].startswith("The stamp is W49, current W50: your quantities are kept")
    assert drafted(ship_to) == {"PLT plug": "12"}
    assert all(row["was"] != row["now"] for row in read.differences)
    assert not Order.objects.filter(week=new, source=Order.Source.SHEET).exists()


def test_a_sheet_of_another_ship_to_and_one_without_stamp_are_said(week, person):
    kansas = ShipTo.objects.get(code="C10b")
    rows = filled(week, ShipTo.objects.get(code="C10a"), {"PLT plug": "12"})
    read = take(week, kansas, person("B10"), as_csv(rows))
    assert "made for C10a and is read for C10b" in read.notes[0]
    read = take(week, kansas, person("B10"), as_csv(rows[1:]))
    assert read.notes[0].startswith("The sheet carries no stamp")
    two = [[Stamp(W49, 1, "C10b", "2026-11-25 13:00").words], *rows]
    read = take(week, kansas, person("B10"), as_csv(two))
    assert "carries 2 stamps" in read.notes[0]


def test_a_stamp_is_found_in_whatever_cell_it_stands():
    stamp = Stamp("2026-W49", 3, "C10b", "2026-11-25 14:00")
    assert stamp_in(f"  '{stamp.words} ") == stamp
    assert stamp_in("list 2026-W49 version x for C02") is None
