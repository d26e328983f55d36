"""HOP 6f sheet, row by row: where the list stands in a file, and what becomes of each filled row.

Call from: orders/sheets.py. Reads the list, the draft and the region rules; writes nothing.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from inventory.errors import FarmError
from inventory.models import Listing
from orders.basket import row_problem
from orders.calc.cells import CellRead, read_asked, read_pieces
from orders.listing import shown_words
from orders.models import Basket, BasketRow, ListLine, ListVersion, ShipTo, ShipWeek
from orders.rules import RuleBook
from orders.sheet_files import SheetNotATable, SheetRow, SheetTable

KEY = ("row key", "key", "listing")
ASKED = ("order qty", "order quantity", "order", "qty", "quantity", "packs", "pieces")
LEAST = ("least",)
CURRENCIES = {
    "$": "USD", "US$": "USD", "C$": "CAD", "CA$": "CAD", "A$": "AUD", "€": "EUR", "£": "GBP",
    "¥": "JPY", "₹": "INR",
}  # fmt: skip
IN_TEXT = re.compile(
    r"(?:US|CA|C|A)?\$|[€£¥₹]"
    r"|\b(?:USD|EUR|GBP|JPY|CAD|AUD|NZD|CHF|CNY|INR|MXN|SEK|NOK|DKK|PLN|BRL)\b"
)


class SheetColumnMissing(FarmError):
    code = "sheet_column_missing"
    status = 422
    title = "A column is missing"
    message = (
        "{name} has no column {column}. Nothing was read and your draft is as it was. Put the "
        "column's name back above it, or fill in a sheet that is downloaded anew."
    )


class SheetTwice(FarmError):
    code = "sheet_twice"
    status = 422
    title = "The list is there twice"
    message = (
        "{name} holds {what}, and nobody can tell which is meant. Nothing was read and your "
        "draft is as it was. Keep one of them."
    )


class SheetCurrency(FarmError):
    code = "sheet_currency"
    status = 422
    title = "The prices are in another currency"
    message = (
        "{name} has prices in {found} (row {row}), and the list is in US dollars (USD). Nothing "
        "was read and your draft is as it was. Fill in a sheet that is downloaded anew."
    )


@dataclass(frozen=True, slots=True)
class SheetLine:
    """What became of one listing of a sheet. ``rows`` are the numbers a spreadsheet shows."""

    rows: tuple[int, ...]
    listing: str
    title: str
    outcome: str  # accepted, changed, same, taken out, refused
    field: str
    typed: str
    least: str = ""
    was: str = ""
    was_least: str = ""
    code: str = ""
    words: str = ""

    @property
    def is_kept(self) -> bool:
        return self.outcome != "refused"


@dataclass(frozen=True, slots=True)
class Columns:
    """Where in a row the list's columns stand, counted from 0."""

    key: int
    asked: int
    asked_name: str
    least: int | None
    prices: tuple[int, ...]


@dataclass(slots=True)
class _Asked:
    """One filled row on its way to a line."""

    row: SheetRow
    key: str
    typed: str
    least: str
    listing: Listing | None = None
    code: str = ""
    words: str = ""
    field: str = "order qty"


@dataclass(slots=True)
class _Ground:
    """What the rows are judged by, read once."""

    lines: Mapping[int, ListLine]
    by_name: Mapping[str, Listing]
    by_key: Mapping[str, list[Listing]]
    book: RuleBook
    week: ShipWeek
    draft: Mapping[int, BasketRow] = field(default_factory=dict)


# ---- where the list stands in the file


def list_in(*, tables: Sequence[SheetTable], name: str) -> tuple[SheetTable, Columns, SheetRow]:
    """The table that has our columns, with its head, which sorting may have carried anywhere.

    Raises SheetNotATable, SheetColumnMissing, SheetTwice.
    """
    found = []
    for table in tables:
        head = next((row for row in table.rows if _at(row, KEY) and _at(row, ASKED)), None)
        if head is not None:
            found.append((table, _columns_of(head, name), head))
    # A CSV is one table, read under several delimiters: the first that has the columns is it.
    sheets = [table.name for table, _, _ in found if table.name]
    if len(sheets) > 1:
        raise SheetTwice(name=name, what=f"the list on the sheets {' and '.join(sheets)}")
    if found:
        return found[0]
    rows = [row for table in tables for row in table.rows]
    if any(_at(row, KEY) for row in rows):
        raise SheetColumnMissing(name=name, column='"order qty"')
    if any(_at(row, ASKED[:1]) for row in rows):
        raise SheetColumnMissing(name=name, column='"row key"')
    raise SheetNotATable(name=name, what="a table without the columns of the list")


def _plain(text: str) -> str:
    """A column's name as it is compared: case, blanks and underscores do not matter."""
    return " ".join(text.replace("_", " ").strip(" \u00a0\ufeff'\":").lower().split())


