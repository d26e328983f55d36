"""A file that somebody sent -> tables of text, within limits that are kept while it is read.

Call from: orders/sheets.py.
Nothing in a file is run: a formula stays the text it is, a picture or a macro is never looked at.
Sizes are judged before anything is unpacked, and again while it is (a directory may lie).
"""

import csv
import io
import re
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from openpyxl import load_workbook
from openpyxl.cell.read_only import EMPTY_CELL
from openpyxl.utils.cell import range_boundaries

from inventory.errors import FarmError
from inventory.setting_book import SettingBook

MB = 1024 * 1024
MOST_PARTS = 1000
# Rows of a spreadsheet end here whatever a file says of itself (ECMA-376 leaves it open; this is
# what spreadsheet programs agree on, from memory).
LAST_ROW = 1_048_576
DELIMITERS = (",", ";", "\t")
SIGNATURES = (
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"RIFF", "a picture or a sound"),
    (b"BM", "a picture"),
    (b"%PDF", "a PDF"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet of the old kind, or one with a password"),
)
CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1f]")
CELLS = re.compile(rb"<(?:\w+:)?c[\s/>]")
MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=[\"']([A-Z]{1,3}\d{1,7}:[A-Z]{1,3}\d{1,7})")


class SheetTooLarge(FarmError):
    code = "sheet_too_large"
    status = 413
    title = "The file is too large"
    message = (
        "{name} is larger than {most} MB{how}, so it was not opened. Nothing was read and your "
        "draft is as it was. Send the list alone, without pictures or other sheets."
    )


class SheetTooLong(FarmError):
    code = "sheet_too_long"
    status = 413
    title = "The sheet has too many rows"
    message = (
        "{name} has more than {most} {what}. Nothing was read and your draft is as it was. "
        "Send the list alone: one row for each listing."
    )


class SheetNotATable(FarmError):
    code = "sheet_not_a_table"
    status = 422
    title = "That file is no sheet"
    message = (
        "{name} is {what}. Nothing was read and your draft is as it was. Save the list as .xlsx "
        "or CSV and send that."
    )


class SheetUnreadable(FarmError):
    code = "sheet_unreadable"
    status = 422
    title = "The sheet cannot be read"
    message = (
        "{name} is damaged: {what}. Nothing was read and your draft is as it was. Open it, save "
        "it anew as .xlsx or CSV, and send that."
    )


@dataclass(frozen=True, slots=True)
class Limits:
    """How much of a file is read. Sizes in bytes; a table has at most so many rows and columns."""

    file_bytes: int
    unpacked_bytes: int
    rows: int
    columns: int

    @classmethod
    def of(cls, book: SettingBook) -> "Limits":
        return cls(
            file_bytes=book.whole("sheet_most_mb") * MB,
            unpacked_bytes=book.whole("sheet_unpacked_most_mb") * MB,
            rows=book.whole("sheet_most_rows"),
            columns=book.whole("sheet_most_columns"),
        )


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row as text, under the number a spreadsheet shows for it.

    ``marks`` say how a number was formatted, by column: a currency or a percent sign. ``merged``
    names the range that a cell is merged into, where it spans rows.
    """

    number: int
    cells: tuple[str, ...]
    marks: Mapping[int, str] = field(default_factory=dict)
    merged: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SheetTable:
    """One table of a file: its sheet's name (empty for CSV) and its rows that are not blank."""

    name: str
    rows: tuple[SheetRow, ...]


