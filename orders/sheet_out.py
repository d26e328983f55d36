"""HOP 6f sheet, on its way out: the week's list of one ship-to as CSV or XLSX, to be filled in.

Call from: orders/sheet_pages.py, orders/order_messages.py.
"""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

import xlsxwriter
from django.utils import timezone

from inventory.models import Substitute
from orders.calc.cells import still_text
from orders.list_rows import ListRow, hide_forbidden, list_groups
from orders.models import ListVersion, SheetRead, ShipTo
from orders.rules import RuleBook

CSV_KIND = "text/csv; charset=utf-8"
XLSX_KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
COLUMNS = (
    "row key", "name", "taxon", "form", "level", "price", "can promise", "status", "note",
    "unit", "order qty", "least", "substitutes",
)  # fmt: skip
WIDTHS = (16, 24, 30, 14, 6, 9, 12, 12, 44, 12, 11, 8, 24)
Cell = str | int | Decimal
FILLED_IN = ("order qty", "least")
STAMP = re.compile(
    r"list (?P<week>\d{4}-W\d{2}) version (?P<version>\d{1,5}) for (?P<ship_to>\S{1,12})"
    r" made (?P<made>\d{4}-\d{2}-\d{2} \d{2}:\d{2})"
)


@dataclass(frozen=True, slots=True)
class Stamp:
    """Which list a sheet was made from, for whom, and when (farm time)."""

    week: str
    version: int
    ship_to: str
    made: str

    @property
    def words(self) -> str:
        return f"list {self.week} version {self.version} for {self.ship_to} made {self.made}"


def stamp_in(text: str) -> Stamp | None:
    """The stamp that stands in a cell, wherever sorting has carried it."""
    found = STAMP.search(text)
    if found is None:
        return None
    return Stamp(found["week"], int(found["version"]), found["ship_to"], found["made"])


def make_stamp(*, version: ListVersion, ship_to: ShipTo, now: datetime) -> Stamp:
    made = f"{timezone.localtime(now):%Y-%m-%d %H:%M}"
    return Stamp(version.week.name, version.number, ship_to.code, made)


def list_csv(*, version: ListVersion, ship_to: ShipTo, now: datetime) -> bytes:
    """The list as CSV: UTF-8 with its byte mark, RFC 4180, the stamp on the first line."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([make_stamp(version=version, ship_to=ship_to, now=now).words])
    writer.writerow(COLUMNS)
    for row in sheet_rows(version=version, ship_to=ship_to, on=timezone.localdate(now)):
        writer.writerow(still_text(str(cell)) for cell in row)
    return text.getvalue().encode("utf-8-sig")


def list_xlsx(*, version: ListVersion, ship_to: ShipTo, now: datetime) -> bytes:
    """The list as a spreadsheet: text stays text, numbers are numbers, two columns to fill in."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    book.set_properties({"created": timezone.localtime(now).replace(tzinfo=None)})
    sheet = book.add_worksheet(f"list {version.week.name}")
    bold = book.add_format({"bold": True, "bottom": 1})
    number = book.add_format({"valign": "top"})
    money = book.add_format({"num_format": "0.00", "valign": "top"})
    to_fill = book.add_format({"border": 1})
    text = book.add_format({"text_wrap": True, "valign": "top"})
    # Shown without its apostrophe, and never run even when it is typed over or saved as CSV.
    quoted = book.add_format({"text_wrap": True, "valign": "top", "quote_prefix": True})
    stamp = make_stamp(version=version, ship_to=ship_to, now=now)
    sheet.write_string(0, 0, stamp.words, book.add_format({"italic": True}))
    for at, (name, width) in enumerate(zip(COLUMNS, WIDTHS, strict=True)):
        sheet.set_column(at, at, width)
        sheet.write_string(1, at, name, bold)
    rows = list(sheet_rows(version=version, ship_to=ship_to, on=timezone.localdate(now)))
    for down, row in enumerate(rows, 2):
        for at, cell in enumerate(row):
            if COLUMNS[at] in FILLED_IN:
                sheet.write_blank(down, at, None, to_fill)
            elif cell == "":
                # Nothing, and not a text of no letters: a spreadsheet counts those.
                continue
            elif isinstance(cell, str):
                sheet.write_string(down, at, cell, text if cell == still_text(cell) else quoted)
            else:
                sheet.write_number(down, at, cell, money if COLUMNS[at] == "price" else number)
    _finish(sheet, len(rows))
    book.close()
    return out.getvalue()


def _finish(sheet: xlsxwriter.worksheet.Worksheet, count: int) -> None:
    """What helps whoever fills it in: the head stays in sight, prints, and words that say how."""
    last = max(2, count + 1)
    sheet.freeze_panes(2, 1)
    sheet.autofilter(1, 0, last, len(COLUMNS) - 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0, 1)
    for name in FILLED_IN:
        at = COLUMNS.index(name)
        sheet.data_validation(
            2, at, last, at,
            {
                "validate": "integer", "criteria": ">=", "value": 0, "error_type": "warning",
                "error_title": "A whole number", "error_message": "Type a whole number of units.",
            },
        )  # fmt: skip


def sheet_rows(*, version: ListVersion, ship_to: ShipTo, on: date) -> Iterator[tuple[Cell, ...]]:
    """The rows that this ship-to may receive, at its prices, in the order of the list."""
    tier = ship_to.customer.tier_on(on)
    groups = list_groups(version=version, tier=tier)
    book = RuleBook.read(ship_to=ship_to)
    hide_forbidden(groups=groups, book=book, on=version.week.first_ship_on)
    stand_ins: dict[int, list[str]] = {}
    for pair in Substitute.objects.select_related("substitute").order_by("substitute__name"):
        stand_ins.setdefault(pair.listing_id, []).append(pair.substitute.name)
    for group in groups:
        for row in group.rows:
            yield _cells_of(row, ", ".join(stand_ins.get(row.listing_id, [])))


def _cells_of(row: ListRow, substitutes: str) -> tuple[Cell, ...]:
    note = "; ".join(words for words in (row.words, row.law) if words)
    unit = f"packs of {row.unit_pieces}" if row.unit_pieces > 1 else "pieces"
    # 25+ stays text; a bare number is one, so that a shop can sort and add by it.
    shown: Cell = int(row.shown) if row.shown.isdecimal() else row.shown
    return (
        row.name, row.title, row.taxon, row.form, row.level, row.price, shown,
        row.status, note, unit, "", "", substitutes,
    )  # fmt: skip


def refused_csv(*, read: SheetRead) -> bytes:
    """The refused rows of a sheet, as typed, each with what to do. Mended, it can be read in."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    made = f"{timezone.localtime(read.at):%Y-%m-%d %H:%M}"
    stamp = Stamp(read.week.name, read.version, read.ship_to.code, made)
    writer.writerow([stamp.words])
    writer.writerow(["row key", "name", "order qty", "least", "row", "what to do"])
    for row in read.refused:
        numbers = " and ".join(str(number) for number in row["rows"])
        cells = [row["listing"], row["title"], row["typed"], row["least"], numbers, row["words"]]
        writer.writerow(still_text(cell) for cell in cells)
    return text.getvalue().encode("utf-8-sig")
