"""Sharing a book out by whole orders: every order first reaches t*, the rest goes by item.

The fill of an order is the pieces it is promised over the pieces it asks for. t* is the best fill
that every order can have at once (orders/calc/share_flow.py). Pieces that bring each order there
are given first; what is left of a listing is shared by the listing's own rule among what its lines
still lack.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np

from orders.calc.share_flow import FlowBook, Whole, best_fill, first_pieces
from orders.calc.share_rules import Ask, RuleSettings, age
from orders.calc.sharing import Share, check_asks, share, trace_of

WAYS = ("by item", "by order")


@dataclass(frozen=True, slots=True)
class ShortBook:
    """One listing of a book. ``hand`` fixes lines by hand, in sale units. What is asked of one that
    a stop keeps back does not count in an order's fill. One that is served first come was promised
    as the orders came, so that no other way of sharing moves it."""

    name: str
    rule: str
    available: int
    unit_pieces: int
    asks: tuple[Ask, ...]
    hand: Mapping[str, int] = field(default_factory=dict)
    is_stopped: bool = False


@dataclass(frozen=True, slots=True)
class BookShares:
    """What a way of sharing gives every listing, and t* of the whole book."""

    way: str
    shares: Mapping[str, Share]
    fill: Fraction
    tight_orders: tuple[str, ...]
    tight_listings: tuple[str, ...]
    rounds: tuple[Fraction, ...]


def share_book(
    *, way: str, listings: Sequence[ShortBook], settings: RuleSettings | None = None
) -> BookShares:
    """Share every listing of a book, by item or by whole orders.

    Parameters
    ----------
    way : str
        "by item": each listing by its own rule. "by order": every order first reaches t*.
    listings : sequence of ShortBook
        In any sequence; available in sale units, refs that stand once in the whole book.
    settings : RuleSettings, optional
        As for share.

    Returns
    -------
    BookShares
        By order, no order ends below t* x asked by more than a piece and a unit for each of its
        lines whose unit is more than a piece, but for lines that fell below the least they accept
        and lines fixed by hand.

    Raises
    ------
    ValueError
        As share does, and if a name or a ref stands twice or a line is fixed above what it asks.

    Source
    ------
    The farm's own rule over a known flow: see share_flow.
    """
    if way not in WAYS:
        raise ValueError(f"There is no way {way!r}; there are {', '.join(WAYS)}")
    return _share_ways((way,), listings, settings or RuleSettings())[way]


def share_both_ways(
    *, listings: Sequence[ShortBook], settings: RuleSettings | None = None
) -> dict[str, BookShares]:
    """What share_book gives by item and by order; each listing's own rule runs once for both."""
    return _share_ways(WAYS, listings, settings or RuleSettings())


def _share_ways(
    ways: Sequence[str], listings: Sequence[ShortBook], settings: RuleSettings
) -> dict[str, BookShares]:
    rows = sorted(listings, key=lambda row: row.name)
    _check(rows)
    by_item = {row.name: share_listing(row, settings) for row in rows}
    book = _Book(rows, by_item)
    best = best_fill(book.flow)
    found = {}
    for way in ways:
        shares = by_item if way == "by item" else book.by_order(best.fill, settings)
        orders = tuple(book.orders[at] for at in best.tight_orders)
        tight = tuple(book.short[at].name for at in best.tight_listings)
        found[way] = BookShares(way, shares, best.fill, orders, tight, best.rounds)
    return found


def _check(rows: Sequence[ShortBook]) -> None:
    if len({row.name for row in rows}) != len(rows):
        raise ValueError("Two listings share a name")
    refs = [ask.ref for row in rows for ask in row.asks]
    if len(set(refs)) != len(refs):
        raise ValueError("Two asks share a reference")
    for row in rows:
        check_asks(row.rule, row.available, row.asks)
        for ask in row.asks:
            if not 0 <= row.hand.get(ask.ref, 0) <= ask.asked:
                raise ValueError(f"{ask.ref} asks {ask.asked} and is fixed at {row.hand[ask.ref]}")
        if sum(row.hand.values()) > row.available:
            raise ValueError(f"More of {row.name} is fixed by hand than there is")


def share_listing(row: ShortBook, settings: RuleSettings) -> Share:
    """The listing's rule; lines fixed by hand come first and the others share what they leave."""
    if not row.hand:
        return share(rule=row.rule, available=row.available, asks=row.asks, settings=settings)
    return _with_first(row, dict(row.hand), settings, {})