def read_tables(*, content: bytes, name: str, limits: Limits) -> list[SheetTable]:
    """Every way in which a file can be read as a table, the likeliest first.

    A spreadsheet has one for each visible sheet; a CSV one for each delimiter under which it is
    well-formed (RFC 4180, and semicolons or tabs for commas).

    Raises SheetTooLarge, SheetTooLong, SheetNotATable, SheetUnreadable.
    """
    if len(content) > limits.file_bytes:
        raise SheetTooLarge(name=name, most=limits.file_bytes // MB, how="")
    if not content.strip():
        raise SheetNotATable(name=name, what="empty")
    if content.startswith(b"PK"):
        return _read_workbook(_unpack(content, name, limits), name, limits)
    kind = next((words for start, words in SIGNATURES if content.startswith(start)), "")
    if kind:
        raise SheetNotATable(name=name, what=kind)
    return _read_text(_text_of(content, name), name, limits)


# ---- CSV


def _text_of(content: bytes, name: str) -> str:
    """The text of a CSV: UTF-8, UTF-16 with its mark, or what a Windows spreadsheet saves."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return content.decode("utf-16")
        except UnicodeDecodeError as failure:
            raise SheetUnreadable(name=name, what="its letters end half-way") from failure
    if CONTROL.search(content):
        raise SheetNotATable(name=name, what="no text that could be read as a table")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _read_text(text: str, name: str, limits: Limits) -> list[SheetTable]:
    tables, first = [], None
    for delimiter in DELIMITERS:
        try:
            rows = tuple(_csv_rows(text, delimiter, name, limits))
        except csv.Error as failure:
            first = first or failure
            continue
        tables.append(SheetTable("", rows))
    if not tables:
        raise SheetUnreadable(name=name, what=f"a quoted cell is not closed ({first})")
    return tables


def _csv_rows(text: str, delimiter: str, name: str, limits: Limits) -> Iterator[SheetRow]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    for number, cells in enumerate(reader, 1):
        if not any(cell.strip() for cell in cells):
            continue
        if number > limits.rows:
            raise SheetTooLong(name=name, most=limits.rows, what="rows")
        if len(cells) > limits.columns:
            raise SheetTooLong(name=name, most=limits.columns, what="columns")
        yield SheetRow(number, tuple(cells))


# ---- spreadsheets


def _unpack(content: bytes, name: str, limits: Limits) -> dict[str, bytes]:
    """The XML parts of a spreadsheet, never more than the limit, whatever its directory says."""
    try:
        with ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            _refuse_directory(parts, name, limits)
            return _parts_of(archive, parts, name, limits)
    except (
        BadZipFile,
        EOFError,
        OSError,
        ValueError,
        NotImplementedError,
        RuntimeError,
    ) as failure:
        raise SheetUnreadable(name=name, what="it cannot be unpacked") from failure
    except Exception as failure:
        # zlib names its own error, and a directory can be wrong in ways nobody lists.
        if isinstance(failure, FarmError):
            raise
        raise SheetUnreadable(name=name, what="it cannot be unpacked") from failure


def _refuse_directory(parts: list[ZipInfo], name: str, limits: Limits) -> None:
    """Judge a zip by its directory, before a byte of it is unpacked."""
    most = limits.unpacked_bytes
    if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > most:
        raise SheetTooLarge(name=name, most=most // MB, how=" unpacked")
    names = {part.filename for part in parts}
    if "xl/workbook.xml" not in names:
        is_open = "mimetype" in names and "content.xml" in names
        what = "an open-document spreadsheet" if is_open else "a packed file, not a spreadsheet"
        raise SheetNotATable(name=name, what=what)
    if any(part.flag_bits & 1 for part in parts):
        raise SheetNotATable(name=name, what="locked with a password")
    # Other ways of packing are unpacked in one go, which no limit could stop half-way.
    if any(part.compress_type not in (ZIP_STORED, ZIP_DEFLATED) for part in parts):
        raise SheetNotATable(name=name, what="packed in a way that spreadsheets are not")


def _parts_of(
    archive: ZipFile, parts: list[ZipInfo], name: str, limits: Limits
) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    left = limits.unpacked_bytes
    for part in parts:
        if not part.filename.endswith((".xml", ".rels")):
            continue
        chunks = []
        with archive.open(part) as stream:
            while chunk := stream.read(65536):
                left -= len(chunk)
                if left < 0:
                    most = limits.unpacked_bytes // MB
                    raise SheetTooLarge(name=name, most=most, how=" unpacked")
                chunks.append(chunk)
        found[part.filename] = _harmless(b"".join(chunks), name)
    return found


def _harmless(part: bytes, name: str) -> bytes:
    """No spreadsheet declares its own entities: they can swell or fetch."""
    plain = part.replace(b"\0", b"")
    if b"<!DOCTYPE" in plain or b"<!ENTITY" in plain:
        raise SheetUnreadable(name=name, what="it declares entities, which no list does")
    return part


def _read_workbook(parts: Mapping[str, bytes], name: str, limits: Limits) -> list[SheetTable]:
    for path, part in parts.items():
        if "/worksheets/" not in path:
            continue
        if sum(1 for _ in CELLS.finditer(part)) > limits.rows * limits.columns:
            raise SheetTooLong(name=name, most=limits.rows, what="rows")
    packed = io.BytesIO()
    with ZipFile(packed, "w", ZIP_STORED) as archive:
        for path, part in parts.items():
            archive.writestr(path, part)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _tables_of(packed, parts, name, limits)
    except FarmError:
        raise
    except Exception as failure:
        # A file by an unknown hand can fail in any way its reader never thought of.
        raise SheetUnreadable(name=name, what="its sheets do not hold together") from failure


def _tables_of(
    packed: io.BytesIO, parts: Mapping[str, bytes], name: str, limits: Limits
) -> list[SheetTable]:
    # Formulas are read as their text: the value a file keeps beside one is somebody's claim.
    book = load_workbook(packed, read_only=True, data_only=False, keep_links=False)
    tables = []
    for sheet in book.worksheets:
        if sheet.sheet_state != "visible":
            continue
        merged = _merged(parts.get(sheet._worksheet_path.lstrip("/"), b""))
        tables.append(SheetTable(sheet.title, tuple(_rows_of(sheet, merged, name, limits))))
    book.close()
    if not tables:
        raise SheetNotATable(name=name, what="a spreadsheet without a visible sheet")
    return tables


def _rows_of(
    sheet: Any, merged: list[tuple[int, int, int, int, str]], name: str, limits: Limits
) -> Iterator[SheetRow]:
    # What a sheet says of its own size may be wrong in either direction.
    sheet.reset_dimensions()
    width, blank = limits.columns + 1, None
    for number, cells in enumerate(sheet.iter_rows(max_col=width, max_row=LAST_ROW), 1):
        # Rows that a sheet leaves out, which may be a million, are one and the same blank row.
        if cells is blank:
            continue
        if all(cell is EMPTY_CELL for cell in cells):
            blank = cells
            continue
        texts = tuple(_text_in(cell) for cell in cells)
        if not any(texts):
            continue
        if number > limits.rows:
            raise SheetTooLong(name=name, most=limits.rows, what="rows")
        if texts[-1]:
            raise SheetTooLong(name=name, most=limits.columns, what="columns")
        marks = {at: mark for at, cell in enumerate(cells) if (mark := _mark_of(cell))}
        yield SheetRow(number, texts, marks, _merged_in(merged, number))


def _text_in(cell: Any) -> str:
    """A cell as a person would have typed it."""
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "f":
        # Array formulas and data tables are objects of their own.
        return value if isinstance(value, str) else f"={getattr(value, 'text', None) or ''}"
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime | date):
        return f"{value:%Y-%m-%d}"
    return str(value).strip()


CURRENCY_IN_FORMAT = re.compile(r"\[\$([^\]-]+)|\"([^\"]*[€£¥₹$][^\"]*)\"|([€£¥₹$])")


def _mark_of(cell: Any) -> str:
    """The currency or percent sign under which a number is shown; empty for any other cell."""
    if cell.value is None or cell.data_type != "n":
        return ""
    shown = str(cell.number_format)
    found = CURRENCY_IN_FORMAT.search(shown)
    if found:
        return next(group for group in found.groups() if group).strip()
    return "%" if "%" in shown else ""


def _merged(part: bytes) -> list[tuple[int, int, int, int, str]]:
    """Ranges of merged cells that span rows: first and last row, first and last column, name."""
    found = []
    for match in MERGED.findall(part)[:MOST_PARTS]:
        words = match.decode()
        left, top, right, bottom = range_boundaries(words)
        if bottom > top:
            found.append((top, bottom, left, right, words))
    return found


def _merged_in(merged: list[tuple[int, int, int, int, str]], number: int) -> dict[int, str]:
    return {
        column - 1: words
        for top, bottom, left, right, words in merged
        if top <= number <= bottom
        for column in range(left, min(right, 200) + 1)
    }
