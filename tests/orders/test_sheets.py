"""The list as a sheet: it goes out harmless and comes back in any order, every row answered."""

import csv
import io
import json
from datetime import datetime

import openpyxl
import pytest
import xlsxwriter
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from openpyxl.styles import numbers
from tests_support import farm_time, page_words

from inventory.clock import farm_now, farm_today, move_clock
from inventory.models import Listing, User
from orders.calc.cells import RUNS, still_text
from orders.listing import newest_version, publish_list
from orders.models import Basket, BasketRow, Order, Price, Seat, SheetRead, ShipTo
from orders.sheet_files import Limits, read_tables
from orders.sheet_out import COLUMNS, Stamp, list_csv, list_xlsx, stamp_in
from orders.sheets import take_sheet
from orders.weeks import week_named

LIMITS = Limits(file_bytes=5_000_000, unpacked_bytes=20_000_000, rows=5000, columns=60)
W49 = "2026-W49"
# Story of the sheet with bad cells: what is typed, and what must become of it.
A12 = {
    "PLT plug": "12",
    "HRT plug": "ten",
    "SLG plug": "-3",
    "TFT plug": "2.5",
    "CBB plug": " 5 ",
    "KLN plug": "4",
    "PNR base": "6",
    "ZZZ": "3",
    "BKP plug": "1",
    "APT base": "6",
    "CTH base": "=1+5",
    "SXT base": "3/4",
}
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
def week(published_farm):
    return week_named(name=W49)


@pytest.fixture
def buffalo(week):
    return ShipTo.objects.get(code="C02")


@pytest.fixture
def buyer(person):
    return person("B02")


def rows_of_csv(content):
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def rows_of_xlsx(content):
    sheet = openpyxl.load_workbook(io.BytesIO(content)).active
    return [["" if cell is None else cell for cell in row] for row in sheet.values]


def as_csv(rows, delimiter=",", end="\r\n", mark=True):
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator=end).writerows(rows)
    return text.getvalue().encode("utf-8-sig" if mark else "utf-8")


def as_xlsx(rows, title="renamed by the shop", change=None):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(["" if cell is None else cell for cell in row])
    if change:
        change(sheet)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def filled(week, ship_to, typed, *, now=None):
    """The newest list as somebody fills it in: stamp, head, rows with their numbers."""
    version = newest_version(week=week)
    rows = rows_of_csv(list_csv(version=version, ship_to=ship_to, now=now or farm_now()))
    at = rows[1].index("order qty")
    wanted = dict(typed)
    for row in rows[2:]:
        row[at] = wanted.pop(row[0], "")
    for name, text in wanted.items():
        extra = [""] * len(COLUMNS)
        extra[0], extra[at] = name, text
        rows.append(extra)
    return rows


def take(week, ship_to, user, content, name="list.csv"):
    return take_sheet(
        content=content, name=name, ship_to=ship_to, week=week, user=user, now=farm_now()
    )


def codes(read):
    return {row["listing"]: row["code"] for row in read.refused}


def drafted(ship_to):
    rows = BasketRow.objects.filter(basket__ship_to=ship_to)
    return dict(rows.values_list("listing__name", "asked"))


def without(rows, *names):
    """The rows less some columns."""
    gone = {rows[1].index(name) for name in names}
    return [[cell for at, cell in enumerate(row) if at not in gone] for row in rows]


# ---- out


def test_the_csv_is_what_the_rfc_says_with_mark_and_stamp(week, buffalo):
    content = list_csv(version=newest_version(week=week), ship_to=buffalo, now=farm_now())

    assert content.startswith(b"\xef\xbb\xbflist 2026-W49 version 1 for C02 made 2026-11-25 14:00")
    assert content.count(b"\r\n") == content.count(b"\n")
    rows = rows_of_csv(content)
    assert tuple(rows[1]) == COLUMNS
    assert {len(row) for row in rows[1:]} == {len(COLUMNS)}
    by_key = {row[0]: dict(zip(COLUMNS, row, strict=True)) for row in rows[2:]}
    # Tier 2: 14.00 x 0.92 = 12.88.
    assert by_key["PLT plug"]["price"] == "12.88"
    assert by_key["PLT plug"]["order qty"] == by_key["PLT plug"]["least"] == ""
    assert by_key["PLT plug"]["substitutes"] == "MKC plug"
    assert by_key["RMG prop-10"]["unit"] == "packs of 10"
    assert by_key["KLN plug"]["status"] == "resting"
    assert by_key["KLN plug"]["note"].startswith("out of colour since 9 Nov")