def _with_first(
    row: ShortBook, first: dict[str, int], settings: RuleSettings, extra: Mapping[str, Any]
) -> Share:
    """Some units first, then the listing's rule for what its free lines still lack.

    A line that ends below the least it accepts gets nothing; the rest is then shared once more.
    """
    free = [ask for ask in row.asks if ask.ref not in row.hand]
    dropped: list[dict[str, Any]] = []
    while True:
        left = row.available - sum(first.values())
        rest = share(rule=row.rule, available=left, asks=_lacks(free, first), settings=settings)
        got = {ask.ref: first.get(ask.ref, 0) + rest.promised.get(ask.ref, 0) for ask in row.asks}
        below = [ask for ask in free if 0 < got[ask.ref] < ask.least]
        if not below:
            break
        last = max(below, key=lambda ask: (-Fraction(got[ask.ref], ask.asked), age(ask)))
        dropped.append({"ref": last.ref, "had": got[last.ref]})
        free.remove(last)
        first.pop(last.ref, None)
    lines = sorted(row.asks, key=age)
    trace = {
        **trace_of(row.rule, row.available, lines, got),
        "first": {ref: units for ref, units in first.items() if ref not in row.hand},
        "rest": rest.trace,
        "dropped": dropped,
        "settings": settings.as_plain(),
        **({"hand": dict(sorted(row.hand.items()))} if row.hand else {}),
        **extra,
    }
    return Share(row.rule, row.available, got, trace["left_over"], trace)


def _lacks(free: Sequence[Ask], first: Mapping[str, int]) -> list[Ask]:
    """What lines ask beyond their first units. The least is what is missing to it."""
    return [
        replace(
            ask,
            asked=ask.asked - first.get(ask.ref, 0),
            least=max(1, ask.least - first.get(ask.ref, 0)),
        )
        for ask in free
        if ask.asked > first.get(ask.ref, 0)
    ]


class _Book:
    """A book as arrays: lines of short listings that are free to move, and what else orders have.

    Listings with enough for all are given in full, lines fixed by hand and listings served first
    come have what they have: all of that counts in an order's fill before anything moves.
    """

    def __init__(self, rows: Sequence[ShortBook], by_item: Mapping[str, Share]) -> None:
        self.by_item = by_item
        rows = [row for row in rows if not row.is_stopped]
        self.short = [row for row in rows if _may_move(row, by_item[row.name])]
        names = {row.name for row in self.short}
        self.orders = sorted({ask.order_number for row in rows for ask in row.asks})
        place = {number: at for at, number in enumerate(self.orders)}
        wanted, has = [0] * len(self.orders), [0] * len(self.orders)
        self.lines: list[tuple[int, Ask]] = []
        for row in rows:
            for ask in row.asks:
                order = place[ask.order_number]
                wanted[order] += ask.asked * row.unit_pieces
                if row.name not in names or ask.ref in row.hand:
                    has[order] += by_item[row.name].promised[ask.ref] * row.unit_pieces
        for at, row in enumerate(self.short):
            free = [ask for ask in row.asks if ask.ref not in row.hand]
            self.lines += [(at, ask) for ask in sorted(free, key=age)]
        self.flow = FlowBook(
            order=_whole([place[ask.order_number] for _, ask in self.lines]),
            listing=_whole([at for at, _ in self.lines]),
            asked=_whole([ask.asked * self.short[at].unit_pieces for at, ask in self.lines]),
            supply=_whole([self._supply(at, row) for at, row in enumerate(self.short)]),
            wanted=_whole(wanted),
            has=_whole(has),
        )

    def _supply(self, at: int, row: ShortBook) -> int:
        """Pieces free to move, and no more than the free lines ask."""
        asked = sum(ask.asked for ask in row.asks if ask.ref not in row.hand)
        return min(asked, row.available - sum(row.hand.values())) * row.unit_pieces

    def by_order(self, fill: Fraction, settings: RuleSettings) -> dict[str, Share]:
        seed = _whole(
            [
                self.by_item[self.short[at].name].promised[ask.ref] * self.short[at].unit_pieces
                for at, ask in self.lines
            ]
        )
        pieces = first_pieces(self.flow, fill, seed)
        first: list[dict[str, int]] = [dict(row.hand) for row in self.short]
        for (at, ask), given in zip(self.lines, pieces.tolist(), strict=True):
            units = given // self.short[at].unit_pieces // ask.unit * ask.unit
            if units:
                first[at][ask.ref] = units
        shares = dict(self.by_item)
        for at, row in enumerate(self.short):
            extra = {"by_order": {"fill": str(fill)}}
            shares[row.name] = _with_first(row, first[at], settings, extra)
        return shares


def _may_move(row: ShortBook, shared: Share) -> bool:
    return row.rule != "first_come" and not shared.trace["is_enough"]


def _whole(values: Sequence[int]) -> Whole:
    return np.array(values, dtype=np.int64)


def fills(listings: Sequence[ShortBook], shares: Mapping[str, Share]) -> dict[str, tuple[int, int]]:
    """Pieces promised and asked of each order, of listings that no stop keeps back."""
    found: dict[str, tuple[int, int]] = {}
    for row in listings:
        if row.is_stopped:
            continue
        for ask in row.asks:
            promised, asked = found.get(ask.order_number, (0, 0))
            units = shares[row.name].promised[ask.ref]
            found[ask.order_number] = (
                promised + units * row.unit_pieces,
                asked + ask.asked * row.unit_pieces,
            )
    return found