def _at(row: SheetRow, names: Sequence[str]) -> list[int]:
    """The columns that carry the first of these names that occurs at all."""
    plain = [_plain(cell) for cell in row.cells]
    for name in names:
        if name in plain:
            return [at for at, cell in enumerate(plain) if cell == name]
    return []


def _columns_of(head: SheetRow, name: str) -> Columns:
    at = {names[0]: _at(head, names) for names in (KEY, ASKED, LEAST)}
    for words, found in at.items():
        if len(found) > 1:
            raise SheetTwice(name=name, what=f'two columns "{words}"')
    asked = at[ASKED[0]][0]
    return Columns(
        key=at[KEY[0]][0],
        asked=asked,
        asked_name=_plain(head.cells[asked]),
        least=at[LEAST[0]][0] if at[LEAST[0]] else None,
        prices=tuple(n for n, cell in enumerate(head.cells) if _plain(cell).startswith("price")),
    )


def refuse_currencies(*, rows: Sequence[SheetRow], columns: Columns, name: str) -> None:
    """A list that came back in other money is not ours: no quantity of it can be relied on.

    Raises SheetCurrency.
    """
    seen: dict[str, int] = {}
    for row in rows:
        for at in columns.prices:
            words = row.marks.get(at, "") or _cell(row, at)
            for sign in IN_TEXT.findall(words):
                seen.setdefault(CURRENCIES.get(sign, sign), row.number)
    other = [code for code in seen if code != "USD"]
    if other:
        raise SheetCurrency(name=name, found=", ".join(seen), row=seen[other[0]])


def _cell(row: SheetRow, at: int | None) -> str:
    return row.cells[at].strip(" \u00a0\t\r\n") if at is not None and at < len(row.cells) else ""


# ---- rows


def judge_rows(
    *, rows: Sequence[SheetRow], columns: Columns, version: ListVersion, ship_to: ShipTo
) -> tuple[SheetLine, ...]:
    """One line for each listing that was asked for, in the order of the sheet. Writes nothing."""
    ground = _ground(version, ship_to)
    asked = [found for row in rows if (found := _asked_in(row, columns, ground))]
    together: dict[Any, list[_Asked]] = {}
    for found in asked:
        key = found.listing.pk if found.listing else (found.row.number,)
        together.setdefault(key, []).append(found)
    return tuple(_line_of(some, ground) for some in together.values())


def _ground(version: ListVersion, ship_to: ShipTo) -> _Ground:
    lines = {row.listing_id: row for row in version.lines.all()}
    listings = list(
        Listing.objects.select_related("strain_form__strain__strain_class", "strain_form__form")
    )
    by_key: dict[str, list[Listing]] = {}
    for row in listings:
        if row.pk in lines:
            by_key.setdefault(row.strain_form.strain.key.lower(), []).append(row)
    basket = Basket.objects.filter(ship_to=ship_to, week=version.week).first()
    return _Ground(
        lines=lines,
        by_name={row.name.lower(): row for row in listings},
        by_key=by_key,
        book=RuleBook.read(ship_to=ship_to),
        week=version.week,
        draft={row.listing_id: row for row in basket.rows.all()} if basket else {},
    )


def _asked_in(row: SheetRow, columns: Columns, ground: _Ground) -> _Asked | None:
    """A row somebody filled in, with its listing or why it has none; None for any other row."""
    typed, least = _cell(row, columns.asked), _cell(row, columns.least)
    if not typed:
        return None
    asked = _Asked(row, _cell(row, columns.key).lstrip("'"), typed, least)
    _find_listing(asked, ground)
    if asked.listing is None:
        return asked
    if _is_zero(asked) and asked.listing.pk not in ground.draft:
        return None
    _judge_cell(asked, columns, asked.listing.strain_form.form.unit_pieces)
    return asked


def _is_zero(asked: _Asked) -> bool:
    return read_asked(asked.typed) == CellRead(None)


def _find_listing(asked: _Asked, ground: _Ground) -> None:
    key = " ".join(asked.key.lower().split())
    asked.listing = ground.by_name.get(key)
    if asked.listing is not None:
        return
    # The strain's key alone is enough where it leaves no doubt; a winter look has its own name.
    near = [row for row in ground.by_key.get(key, []) if not row.is_winter]
    if len(near) == 1:
        asked.listing = near[0]
        return
    asked.field = "row key"
    shown = asked.key[:24]
    if near:
        names = " or ".join(row.name for row in near)
        asked.code, asked.words = "row_key_unclear", f"{shown} can be {names}; type which"
    elif key:
        asked.code = "listing_unknown"
        asked.words = f"there is no {shown}; copy its row key from the list"
    else:
        asked.code, asked.words = "row_key_missing", "it has a number and no row key; type the key"


