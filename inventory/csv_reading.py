"""Reading the farm's own CSV: every cell checked, every problem named by file, row and column.

A file is UTF-8 with a header row, as RFC 4180 describes; a byte-order mark is stripped. A cell that
cannot be read becomes a problem and the rest of the file is read on.
"""

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal, InvalidOperation
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from inventory.errors import FarmError

T = TypeVar("T")

# What a column of whole numbers holds on either database.
MOST_WHOLE = 2**31 - 1
# What the longest column of money holds.
MOST_DECIMAL = 999_999


class FilesRefused(FarmError):
    code = "files_refused"
    status = 422
    title = "The files were not loaded"
    message = "{count} rows need mending, nothing was written. First: {first}"


@dataclass(frozen=True, slots=True)
class RowProblem:
    """One thing to mend. Row 1 is the header; row 0 the file itself."""

    file: str
    row: int
    column: str
    code: str
    reason: str

    def __str__(self) -> str:
        where = f"{self.file}, row {self.row}" if self.row else self.file
        return (
            f"{where}, {self.column}: {self.reason}" if self.column else f"{where}: {self.reason}"
        )


@dataclass
class Reading:
    """One reading of a folder: its zone, its day, and the problems met so far."""

    folder: Path
    zone: ZoneInfo
    now: datetime
    problems: list[RowProblem] = field(default_factory=list)
    # Rows that this file names, read once a file: the files before it are complete.
    known_rows: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def today(self) -> date:
        return self.now.astimezone(self.zone).date()

    def rows(self, file: str, columns: Sequence[str], is_required: bool = True) -> Iterator["Row"]:
        """The rows of a file that has at least these columns, in any order."""
        self.known_rows.clear()
        text = self._text(file, is_required)
        if text is None:
            return
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        try:
            header = [name.strip() for name in next(reader, [])]
        except csv.Error as error:
            self._refuse(file, 1, "", "file_unreadable", f"the header cannot be read: {error}")
            return
        if not self._has_header(file, header, columns):
            return
        yield from self._read_rows(file, header, reader)

    def _text(self, file: str, is_required: bool) -> str | None:
        path = self.folder / file
        if not path.is_file():
            if is_required:
                self._refuse(file, 0, "", "file_missing", "the file is not there; add it")
            return None
        try:
            # As bytes: reading as text would change the line breaks inside quoted fields.
            return path.read_bytes().decode("utf-8-sig")
        except UnicodeDecodeError as error:
            reason = f"byte {error.start} is not UTF-8; save the file as UTF-8 and load it again"
            self._refuse(file, 0, "", "file_encoding", reason)
            return None

    def _has_header(self, file: str, header: list[str], columns: Sequence[str]) -> bool:
        missing = [name for name in columns if name not in header]
        for name in missing:
            reason = f"the header has no column {name}; it has {', '.join(header) or 'nothing'}"
            self._refuse(file, 1, name, "column_missing", reason)
        repeated = {name for name in header if header.count(name) > 1}
        for name in sorted(repeated):
            self._refuse(file, 1, name, "column_twice", "the column stands twice; delete one")
        return not missing and not repeated

    def _read_rows(
        self, file: str, header: list[str], reader: Iterable[list[str]]
    ) -> Iterator["Row"]:
        number = 1
        try:
            for number, cells in enumerate(reader, 2):
                if not any(cell.strip() for cell in cells):
                    continue
                if len(cells) != len(header):
                    reason = f"has {len(cells)} cells, the header has {len(header)}"
                    self._refuse(file, number, "", "row_length", reason)
                    continue
                cells_by_name = dict(zip(header, (cell.strip() for cell in cells), strict=True))
                yield Row(self, file, number, cells_by_name)
        except csv.Error as error:
            self._refuse(file, number + 1, "", "file_unreadable", f"cannot be read: {error}")

    def _refuse(self, file: str, row: int, column: str, code: str, reason: str) -> None:
        self.problems.append(RowProblem(file, row, column, code, reason))

    def raise_problems(self) -> None:
        """Raise FilesRefused with every problem, if there is one."""
        if self.problems:
            raise FilesRefused(
                count=len({(row.file, row.row) for row in self.problems}),
                first=str(self.problems[0]),
                problems=[str(row) for row in self.problems],
            )


class CellRefused(Exception):
    """A cell could not be read; the problem is already noted and the row is left out."""


def _finite_decimal(cell: str) -> Decimal:
    number = Decimal(cell)
    if not number.is_finite():
        raise ValueError(cell)
    return number