def test_the_spreadsheet_says_the_same_with_numbers_as_numbers(week, buffalo):
    version = newest_version(week=week)
    on_paper = rows_of_csv(list_csv(version=version, ship_to=buffalo, now=farm_now()))
    rows = rows_of_xlsx(list_xlsx(version=version, ship_to=buffalo, now=farm_now()))

    assert rows[0][0] == on_paper[0][0]
    price = COLUMNS.index("price")
    for ours, theirs in zip(rows[2:], on_paper[2:], strict=True):
        assert isinstance(ours[price], int | float)
        assert f"{ours[price]:.2f}" == theirs[price]
        assert [str(cell) for cell in ours[:price]] == theirs[:price]
        assert [str(cell) for cell in ours[price + 1 :]] == theirs[price + 1 :]


def test_what_may_not_go_to_a_shop_is_not_on_its_sheet(week):
    version = newest_version(week=week)
    to = {code: ShipTo.objects.get(code=code) for code in ("C02", "C09")}
    keys = {
        code: {row[0] for row in rows_of_csv(
            list_csv(version=version, ship_to=ship_to, now=farm_now())
        )}
        for code, ship_to in to.items()
    }  # fmt: skip
    assert "RMG prop-10" in keys["C02"] - keys["C09"]


@pytest.mark.parametrize("text", [*RUNS, "=1+5", "-3", "+1", "@SUM(A1)", "\t=1", " =1"])
def test_text_that_a_spreadsheet_would_run_is_written_so_that_it_does_not(text):
    assert still_text(text) == f"'{text}"


def test_no_cell_of_either_file_is_a_formula(week, buffalo):
    Listing.objects.filter(name="PLT plug").update(title='=HYPERLINK("http://x.example","go")')
    Listing.objects.filter(name="HRT plug").update(title="@SUM(1)")
    version = newest_version(week=week)
    rows = rows_of_csv(list_csv(version=version, ship_to=buffalo, now=farm_now()))
    assert [row[1] for row in rows if row[0] == "PLT plug"][0].startswith("'=HYPERLINK")
    assert not [cell for row in rows for cell in row if cell.startswith(RUNS)]

    content = list_xlsx(version=version, ship_to=buffalo, now=farm_now())
    sheet = openpyxl.load_workbook(io.BytesIO(content)).active
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert not [cell for cell in cells if cell.data_type == "f"]
    run = [cell for cell in cells if isinstance(cell.value, str) and cell.value.startswith(RUNS)]
    # Text, and marked as quoted, so that typing over it or saving it as CSV does not wake it.
    assert len(run) == 2 and all(cell.data_type == "s" and cell.quotePrefix for cell in run)


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


# ---- the pages


def upload(client, content, name="list.csv", ship_to="C02", week=W49):
    file = SimpleUploadedFile(name, content)
    data = {"sheet": file, "ship_to": ship_to}
    return client.post(reverse("sheet-upload", args=[week]), data, follow=True)


def test_a_buyer_gets_the_own_ship_to_s_sheet_and_no_other(week, buyer, client):
    client.force_login(buyer)
    for name in ("list-csv", "list-xlsx"):
        address = reverse(name, args=[W49])
        answer = client.get(address)
        assert answer.status_code == 200
        assert "list-2026-W49-C02." in answer["Content-Disposition"]
        assert client.get(f"{address}?ship_to=C02").status_code == 200
        assert client.get(f"{address}?ship_to=C03").status_code == 404
        assert client.post(address).status_code == 405
    assert upload(client, b"row key,order qty\nPLT plug,12\n", ship_to="C03").status_code == 404
    assert not BasketRow.objects.exists()


def test_another_shop_s_read_sheet_is_not_found(week, buyer, client, person):
    client.force_login(buyer)
    upload(client, b"row key,order qty\nPLT plug,12\nHRT plug,ten\n")
    read = SheetRead.objects.get()
    addresses = [reverse(name, args=[W49, read.pk]) for name in ("sheet-read", "sheet-refused")]
    assert [client.get(address).status_code for address in addresses] == [200, 200]
    client.force_login(person("B03"))
    assert [client.get(address).status_code for address in addresses] == [404, 404]
    assert client.post(addresses[0]).status_code == 404
    client.force_login(person("G1"))
    assert [client.get(address).status_code for address in addresses] == [404, 404]
    nobody = User.objects.create_user(email="x@y.example", name="X", role="buyer", code="BX")
    client.force_login(nobody)
    assert [client.get(address).status_code for address in addresses] == [404, 404]
    assert client.get(reverse("list-csv", args=[W49])).status_code == 404


