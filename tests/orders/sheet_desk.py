"""What the tests of the sheet share: sheets as a shop fills them in, and what became of them."""

import csv
import io

import openpyxl

from inventory.clock import farm_now
from orders.listing import newest_version
from orders.models import BasketRow
from orders.sheet_out import COLUMNS, list_csv
from orders.sheets import take_sheet

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
