"""Sharing a whole book by item at once: the same numbers as `share`, over arrays, no sentences.

Lines of all listings stand in one array and go through the rule together; what one listing does
next depends on its own numbers only. Fractions are never formed: shares are compared as whole
numbers over the common denominator of their listing. A listing that is not done when the lines
have been sorted MOST_SORTS times over, whose rule is `equal`, or whose numbers outgrow 64 bits, is
shared by `share` itself.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from math import lcm

import numpy as np
from numpy.typing import NDArray

from orders.calc.share_rules import Ask, RuleSettings, read_exactly
from orders.calc.sharing import RULES, share

Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
RULE_NAMES = tuple(RULES)
MIXED, FIRST_COME, EQUAL, PROPORTIONAL = (
    RULE_NAMES.index(name) for name in ("mixed", "first_come", "equal", "proportional")
)
MOST_SORTS = 8
# Sums are taken in binary fractions of 53 bits, products in 63.
MOST_SUM, MOST_PRODUCT = 2**53, 2**62
FIRST = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class ArrayBook:
    """Lines, shape (n_lines,), and listings, shape (n_listings,); numbers in sale units.

    ``age`` orders the lines of a listing, the older the lower; no two are equal in one listing.
    ``rule`` is the place of a listing's rule in RULE_NAMES.
    """

    listing: Whole
    asked: Whole
    unit: Whole
    least: Whole
    tier: Whole
    age: Whole
    available: Whole
    rule: Whole


class Sorts:
    """Sorts that were made, and lines sorted by them: they are what sharing a book costs."""

    def __init__(self) -> None:
        self.made = self.lines = 0

    def are_left(self, lines: int) -> bool:
        """Whether less was sorted than all lines MOST_SORTS times. Late rounds sort few lines."""
        return self.lines < MOST_SORTS * lines

    def by(self, *keys: Whole) -> Whole:
        """The sequence of the lines by the last key, equal ones by the one before it."""
        self.made += 1
        self.lines += len(keys[0])
        return np.lexsort(keys)


def share_arrays(
    book: ArrayBook, settings: RuleSettings | None = None, sorts: Sorts | None = None
) -> Whole:
    """What `share` promises every line of a book, listing by listing.

    Parameters
    ----------
    book : ArrayBook
        Lines in any sequence. [sale unit]
    settings : RuleSettings, optional
        As for share.
    sorts : Sorts, optional
        Counts what was sorted.

    Returns
    -------
    array of int, shape (n_lines,)
        Units promised, in the sequence of the lines given.

    Raises
    ------
    ValueError
        As share does, for a tier without a weight or an ask that is not whole units.

    Source
    ------
    The rules of orders/calc/sharing.py; equal for any book in tests/calc/test_share_arrays.py.
    """
    settings, sorts = settings or RuleSettings(), sorts or Sorts()
    if (book.asked % book.unit).any() or (book.least > book.asked).any():
        raise ValueError("A line asks for no whole units, or less than the least it accepts")
    k = len(book.available)
    is_short = np.bincount(book.listing, book.asked, k) > book.available
    promised, lines = book.asked.copy(), np.flatnonzero(is_short[book.listing])
    if len(lines):
        turn = lines[sorts.by(book.age[lines], book.listing[lines])]
        table = _Table(book, turn, settings, sorts)
        table.share(is_short)
        promised[turn] = table.got
    return promised


@dataclass(slots=True)
class _Scale:
    """Weights as whole numbers, and the common multiple of the units."""

    weights: Whole
    multiple: int
    stretch: Fraction

    @classmethod
    def of(cls, book: ArrayBook, settings: RuleSettings) -> "_Scale":
        tiers = np.flatnonzero(np.bincount(book.tier)).tolist()
        weights = [settings.weight(tier) for tier in tiers]
        common = lcm(*(weight.denominator for weight in weights))
        by_tier = np.zeros(max(tiers, default=0) + 1, dtype=np.int64)
        by_tier[tiers] = [int(weight * common) for weight in weights]
        multiple = lcm(*np.unique(book.unit[book.unit > 1]).tolist())
        return cls(by_tier, multiple, read_exactly(settings.unit_stretch))


class _Table:
    """All lines by listing and age; what each has got, and what is left of each listing."""

    def __init__(self, book: ArrayBook, turn: Whole, settings: RuleSettings, sorts: Sorts) -> None:
        self.settings, self.sorts = settings, sorts
        self.at, self.asked = book.listing[turn], book.asked[turn]
        self.unit, self.least, self.tier = book.unit[turn], book.least[turn], book.tier[turn]
        self.available, self.rule = book.available, book.rule
        self.k = len(book.available)
        self.scale = _Scale.of(book, settings)
        self.weight = self.scale.weights[self.tier]
        if (self.rule == PROPORTIONAL).any():
            self.weight[(self.rule == PROPORTIONAL)[self.at]] = 1
        self.weighted = self.weight * self.asked
        self.got = np.zeros_like(self.asked)
        # Only these can end above nothing and below their least.
        self.picky = np.flatnonzero(self.least > self.unit)
        self.is_gone = np.zeros(len(self.asked), dtype=np.bool_)
        self.every = np.arange(len(self.asked))
        self.gone = 0
        self.lines_of = np.bincount(self.at, minlength=self.k)
        self.ends = np.cumsum(self.lines_of)
        self.left = self.available.copy()

    def sums(self, at: Whole, values: Whole) -> Whole:
        return np.bincount(at, values, self.k).astype(np.int64)

    def share(self, is_short: Flags) -> None:
        plainly = is_short & (self._outgrown() | (self.rule == EQUAL))
        sharing = is_short & ~plainly
        self._first_come(sharing & (self.rule == FIRST_COME))
        sharing &= self.rule != FIRST_COME
        lines = self._lines_of(sharing)
        self._floors(self._lines_of(sharing & (self.rule == MIXED)))
        unfinished = self._rounds(sharing, lines)
        for listing in np.flatnonzero(plainly | unfinished):
            self._by_itself(int(listing))

    def _lines_of(self, chosen: Flags) -> Whole:
        mine = chosen[self.at]
        return self.every if mine.all() else np.flatnonzero(mine)

    def _of(self, values: Whole, lines: Whole) -> Whole:
        """Values of some lines; where that is every line, as they stand."""
        return values if lines is self.every else values[lines]

    def _outgrown(self) -> Flags:
        """Listings whose products would not fit: compared in binary fractions, with room."""
        weighted = np.bincount(self.at, self.weighted, self.k)
        p, q = self.scale.stretch.numerator, self.scale.stretch.denominator
        most = np.maximum(self.available.astype(float), 1) * weighted * max(p, 1)
        units = weighted * float(self.scale.multiple) ** 2 * q
        return (np.maximum(most, units) > MOST_PRODUCT) | (weighted > MOST_SUM)

    def _by_itself(self, listing: int) -> None:
        """One listing by `share`; lines already stand by age."""
        end = int(self.ends[listing])
        place = range(end - int(self.lines_of[listing]), end)
        asks = [
            Ask(
                ref=str(row),
                order_number="",
                asked=int(self.asked[row]),
                unit=int(self.unit[row]),
                tier=int(self.tier[row]),
                sent_at=FIRST + timedelta(seconds=row),
                least=int(self.least[row]),
            )
            for row in place
        ]
        shared = share(
            rule=RULE_NAMES[int(self.rule[listing])],
            available=int(self.available[listing]),
            asks=asks,
            settings=self.settings,
        )
        for row in place:
            self.got[row] = shared.promised[str(row)]

    def _first_come(self, chosen: Flags) -> None:
        lines = self._lines_of(chosen)
        self._in_turn(lines, self.asked[lines], self.unit[lines], self.least[lines])

    def _in_turn(self, lines: Whole, want: Whole, step: Whole, least: Whole | None = None) -> None:
        """Each line in turn gets what it wants, or the whole steps of it that fit what is left.

        Lines stand by listing. A pass serves every listing up to the first line that does not fit;
        what is left only shrinks, so that a step that does not fit now never will.
        """
        at = self.at[lines]
        while len(lines):
            fits = (step <= self.left[at]) & (want > 0)
            if not fits.all():
                lines, want, step, at = lines[fits], want[fits], step[fits], at[fits]
                least = None if least is None else least[fits]
            if not len(lines):
                return
            total = np.cumsum(want)
            first = np.concatenate([[True], at[1:] != at[:-1]])
            limit, starts = self.left.copy(), np.flatnonzero(first)
            limit[at[starts]] += total[starts] - want[starts]
            served = total <= limit[at]
            self._give(lines, want * served, at)
            if served.all():
                return
            next_up = ~served
            next_up[1:] &= served[:-1] | first[1:]
            rows = np.flatnonzero(next_up)
            part = self.left[at[rows]] // step[rows] * step[rows]
            if least is not None:
                part[part < least[rows]] = 0
            self.got[lines[rows]] += part
            self.left[at[rows]] -= part
            later = ~served & ~next_up
            lines, want, step, at = lines[later], want[later], step[later], at[later]
            least = None if least is None else least[later]

    def _floors(self, lines: Whole) -> None:
        """Floors and caps of the mixed rule. Only where floors do not all fit does tier decide."""
        per_line = self.available // np.maximum(self.lines_of, 1)
        least, most = self.settings.least_floor, self.settings.most_floor
        at, asked, units = (self._of(values, lines) for values in (self.at, self.asked, self.unit))
        floor = np.minimum(most, np.maximum(least, per_line))[at]
        half = (self.available // self.settings.cap_divisor)[at]
        whole = np.flatnonzero(units > 1)
        unit = units[whole]
        half[whole] = half[whole] // unit * unit
        cap = np.minimum(asked, np.maximum(floor, half))
        # In whole units: a line's room below its cap is never a part of one.
        cap[whole] = np.minimum(asked[whole], np.maximum(cap[whole], unit) // unit * unit)
        if lines is self.every:
            self.cap = cap
        else:
            self.cap = self.asked.copy()
            self.cap[lines] = cap
        want = np.minimum(asked, floor)
        want[whole] = np.where(self._is_too_large(lines[whole]), 0, unit)
        fits = (self.sums(at, want) <= self.left)[at]
        tight, tight_want = lines[~fits], want[~fits]
        want[~fits] = 0
        self._give(lines, want, at)
        if len(tight):
            want = tight_want
            turn = self.sorts.by(-self.tier[tight], self.at[tight])
            self._in_turn(tight[turn], want[turn], self.unit[tight][turn])

    def _give(self, lines: Whole, units: Whole, at: Whole) -> None:
        if lines is self.every:
            self.got += units
        else:
            self.got[lines] += units
        self.left -= self.sums(at, units)

    def _is_too_large(self, rows: Whole) -> Flags:
        """Whether a whole unit is above the stretched fair share of its line."""
        weighted = self.sums(self.at, self.weighted)[self.at[rows]]
        p, q = self.scale.stretch.numerator, self.scale.stretch.denominator
        fair = p * self.available[self.at[rows]] * self.weighted[rows]
        return self.unit[rows] * q * weighted > fair

    def _rounds(self, sharing: Flags, lines: Whole) -> Flags:
        """Rounds below the cap, then without it, then lines below their least given up, one a
        listing at a time. Returns the listings that the sorts did not reach."""
        capped, active = np.ones(self.k, dtype=np.bool_), sharing & (self.left > 0)
        mixed = sharing & (self.rule == MIXED)
        while True:
            if not active.any():
                active = self._drop_lowest(mixed)
                capped[active] = True
                if not active.any():
                    return active
                lines = self._lines_of(active)
            if not self.sorts.are_left(len(self.every)):
                return active | self._has_below(mixed)
            active = self._step(lines, active, capped)
            lines = self._lines_of(active)

    def _step(self, lines: Whole, active: Flags, capped: Flags) -> Flags:
        """A round, and which listings go on. Where nothing moves, first the cap is lifted."""
        moved = self._round(lines, active, capped)
        once = active & (self.rule == PROPORTIONAL)
        self._drop_once(once)
        is_over = once | (active & ~moved & ~capped)
        capped[active & ~moved] = False
        return active & ~is_over & (self.left > 0)

    def _round(self, lines: Whole, active: Flags, capped: Flags) -> Flags:
        """One round of all active listings. Returns those in which anything was given."""
        columns = self.at, self.got, self.unit, self.asked
        at, got, unit, asked = (self._of(values, lines) for values in columns)
        is_capped = (capped & (self.rule == MIXED))[at]
        top = np.where(is_capped, self._of(self.cap, lines), asked)
        may = (unit <= self.left[at]) & (got + unit <= top) & ((got > 0) | ~is_capped)
        if self.gone:
            may &= ~self.is_gone[lines]
        # A quota counts every line, be its unit as large as it may.
        if (self.rule == PROPORTIONAL).any():
            may |= (self.rule == PROPORTIONAL)[at]
        before = self.left.copy()
        # A line that does not share wants nothing: cheaper than to take it out of every array.
        want = self._of(self.weight, lines) * (asked - got)
        want *= may
        shares = self.left[at] * want
        bottom = np.maximum(self.sums(at, want), 1)[at] * unit
        # In place from here: fresh memory costs more than the arithmetic.
        given = shares // bottom
        bottom *= given
        rest = np.subtract(shares, bottom, out=shares)
        # Once the cap was lifted a line may stand above it: it keeps what it has.
        room = np.maximum(np.subtract(top, got, out=top), 0, out=top)
        given *= unit
        np.minimum(given, room, out=given)
        self._give(lines, given, at)
        if self.scale.multiple > 1:
            rest *= self.scale.multiple // unit
        room -= given
        room *= may
        self._hand_out(lines, at, unit, rest, room)
        return self.left < before

    def _hand_out(self, lines: Whole, at: Whole, unit: Whole, rest: Whole, room: Whole) -> None:
        """One unit a line at most by largest remainder, the older first among equal ones."""
        may = np.flatnonzero((unit <= self.left[at]) & (unit <= room))
        if len(may):
            turn = may[self.sorts.by(-rest[may], at[may])]
            step = unit[turn]
            self._in_turn(lines[turn], step, step)

    def _below(self, chosen: Flags) -> Whole:
        rows = self.picky
        got = self.got[rows]
        return rows[(got > 0) & (got < self.least[rows]) & chosen[self.at[rows]]]

    def _has_below(self, chosen: Flags) -> Flags:
        return np.bincount(self.at[self._below(chosen)], minlength=self.k) > 0

    def _drop_once(self, chosen: Flags) -> None:
        below = self._below(chosen)
        self.left += self.sums(self.at[below], self.got[below])
        self.got[below] = 0

    def _drop_lowest(self, chosen: Flags) -> Flags:
        """In each listing the line below its least with the lowest fair share gets nothing, the
        youngest of equal ones. Returns the listings in which one was dropped."""
        dropped = np.zeros(self.k, dtype=np.bool_)
        rows = self._below(chosen)
        if not len(rows):
            return dropped
        at, fair = self.at[rows], self.weighted[rows]
        lowest = np.full(self.k, np.iinfo(np.int64).max)
        np.minimum.at(lowest, at, fair)
        youngest = np.full(self.k, -1)
        is_lowest = fair == lowest[at]
        np.maximum.at(youngest, at[is_lowest], rows[is_lowest])
        gone = youngest[youngest >= 0]
        self.left[self.at[gone]] += self.got[gone]
        self.got[gone] = 0
        self.is_gone[gone] = True
        self.gone += len(gone)
        dropped[self.at[gone]] = True
        return dropped
