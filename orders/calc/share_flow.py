"""The best fill that every order of a book can have at once, by maximum flow; exact.

Pieces run from orders through their lines to listings. The fill t is what each order is promised
over what it asked; t* is the largest t for which every order can have t at the same time. It is
the least ratio of what a set of orders can have together over what it asks, and the flow finds
that set: a cut that is too tight for the present t gives the next, lower t (Newton's method on the
cuts, also called Dinkelbach's), until the flow goes through. Every number is a whole one.
"""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.int64]
# SciPy's flow counts in 32 bits; half of them leave room for its sums.
MOST_A_STAGE = 2**30
MOST_IN_64_BITS = 2**62


@dataclass(frozen=True, slots=True)
class FlowBook:
    """Lines of a book as arrays of equal length; orders and listings are numbered from zero.

    ``has`` are pieces that an order has outside these lines, ``wanted`` all pieces it asks for,
    those included. [pieces]
    """

    order: Whole
    listing: Whole
    asked: Whole
    supply: Whole
    wanted: Whole
    has: Whole

    @property
    def orders(self) -> int:
        return len(self.wanted)

    @property
    def listings(self) -> int:
        return len(self.supply)


@dataclass(frozen=True, slots=True)
class BestFill:
    """t*, and the orders and listings that keep it from being more: together they can have no
    larger share of what they ask. ``rounds`` are the fills that were tried on the way."""

    fill: Fraction
    tight_orders: tuple[int, ...]
    tight_listings: tuple[int, ...]
    rounds: tuple[Fraction, ...]


def best_fill(book: FlowBook) -> BestFill:
    """t*: the best fill that every order of a book can have at once.

    Parameters
    ----------
    book : FlowBook
        Lines, shape (n_lines,); supply, shape (n_listings,); wanted and has, shape (n_orders,).
        [pieces]

    Returns
    -------
    BestFill
        An exact fraction between 0 and 1; 1 with no tight order where there is enough.

    Raises
    ------
    ValueError
        If a number is below zero, an order asks for nothing, has more than it asks, asks twice of
        one listing, or the book is too large for 64-bit whole numbers.

    Source
    ------
    Gallo, Grigoriadis and Tarjan, A fast parametric maximum flow algorithm, SIAM J. Comput. 18
    (1989) 30-55; Dinkelbach, On nonlinear fractional programming, Management Science 13 (1967)
    492-498. Both from memory; proved against linear programmes in tests/calc/test_share_flow.py.
    """
    _check(book)
    net = _Net(book)
    fill, tight = _first_guess(book)
    rounds = [fill]
    while fill > 0 and book.orders:
        p, q = fill.numerator, fill.denominator
        need = np.maximum(p * book.wanted - q * book.has, 0)
        flow = net.push(need, q * book.asked, q * book.supply)
        if flow.total == int(need.sum()):
            break
        tight = flow.reached[1 : book.orders + 1]
        fill = _ratio(book, tight)
        if fill >= rounds[-1]:
            raise ArithmeticError(f"The cut at {rounds[-1]} does not lower the fill")
        rounds.append(fill)
    if fill == 1:
        return BestFill(fill, (), (), tuple(rounds))
    spent = _asked_by(book, tight) > book.supply
    return BestFill(
        fill,
        tuple(int(at) for at in np.flatnonzero(tight)),
        tuple(int(at) for at in np.flatnonzero(spent)),
        tuple(rounds),
    )


