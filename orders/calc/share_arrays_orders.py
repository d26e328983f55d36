"""Sharing a whole book by whole orders at once: the numbers of `share_book`, over arrays."""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from orders.calc.share_arrays import FIRST_COME, share_arrays
from orders.calc.share_flow import FlowBook, best_fill, first_pieces
from orders.calc.share_parts import ArrayBook, Sorts, Whole
from orders.calc.share_rules import RuleSettings


@dataclass(frozen=True, slots=True)
class OrderBook:
    """A book whose lines belong to orders, numbered from zero, each with one line a listing.

    Listings stand in the sequence of their names, so that a book gives the same numbers whoever
    numbered it. ``unit_pieces`` are the pieces of a sale unit, shape (n_listings,).
    """

    lines: ArrayBook
    order: Whole
    orders: int
    unit_pieces: Whole


def share_arrays_by_order(
    book: OrderBook, settings: RuleSettings | None = None, sorts: Sorts | None = None
) -> tuple[Whole, Fraction]:
    """What share_book promises every line by order, and t*.

    Parameters
    ----------
    book : OrderBook
        Lines in any sequence; every order has a line. [sale unit]
    settings, sorts : optional
        As for share_arrays.

    Returns
    -------
    tuple of array of int, shape (n_lines,), and Fraction
        Units promised, in the sequence of the lines given; t*.

    Raises
    ------
    ValueError
        As share_arrays and best_fill do.

    Source
    ------
    orders/calc/share_orders.py; equal for any book in tests/calc/test_share_arrays.py.
    """
    sorts, lines = sorts or Sorts(), book.lines
    by_item = share_arrays(lines, settings, sorts)
    is_short = np.bincount(lines.listing, lines.asked, len(lines.available)) > lines.available
    may_move = is_short & (lines.rule != FIRST_COME)
    moving = np.flatnonzero(may_move[lines.listing])
    moving = moving[sorts.by(lines.age[moving], lines.listing[moving])]
    flow = _flow_book(book, by_item, may_move, moving)
    fill = best_fill(flow).fill
    if not len(moving):
        return by_item, fill
    pieces = book.unit_pieces[lines.listing[moving]]
    given = first_pieces(flow, fill, by_item[moving] * pieces)
    first = np.zeros_like(by_item)
    first[moving] = given // pieces // lines.unit[moving] * lines.unit[moving]
    promised = by_item.copy()
    _share_rest(lines, moving, first, promised, settings, sorts)
    return promised, fill


def _flow_book(book: OrderBook, by_item: Whole, may_move: Whole, moving: Whole) -> FlowBook:
    lines = book.lines
    pieces = book.unit_pieces[lines.listing]
    stays = ~may_move[lines.listing]
    number = np.cumsum(may_move) - 1
    return FlowBook(
        order=book.order[moving],
        listing=number[lines.listing[moving]],
        asked=lines.asked[moving] * pieces[moving],
        supply=lines.available[may_move] * book.unit_pieces[may_move],
        wanted=_sums(book.order, lines.asked * pieces, book.orders),
        has=_sums(book.order[stays], (by_item * pieces)[stays], book.orders),
    )


def _sums(index: Whole, values: Whole, size: int) -> Whole:
    return np.bincount(index, values, size).astype(np.int64)


def _share_rest(
    lines: ArrayBook,
    moving: Whole,
    first: Whole,
    promised: Whole,
    settings: RuleSettings | None,
    sorts: Sorts,
) -> None:
    """The listings' own rules for what lines still lack; a line that ends below its least gets
    nothing, one a listing, and the rest of that listing is shared once more."""
    is_out = np.zeros(len(first), dtype=np.bool_)
    while len(moving):
        spent = _sums(lines.listing[moving], first[moving], len(lines.available))
        lacking = moving[(lines.asked[moving] > first[moving]) & ~is_out[moving]]
        rest = ArrayBook(
            listing=lines.listing[lacking],
            asked=lines.asked[lacking] - first[lacking],
            unit=lines.unit[lacking],
            least=np.maximum(lines.least[lacking] - first[lacking], 1),
            tier=lines.tier[lacking],
            age=lines.age[lacking],
            available=lines.available - spent,
            rule=lines.rule,
        )
        promised[moving] = first[moving]
        promised[lacking] += share_arrays(rest, settings, sorts)
        below = moving[(promised[moving] > 0) & (promised[moving] < lines.least[moving])]
        gone = _lowest(lines, below, promised)
        first[gone], promised[gone], is_out[gone] = 0, 0, True
        again = np.zeros(len(lines.available), dtype=np.bool_)
        again[lines.listing[gone]] = True
        moving = moving[again[lines.listing[moving]]]


def _lowest(lines: ArrayBook, below: Whole, promised: Whole) -> list[int]:
    """In each listing the line below its least with the lowest fill, the youngest of equal ones."""
    found: dict[int, tuple[Fraction, int, int]] = {}
    for row in below.tolist():
        listing = int(lines.listing[row])
        fill = Fraction(int(promised[row]), int(lines.asked[row]))
        rank = (fill, -int(lines.age[row]), row)
        found[listing] = min(found.get(listing, rank), rank)
    return [row for _, _, row in found.values()]