def test_read_look_send_is_one_order_from_a_sheet(week, buyer, client):
    client.force_login(buyer)
    answer = upload(client, as_csv(filled(week, ShipTo.objects.get(code="C02"), A12)))
    page = answer.content.decode()
    assert "3 accepted, 9 to mend" in page
    assert "Nothing is ordered yet" in page and not Order.objects.exists()
    assert "3/4 looks like a date" in page
    listed = client.get(f"/weeks/{W49}/list/").content.decode()
    assert 'name="ask:PLT plug" value="12"' in listed
    client.post(f"/weeks/{W49}/list/", {"act": "send", "ask:PLT plug": "12", "key": "k"})
    order = Order.objects.get()
    assert (order.source, order.lines.count()) == (Order.Source.SHEET, 3)


def test_the_draft_can_be_put_back_where_nobody_typed_since(week, buyer, client):
    client.force_login(buyer)
    upload(client, b"row key,order qty\nPLT plug,12\nHRT plug,10\nSLG plug,6\n")
    upload(client, b"row key,order qty\nPLT plug,8\nHRT plug,0\nCBB plug,5\nSLG plug,7\n")
    BasketRow.objects.filter(listing__name="SLG plug").update(asked="9")
    read = SheetRead.objects.last()
    client.post(reverse("sheet-read", args=[W49, read.pk]))
    assert drafted(read.ship_to) == {"PLT plug": "12", "HRT plug": "10", "SLG plug": "9"}
    page = client.get(reverse("sheet-read", args=[W49, read.pk])).content.decode()
    assert "Put the draft back" not in page
    assert "The draft was put back as it was before this sheet." in page
    assert "<h1>1 accepted, 2 changed, 1 taken out</h1>" in page


def test_refused_rows_come_down_as_typed_and_harmless_and_go_up_again(week, buyer, client):
    client.force_login(buyer)
    upload(client, b"row key,order qty\nCTH base,=1+5\nSLG plug,-3\nHRT plug,ten\n")
    read = SheetRead.objects.get()
    content = client.get(reverse("sheet-refused", args=[W49, read.pk])).content
    rows = rows_of_csv(content)
    assert stamp_in(rows[0][0]) is not None
    typed = {row[0]: row[2] for row in rows[2:]}
    assert typed == {"CTH base": "'=1+5", "SLG plug": "'-3", "HRT plug": "ten"}
    upload(client, content.replace(b"'=1+5", b"6").replace(b"ten", b"10"))
    again = SheetRead.objects.last()
    assert drafted(again.ship_to) == {"CTH base": "6", "HRT plug": "10"}
    assert again.notes == []


def test_office_reads_a_sheet_in_for_a_shop_and_two_of_a_shop_share_it(week, person, client):
    client.force_login(person("OF"))
    assert upload(client, b"row key,order qty\nPLT plug,12\n").status_code == 200
    second = User.objects.create_user(
        email="second@gullwick.example", name="Second", role="buyer", code="B02b"
    )
    Seat.objects.create(user=second, customer=ShipTo.objects.get(code="C02").customer)
    client.force_login(second)
    page = page_words(client.get(reverse("sheet-upload", args=[W49])))
    assert "The last sheet read, list.csv" in page
    assert 'value="12"' in client.get(f"/weeks/{W49}/list/").content.decode()


def test_a_shop_of_three_chooses_whose_draft_and_never_another_shop_s(week, person, client):
    client.force_login(person("B10"))
    address = reverse("sheet-upload", args=[W49])
    page = client.get(f"{address}?ship_to=C10b").content.decode()
    assert page.count("<option") == 3 and '<option value="C10b" selected' in page
    upload(client, b"row key,order qty\nPLT plug,12\n", ship_to="C10c")
    assert drafted(ShipTo.objects.get(code="C10c")) == {"PLT plug": "12"}


def test_a_closed_list_reads_nothing_in(closed_farm, person, client):
    client.force_login(person("B02"))
    before = BasketRow.objects.count()
    answer = upload(client, b"row key,order qty\nPLT plug,12\n")
    assert answer.status_code == 409
    assert "Nothing was read" in answer.content.decode()
    assert BasketRow.objects.count() == before and farm_today()