def _finite_real(cell: str) -> float:
    number = float(cell)
    if not isfinite(number):
        raise ValueError(cell)
    return number


@dataclass(slots=True)
class Row:
    """One row. Reading a bad cell notes a problem and leaves the row (CellRefused)."""

    reading: Reading
    file: str
    number: int
    cells: dict[str, str]

    def refuse(self, column: str, code: str, reason: str) -> CellRefused:
        """Note a problem of this row; the caller raises what comes back."""
        self.reading._refuse(self.file, self.number, column, code, reason)
        return CellRefused(reason)

    def text(self, column: str, *, is_required: bool = False, longest: int = 300) -> str:
        cell = self.cells.get(column, "")
        if is_required and not cell:
            raise self.refuse(column, "cell_empty", "is empty; fill it in")
        if len(cell) > longest:
            raise self.refuse(column, "cell_too_long", f"is longer than {longest} characters")
        if "\x00" in cell:
            raise self.refuse(
                column, "cell_unreadable", "holds a sign that cannot be kept; type it"
            )
        return cell

    def _read(self, column: str, read: Callable[[str], T], wants: str) -> T | None:
        cell = self.cells.get(column, "")
        if not cell:
            return None
        try:
            return read(cell)
        except (ValueError, InvalidOperation):
            reason = f"{cell!r} is not {wants}"
            raise self.refuse(column, "cell_unreadable", reason) from None

    def whole(self, column: str, *, least: int = 0, most: int | None = None) -> int | None:
        value = self._read(column, int, "a whole number")
        if value is not None and value < least:
            raise self.refuse(column, "below_least", f"{value} is below {least}; type it again")
        top = MOST_WHOLE if most is None else most
        if value is not None and value > top:
            raise self.refuse(column, "above_most", f"{value} is above {top}; type it again")
        return value

    def need_whole(self, column: str, *, least: int = 0, most: int | None = None) -> int:
        self.text(column, is_required=True)
        value = self.whole(column, least=least, most=most)
        assert value is not None  # the cell is not empty
        return value

    def decimal(self, column: str, *, most: int = MOST_DECIMAL) -> Decimal | None:
        """A number from zero to ``most``: SQLite stores one that is too long and cannot read it."""
        value = self._read(column, _finite_decimal, "a number")
        if value is not None and value < 0:
            raise self.refuse(column, "below_least", f"{value} is below 0; type it again")
        if value is not None and value > most:
            raise self.refuse(column, "above_most", f"{value} is above {most}; type it again")
        return value

    def need_decimal(self, column: str, *, most: int = MOST_DECIMAL) -> Decimal:
        self.text(column, is_required=True)
        return self.decimal(column, most=most) or Decimal(0)

    def real(self, column: str) -> float | None:
        return self._read(column, _finite_real, "a number")

    def day(self, column: str, *, may_lie_ahead: bool = True) -> date | None:
        on = self._read(column, date.fromisoformat, "a day such as 2026-11-25")
        if on is not None and not may_lie_ahead and on > self.reading.today:
            reason = f"{on} lies ahead of the farm's day {self.reading.today}; type it again"
            raise self.refuse(column, "day_ahead", reason)
        return on

    def need_day(self, column: str, *, may_lie_ahead: bool = True) -> date:
        self.text(column, is_required=True)
        on = self.day(column, may_lie_ahead=may_lie_ahead)
        assert on is not None  # the cell is not empty
        return on

    def moment(self, column: str) -> datetime | None:
        at = self._read(column, datetime.fromisoformat, "a time such as 2026-11-25 14:22")
        return at.replace(tzinfo=self.reading.zone) if at and at.tzinfo is None else at

    def need_moment(self, column: str) -> datetime:
        self.text(column, is_required=True)
        at = self.moment(column)
        assert at is not None  # the cell is not empty
        return at

    def clock(self, column: str) -> time | None:
        return self._read(column, time.fromisoformat, "an hour such as 09:30")

    def yes(self, column: str) -> bool:
        return self.choice(column, {"yes": True, "no": False, "y": True, "-": False, "": False})

    def choice(self, column: str, choices: dict[str, T]) -> T:
        cell = self.cells.get(column, "")
        if cell not in choices:
            known = ", ".join(key for key in choices if key)
            raise self.refuse(column, "cell_unknown", f"{cell!r} is not one of {known}")
        return choices[cell]

    def known(self, column: str, rows: dict[str, T], what: str) -> T:
        """The row of another file that this cell names."""
        cell = self.text(column, is_required=True)
        if cell not in rows:
            raise self.refuse(column, "name_unknown", f"there is no {what} {cell!r}")
        return rows[cell]