def _judge_cell(asked: _Asked, columns: Columns, pack: int) -> None:
    """What speaks against the cell itself, before its number is weighed."""
    merged, mark = asked.row.merged.get(columns.asked), asked.row.marks.get(columns.asked)
    if merged:
        asked.code = "cell_merged"
        asked.words = f"the cell is merged over {merged}; part it and type one number a row"
    elif mark:
        asked.code = "cell_other_format"
        asked.words = f"{asked.typed} is formatted with {mark}; format the cell as a number"
    elif columns.asked_name == "pieces" and pack > 1:
        asked.code = "cell_unit_unclear"
        asked.words = f'it is sold in packs of {pack}; type packs in a column "order qty"'
    elif (said := read_pieces(asked.typed, pack)) is not None:
        asked.code, asked.words = said.code, said.words
    elif asked.typed[0] == "'" and read_asked(asked.typed.lstrip("'")).value is not None:
        asked.typed = asked.typed.lstrip("'")


def _line_of(rows: Sequence[_Asked], ground: _Ground) -> SheetLine:
    first, numbers = rows[0], tuple(row.row.number for row in rows)
    listing = first.listing
    if listing is None:
        return SheetLine(
            numbers, first.key[:24], "", "refused", first.field, first.typed[:40],
            code=first.code, words=first.words,
        )  # fmt: skip
    typed = "; ".join(row.typed for row in rows)[:40]
    code, words, where = _fault_of(rows, listing, ground)
    if code:
        return SheetLine(
            numbers, listing.name, listing.title, "refused", where, typed,
            least=first.least[:40], code=code, words=words,
        )  # fmt: skip
    return _kept_line(first, numbers, listing, ground)


def _fault_of(rows: Sequence[_Asked], listing: Listing, ground: _Ground) -> tuple[str, str, str]:
    """Code, words and field of what speaks against a listing's rows; empty where nothing does."""
    if len(rows) > 1:
        where = " and ".join(str(row.row.number) for row in rows)
        words = f"it stands on rows {where}; put the sum on one row"
        return "listing_twice", words, "row key"
    first = rows[0]
    if first.code:
        return first.code, first.words, first.field
    stop = None if _is_zero(first) else _stop_of(listing, ground)
    if stop:
        return (*stop, "status")
    least = first.least or _least_before(listing, ground)
    read = row_problem(BasketRow(listing=listing, asked=first.typed, least=least))
    if read.is_bad:
        is_least = read.code == "least_above_asked" or read.words.startswith("least: ")
        return read.code, read.words, "least" if is_least else "order qty"
    return "", "", ""


def _least_before(listing: Listing, ground: _Ground) -> str:
    """What the draft says of the least; a sheet without the column leaves it."""
    before = ground.draft.get(listing.pk)
    return before.least if before else ""


def _stop_of(listing: Listing, ground: _Ground) -> tuple[str, str] | None:
    """Why the list offers none of it to this ship-to; None where it does."""
    strain, on = listing.strain_form.strain, ground.week.first_ship_on
    judgement = ground.book.judge(strain=strain, on=on)
    if judgement.verdict == "forbid":
        return judgement.code, f"{judgement.reason}; leave it out"
    line = ground.lines.get(listing.pk)
    if line is None:
        return "not_on_list", "it is not on this week's list; leave it out"
    if line.status != ListLine.Status.OFFERED:
        words = f"{line.status}: {line.reason}" if line.reason else line.status
        code = f"line_{line.status.replace(' ', '_')}"
        return code, f"{words}; leave it out, or ask on the list to be told when it is back"
    return None


def _kept_line(
    first: _Asked, numbers: tuple[int, ...], listing: Listing, ground: _Ground
) -> SheetLine:
    value, least = read_asked(first.typed).value, read_asked(first.least).value
    before = ground.draft.get(listing.pk)
    was, was_least = (before.asked, before.least) if before else ("", "")
    typed, least_text = str(value or 0), str(least) if least else was_least
    return SheetLine(
        numbers, listing.name, listing.title, _outcome(typed, least_text, was, was_least),
        "order qty", typed, least=least_text if value else "", was=was, was_least=was_least,
        words=_words_on(value, listing, ground),
    )  # fmt: skip


def _outcome(typed: str, least: str, was: str, was_least: str) -> str:
    if typed == "0":
        return "taken out" if was else "same"
    if (typed, least) == (was, was_least):
        return "same"
    return "changed" if was else "accepted"


def _words_on(value: int | None, listing: Listing, ground: _Ground) -> str:
    """What a buyer should know of a row that is kept: its total in pieces, scarcity, papers."""
    if not value:
        return ""
    line, pack = ground.lines[listing.pk], listing.strain_form.form.unit_pieces
    words = [f"{value * pack} pieces in {value} packs"] if pack > 1 else []
    if value > line.can_promise:
        shown = shown_words(line.shown, line.can_promise)
        words.append(f"the list shows {shown}; what is short is shared out")
    judgement = ground.book.judge(strain=listing.strain_form.strain, on=ground.week.first_ship_on)
    if judgement.verdict == "paper":
        words.append(f"needs a paper: {judgement.reason}")
    elif judgement.verdict == "ask":
        words.append("a person of the farm confirms it")
    return "; ".join(words)