def first_pieces(book: FlowBook, fill: Fraction, seed: Whole) -> Whole:
    """Pieces of each line that bring every order to the fill, rounded down to a whole piece.

    Parameters
    ----------
    book : FlowBook
        As for best_fill.
    fill : Fraction
        No more than t*.
    seed : array of int, shape (n_lines,)
        What another rule gives each line. The pieces follow it as far as the fill allows, so that
        an order's lines keep their proportion. No more of a listing than there is. [pieces]

    Returns
    -------
    array of int, shape (n_lines,)
        At most the ask of each line and the supply of each listing; each order has at least
        floor(fill x wanted) with what it had. [pieces]

    Raises
    ------
    ValueError
        If not every order can have the fill.

    Source
    ------
    A network with whole capacities has a largest flow of whole numbers (Ford and Fulkerson, 1956).
    """
    if not book.orders:
        return seed
    target = np.maximum(fill.numerator * book.wanted // fill.denominator - book.has, 0)
    seeded = _sums(book.order, seed, book.orders)
    above = seeded > target
    scale = np.where(above, target, 1)[book.order], np.where(above, seeded, 1)[book.order]
    start = seed * scale[0] // scale[1]
    flow = _Net(book).push(target, book.asked, book.supply, start=start)
    if flow.total != int(target.sum()):
        raise ValueError(f"Not every order can have {fill} of what it asks")
    return flow.lines


def _check(book: FlowBook) -> None:
    if min((int(rows.min()) for rows in _all(book) if rows.size), default=0) < 0:
        raise ValueError("A book holds a number below zero")
    if (book.wanted < 1).any() or (book.has > book.wanted).any():
        raise ValueError("An order asks for nothing, or has more than it asks")
    pairs = book.order * max(1, book.listings) + book.listing
    if len(np.unique(pairs)) != len(pairs):
        raise ValueError("An order asks twice of one listing")
    if int(book.wanted.sum()) ** 2 > MOST_IN_64_BITS:
        raise ValueError("The book is too large for 64-bit whole numbers")
    # No order gets more of a listing than it asks, so more supply than that changes nothing.
    if int(book.supply.sum()) * int(book.wanted.sum()) > MOST_IN_64_BITS:
        raise ValueError("The supply is too large for 64-bit whole numbers")


def _all(book: FlowBook) -> tuple[Whole, ...]:
    return book.order, book.listing, book.asked, book.supply, book.wanted, book.has


def _sums(index: Whole, values: Whole, size: int) -> Whole:
    """Sums by index. In whole numbers: bincount's weights are binary fractions."""
    sums = np.zeros(size, dtype=np.int64)
    np.add.at(sums, index, values)
    return sums


def _asked_by(book: FlowBook, chosen: NDArray[np.bool_]) -> Whole:
    mine = chosen[book.order]
    return _sums(book.listing[mine], book.asked[mine], book.listings)


def _ratio(book: FlowBook, chosen: NDArray[np.bool_]) -> Fraction:
    """What a set of orders can have together at most, over what it asks."""
    most = int(np.minimum(_asked_by(book, chosen), book.supply).sum() + book.has[chosen].sum())
    return Fraction(most, int(book.wanted[chosen].sum()))


def _first_guess(book: FlowBook) -> tuple[Fraction, NDArray[np.bool_]]:
    """An upper bound: all orders together, or any one of them alone."""
    everyone = np.ones(book.orders, dtype=np.bool_)
    if not book.orders:
        return Fraction(1), everyone
    most = np.minimum(book.asked, book.supply[book.listing])
    alone = _sums(book.order, most, book.orders) + book.has
    poorest = int(np.argmin(alone / book.wanted))
    one = np.arange(book.orders) == poorest
    return min((_ratio(book, everyone), everyone), (_ratio(book, one), one), key=lambda row: row[0])


@dataclass(frozen=True, slots=True)
class _Flow:
    total: int
    lines: Whole
    reached: NDArray[np.bool_] = field(repr=False)


class _Net:
    """Source, orders, listings, sink; every arc with its way back, in one sparse matrix.

    Capacities of 64 bits are sent in stages: first their leading digits, then what those leave
    over. After a stage no way from source to sink has room for one unit of it, so that the next
    stage has little to send and fits SciPy's 32 bits.
    """

    def __init__(self, book: FlowBook) -> None:
        n, k = book.orders, book.listings
        self.size = n + k + 2
        self.first_line, self.first_sink = n, n + len(book.order)
        orders, listings = np.arange(n) + 1, np.arange(k) + n + 1
        tails = np.concatenate([np.zeros(n, np.int64), book.order + 1, listings])
        heads = np.concatenate(
            [orders, book.listing + n + 1, np.full(k, self.size - 1, dtype=np.int64)]
        )
        self.arcs = len(tails)
        both = np.concatenate([tails, heads]), np.concatenate([heads, tails])
        self.sequence = np.lexsort((both[1], both[0]))
        self.columns = both[1][self.sequence].astype(np.int32)
        counts = np.bincount(both[0], minlength=self.size)
        self.starts = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
        self.tails, self.heads = tails, heads
        self.order, self.listing = book.order, book.listing
        self.n, self.k = n, k

    def push(self, need: Whole, asked: Whole, supply: Whole, start: Whole | None = None) -> _Flow:
        room = np.concatenate([need, asked, supply])
        flow = np.zeros(self.arcs, dtype=np.int64)
        if start is not None:
            flow = np.concatenate(
                [
                    _sums(self.order, start, self.n),
                    start,
                    _sums(self.listing, start, self.k),
                ]
            )
        step = max(2, MOST_A_STAGE // (2 * self.arcs + 1))
        unit = 1
        while int(need.sum()) // unit > MOST_A_STAGE:
            unit *= step
        while True:
            flow = flow + unit * self._stage(room - flow, flow, unit)
            if unit == 1:
                break
            unit //= step
        lines = flow[self.first_line : self.first_sink]
        return _Flow(int(flow[: self.n].sum()), lines, self._reached(room - flow, flow))

    def _matrix(self, ahead: Whole, back: Whole) -> Any:
        from scipy.sparse import csr_array

        values = np.concatenate([ahead, back])[self.sequence].astype(np.int32)
        # Copies: taking the zeros out of one matrix must not move the arcs of the next.
        parts = values, self.columns, self.starts
        return csr_array(parts, shape=(self.size, self.size), copy=True)

    def _stage(self, ahead: Whole, back: Whole, unit: int) -> Whole:
        from scipy.sparse.csgraph import maximum_flow

        matrix = self._matrix(
            np.minimum(ahead // unit, MOST_A_STAGE), np.minimum(back // unit, MOST_A_STAGE)
        )
        sent = maximum_flow(matrix, 0, self.size - 1).flow
        return np.asarray(sent[self.tails, self.heads]).ravel().astype(np.int64)

    def _reached(self, ahead: Whole, back: Whole) -> NDArray[np.bool_]:
        """Where one piece more could still get to from the source."""
        from scipy.sparse.csgraph import breadth_first_order

        matrix = self._matrix(np.minimum(ahead, 1), np.minimum(back, 1))
        matrix.eliminate_zeros()
        reached = np.zeros(self.size, dtype=np.bool_)
        reached[breadth_first_order(matrix, 0, return_predecessors=False)] = True
        return reached
