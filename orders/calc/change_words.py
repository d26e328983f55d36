"""A change of an order in words: what each line was and is. Numbers and words only."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class RowChange:
    """One line before and after, in sale units. Asked 0: the line did not stand."""

    name: str
    asked: tuple[int, int]
    least: tuple[int, int]
    promised: tuple[int, int]
    price: tuple[Decimal | None, Decimal]


def change_sentence(rows: Sequence[RowChange]) -> str:
    """What changed, line after line, as one sentence.

    Parameters
    ----------
    rows : sequence of RowChange
        The lines that changed, in the order's own sequence. [sale units, $ a unit]

    Returns
    -------
    str
        Such as "PLT plug 12 instead of 8; BKP plug added, 4; GLB plug taken off (it was 4)".

    Source
    ------
    None, the farm's own wording.
    """
    return "; ".join(_row_words(row) for row in rows)


def _row_words(row: RowChange) -> str:
    was, now = row.asked
    if not now:
        return f"{row.name} taken off (it was {was})"
    if not was:
        return f"{row.name} added, {now}{_promise_words(row)}"
    words = [f"{row.name} {now} instead of {was}" if now != was else f"{row.name} stays {now}"]
    if row.least[0] != row.least[1]:
        words.append(f"least {row.least[1]} instead of {row.least[0]}")
    if row.price[0] is not None and row.price[0] != row.price[1]:
        words.append(f"${row.price[1]} each instead of ${row.price[0]}")
    return ", ".join(words) + _promise_words(row)


def _promise_words(row: RowChange) -> str:
    """What is promised of it, said only where that changed."""
    held, holds = row.promised
    if held == holds:
        return ""
    if holds > held:
        return f" ({holds} are promised of it)"
    return f" ({held - holds} of {held} went back to the list)"
