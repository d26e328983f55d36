"""Reading a number that a buyer typed, on the page or in a sheet: never guessed, always named."""

import re
from dataclasses import dataclass

MOST_ASKED = 100_000
# A spreadsheet runs a cell that begins with one of these; some do so for their wide twins too.
RUNS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
IN_PIECES = re.compile(r"^(\d{1,6}) ?(?:pc|pcs|piece|pieces)\.?$", re.IGNORECASE)
DATE_LIKE = re.compile(r"^\d{1,4}[/.-]\d{1,2}([/.-]\d{1,4})?$")


@dataclass(frozen=True, slots=True)
class CellRead:
    """A cell as it was read: a number, nothing, or a problem with a code and what to type."""

    value: int | None
    code: str = ""
    words: str = ""

    @property
    def is_bad(self) -> bool:
        return bool(self.code)


def read_asked(text: str) -> CellRead:
    """A count of units: a whole number of one or more; blank and 0 ask for nothing.

    Parameters
    ----------
    text : str
        As typed. Blanks around it do not matter.

    Returns
    -------
    CellRead
        With a code where the cell cannot be taken: cell_formula, cell_looks_like_a_date,
        cell_below_zero, cell_not_whole, cell_not_a_number, cell_too_large.

    Source
    ------
    None, chosen by the farm.
    """
    typed = text.strip().strip("\u00a0")
    if not typed:
        return CellRead(None)
    shown = typed if len(typed) <= 20 else typed[:20] + "..."
    if typed[0] in "=@" or (typed[0] in "+-" and not typed[1:].isdigit()):
        if _is_decimal(typed):
            return CellRead(None, "cell_below_zero", f"{shown} is below zero; type 1 or more")
        words = f"{shown} is a formula; type the number itself"
        return CellRead(None, "cell_formula", words)
    if typed[0] == "-":
        return CellRead(None, "cell_below_zero", f"{shown} is below zero; type 1 or more")
    if DATE_LIKE.match(typed) and not _is_decimal(typed):
        words = f"{shown} looks like a date; type the number and format the cell as a number"
        return CellRead(None, "cell_looks_like_a_date", words)
    if _is_decimal(typed):
        return _read_number(typed, shown)
    return CellRead(None, "cell_not_a_number", _advice(typed, shown))


def read_pieces(text: str, pack_pieces: int) -> CellRead | None:
    """A cell that says pieces where packs are sold: refused with the packs that come nearest.

    None where it says nothing of pieces. Code: asked_in_pieces.

    Source
    ------
    None, chosen by the farm.
    """
    found = IN_PIECES.match(text.strip())
    if found is None or pack_pieces < 2:
        return None
    pieces = int(found.group(1))
    packs, rest = divmod(pieces, pack_pieces)
    sold = "sold in tens" if pack_pieces == 10 else f"sold in packs of {pack_pieces}"
    near = f"{packs}" if not rest else f"{packs} or {packs + 1}" if packs else "1"
    word = "pack" if near == "1" else "packs"
    words = f"{sold}: {near} {word}, not {pieces} pieces; type {near}"
    return CellRead(None, "asked_in_pieces", words)


def still_text(text: str) -> str:
    """A text cell that no spreadsheet runs as a formula: an apostrophe before what would start one.

    Source
    ------
    OWASP, "CSV Injection": the characters and the apostrophe (from memory).
    """
    return f"'{text}" if text.lstrip(" ").startswith(RUNS) else text


def _is_decimal(typed: str) -> bool:
    return typed.isascii() and re.fullmatch(r"[+-]?\d+([.,]\d+)?", typed) is not None


def _read_number(typed: str, shown: str) -> CellRead:
    whole, _, part = typed.lstrip("+").replace(",", ".").partition(".")
    if part.strip("0"):
        return CellRead(None, "cell_not_whole", f"{shown} is not whole; type a whole number")
    # A cell may hold thousands of digits; nobody needs their value to say that it is too much.
    value = int(whole) if len(whole) <= 20 else MOST_ASKED + 1
    if value > MOST_ASKED:
        return CellRead(None, "cell_too_large", f"{shown} is more than {MOST_ASKED}; type less")
    return CellRead(value or None)


def _advice(typed: str, shown: str) -> str:
    digits = re.match(r"^\d+", typed)
    mended = typed.translate(str.maketrans("OoIl", "0011"))
    if mended != typed and mended.isascii() and mended.isdigit():
        return f"{shown} has a letter in it; type {mended} if that is meant"
    if digits:
        return f"{shown} is not a number alone; type {digits.group()} if that is meant"
    return f"{shown} is not a number; type figures"
