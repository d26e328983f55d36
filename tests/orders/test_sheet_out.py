"""The list goes out as a sheet: the same in both files, to each shop its own, and harmless."""

import io

import openpyxl
import pytest

from inventory.clock import farm_now
from inventory.models import Listing
from orders.calc.cells import RUNS, still_text
from orders.listing import newest_version
from orders.models import ShipTo
from orders.sheet_out import COLUMNS, list_csv, list_xlsx
from tests.orders.sheet_desk import rows_of_csv, rows_of_xlsx


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
