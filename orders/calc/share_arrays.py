"""Sharing a whole book by item at once: the same numbers as `share`, over arrays, no sentences.

Lines of all listings stand in one array and go through the rule together; what one listing does
next depends on its own numbers only. Fractions are never formed: shares are compared as whole
numbers over the common denominator of their listing. A listing that is not done when the lines
have been sorted MOST_SORTS times over, or whose numbers outgrow 64 bits, is shared by `share`
itself.
"""

from datetime import UTC, datetime, timedelta

import numpy as np

from orders.calc.share_parts import (
    MOST_PRODUCT,
    MOST_SUM,
    ArrayBook,
    Flags,
    Part,
    Scale,
    Sorts,
    Sums,
    Whole,
    keep_memory,
    quotients,
    run_lengths,
)
from orders.calc.share_rules import Ask, RuleSettings
from orders.calc.sharing import RULES, share

RULE_NAMES = tuple(RULES)
MIXED, FIRST_COME, EQUAL, PROPORTIONAL = (
    RULE_NAMES.index(name) for name in ("mixed", "first_come", "equal", "proportional")
)
FIRST = datetime(2000, 1, 1, tzinfo=UTC)


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
    keep_memory(len(book.asked))
    is_whole = book.unit > 1
    asked_of: Sums = np.bincount(book.listing, book.asked, len(book.available)).astype(float)
    scale = Scale.of(book, np.flatnonzero(is_whole), settings)
    is_short = (asked_of > book.available) | (asked_of > MOST_SUM)
    promised, lines = book.asked.copy(), np.flatnonzero(is_short.take(book.listing))
    if len(lines):
        listing = book.listing.take(lines)
        by_age = sorts.by(book.age.take(lines), listing)
        lines_of = run_lengths(listing.take(by_age), np.flatnonzero(is_short))
        turn = lines.take(by_age)
        table = _Table(book, turn, is_short, lines_of, is_whole, scale, settings, sorts)
        table.share(asked_of[is_short])
        promised[turn] = table.got
    return promised


class _Table:
    """Lines of the short listings by listing and age; what each has got, and what is left."""

    def __init__(
        self,
        book: ArrayBook,
        turn: Whole,
        is_short: Flags,
        lines_of: Whole,
        is_whole: Flags,
        scale: Scale,
        settings: RuleSettings,
        sorts: Sorts,
    ) -> None:
        self.book, self.turn, self.scale = book, turn, scale
        self.settings, self.sorts = settings, sorts
        self.available, self.rule = book.available[is_short], book.rule[is_short]
        self.k = len(self.available)
        self.lines_of = lines_of
        self.starts = np.cumsum(self.lines_of) - self.lines_of
        self.every = np.arange(self.k)
        self.at = np.repeat(self.every, self.lines_of)
        self.weight = scale.weights.take(book.tier.take(turn))
        if self.weight.min() < 0:
            settings.weight(int(book.tier[turn[self.weight < 0]][0]))
        self.asked = book.asked.take(turn)
        flags = (is_whole.view(np.int8) + 2 * (book.least > book.unit).view(np.int8)).take(turn)
        self.whole = np.flatnonzero((flags & 1).view(np.bool_))
        self.unit = np.ones_like(self.asked)
        self.unit[self.whole] = book.unit.take(turn.take(self.whole))
        # Only these can end above nothing and below their least.
        self.picky = np.flatnonzero(flags > 1)
        self.picky_least = self._least(self.picky)
        self.got = np.zeros_like(self.asked)
        self.left = self.available.copy()
        self.none = np.zeros(0, dtype=np.int64)

    def share(self, asked_of: Sums) -> None:
        plainly = self._outgrown(asked_of)
        self._equal(~plainly & (self.rule == EQUAL))
        self._first_come(~plainly & (self.rule == FIRST_COME))
        self._proportional(~plainly & (self.rule == PROPORTIONAL))
        unfinished = self._mixed(~plainly & (self.rule == MIXED))
        for listing in np.flatnonzero(plainly | unfinished):
            self._by_itself(int(listing))

    def _part(self, chosen: Flags) -> Part:
        if chosen.all():
            return Part(self.every, self.lines_of, self.starts, None)
        listings = np.flatnonzero(chosen)
        counts = self.lines_of[listings]
        starts = np.cumsum(counts) - counts
        rows = np.arange(counts.sum()) + np.repeat(self.starts[listings] - starts, counts)
        return Part(listings, counts, starts, rows)

    def _outgrown(self, asked_of: Sums) -> Flags:
        """Listings whose products would not fit: compared in binary fractions, with room."""
        weighted = asked_of * float(self.scale.weights.max())
        p, q = self.scale.stretch.numerator, self.scale.stretch.denominator
        most = np.maximum(self.available.astype(float), 1) * weighted * max(p, 1)
        units = weighted * float(self.scale.multiple) ** 2 * q
        return (np.maximum(most, units) > MOST_PRODUCT) | (weighted > MOST_SUM)

    def _by_itself(self, listing: int) -> None:
        """One listing by `share`; lines already stand by age."""
        start, book = int(self.starts[listing]), self.book
        place = range(start, start + int(self.lines_of[listing]))
        asks = [
            Ask(
                ref=str(row),
                order_number="",
                asked=int(book.asked[line]),
                unit=int(book.unit[line]),
                tier=int(book.tier[line]),
                sent_at=FIRST + timedelta(seconds=row),
                least=int(book.least[line]),
            )
            for row, line in zip(place, self.turn[place.start : place.stop], strict=True)
        ]
        shared = share(
            rule=RULE_NAMES[int(self.rule[listing])],
            available=int(self.available[listing]),
            asks=asks,
            settings=self.settings,
        )
        for row in place:
            self.got[row] = shared.promised[str(row)]

    def _least(self, lines: Whole) -> Whole:
        return self.book.least.take(self.turn.take(lines))

    def _first_come(self, chosen: Flags) -> None:
        if not chosen.any():
            return
        lines = np.flatnonzero(chosen.take(self.at) & (self.unit <= self.left.take(self.at)))
        self._in_turn(
            lines, self.at[lines], self.asked[lines], self.unit[lines], self._least(lines)
        )

    def _in_turn(
        self, lines: Whole, at: Whole, want: Whole, step: Whole, least: Whole | None = None
    ) -> None:
        """Each line in turn gets what it wants, or the whole steps of it that fit what is left.

        Lines stand by listing, and one step of each fits. What is left only shrinks, so that a
        step that does not fit now never will.
        """
        while len(lines):
            is_served, left = self._serve(lines, at, want)
            rows = np.flatnonzero(~is_served & (left > 0))
            lines, at, want, step = lines[rows], at[rows], want[rows], step[rows]
            least = None if least is None else least[rows]
            rows = self._next_up(lines, at, step, least)
            lines, at, want, step = lines[rows], at[rows], want[rows], step[rows]
            least = None if least is None else least[rows]

    def _in_steps(self, lines: Whole, at: Whole, step: Whole) -> None:
        """Each line in turn gets one step where it fits, lines standing as for _in_turn."""
        while len(lines):
            is_served, left = self._serve(lines, at, step)
            rows = np.flatnonzero(~is_served & (step <= left))
            lines, at, step = lines[rows], at[rows], step[rows]

    def _serve(self, lines: Whole, at: Whole, want: Whole) -> tuple[Flags, Whole]:
        """Serve every listing up to the first line that does not fit. Returns which lines were,
        and what each line's listing has left."""
        counts = run_lengths(at, self.every)
        there = np.flatnonzero(counts)
        counts = counts[there]
        starts = np.cumsum(counts) - counts
        total = np.cumsum(want)
        limit = self.left[there] + total[starts] - want[starts]
        is_served = total <= np.repeat(limit, counts)
        given = want * is_served
        self.left[there] -= np.add.reduceat(given, starts)
        # No line stands here twice; twice as fast as to look up what each has.
        np.add.at(self.got, lines, given)
        return is_served, np.repeat(self.left[there], counts)

    def _next_up(self, lines: Whole, at: Whole, step: Whole, least: Whole | None) -> Whole:
        """The steps that fit go to the first line of each listing. Returns those whose turn is
        still to come and of which a step fits."""
        if not len(lines):
            return lines
        is_first = np.concatenate([[True], at[1:] != at[:-1]])
        rows = np.flatnonzero(is_first)
        part = self.left[at[rows]] // step[rows] * step[rows]
        if least is not None:
            part[part < least[rows]] = 0
        self.got[lines[rows]] += part
        self.left[at[rows]] -= part
        return np.flatnonzero(~is_first & (step <= self.left[at]))

    def _equal(self, chosen: Flags) -> None:
        """A unit at a time to whoever holds fewest: all levels that fit at once, then one level
        line by line, until no unit fits. A level is what is held before the next unit."""
        if not chosen.any():
            return
        lines = np.flatnonzero(chosen.take(self.at))
        level = np.zeros(self.k, dtype=np.int64)
        while True:
            fits = self.unit[lines] <= self.left[self.at[lines]]
            lines = lines[fits & (self.got[lines] < self.asked[lines])]
            if not len(lines):
                break
            at, unit, asked = self.at[lines], self.unit[lines], self.asked[lines]
            level = self._level(lines, level)
            held = np.minimum(asked, -(-level[at] // unit) * unit)
            self.left -= self._sums(at, held - self.got[lines])
            self.got[lines] = held
            next_up = (held == level[at]) & (held < asked) & (unit <= self.left[at])
            self._in_steps(lines[next_up], at[next_up], unit[next_up])
            level += 1
        self.got[self._below(chosen)] = 0

    def _level(self, lines: Whole, low: Whole) -> Whole:
        """The highest level of each listing that its lines can all be brought to, from one that
        they can."""
        at, unit, asked = self.at[lines], self.unit[lines], self.asked[lines]
        room = self.left + self._sums(at, self.got[lines])
        high = np.full(self.k, asked.max())
        while (low < high).any():
            middle = (low + high + 1) // 2
            held = np.minimum(asked, -(-middle[at] // unit) * unit)
            fits = self._sums(at, held) <= room
            low, high = np.where(fits, middle, low), np.where(fits, high, middle - 1)
        return low

    def _sums(self, at: Whole, values: Whole) -> Whole:
        return np.bincount(at, values, self.k).astype(np.int64)

    def _proportional(self, chosen: Flags) -> None:
        """A quota by what was asked, then a unit a line at most, then the least, once."""
        if not chosen.any():
            return
        part = self._part(chosen)
        asked, unit = part.of(self.asked), part.of(self.unit)
        shares = part.spread(self.left) * asked
        bottom = np.repeat(part.sums(asked), part.counts) * unit
        given = quotients(shares, bottom)
        rest = shares - given * bottom
        given *= unit
        part.put(self.got, given)
        self.left[part.listings] -= part.sums(given)
        may = np.flatnonzero(unit <= part.spread(self.left))
        self._hand_out(part, may, unit, rest)
        self.got[self._below(chosen)] = 0

    def _mixed(self, chosen: Flags) -> Flags:
        """Floors, rounds below the cap, then without it, then lines below their least given up,
        one a listing at a time. Returns the listings that the sorts did not reach."""
        if not chosen.any():
            return chosen
        self._floors(self._part(chosen))
        capped, active = np.ones(self.k, dtype=np.bool_), chosen & (self.left > 0)
        while True:
            if not active.any():
                active = self._drop_lowest(chosen)
                capped[active] = True
                if not active.any():
                    return active
            if not self.sorts.are_left(len(self.turn)):
                return active | self._has_below(chosen)
            moved = self._round(self._part(active), capped)
            # Where nothing moves, first the cap is lifted.
            is_over = ~moved & ~capped
            capped &= moved | ~active
            active &= ~is_over & (self.left > 0)

    def _floors(self, part: Part) -> None:
        """Floors and caps of the mixed rule. Only where floors do not all fit does tier decide."""
        least, most = self.settings.least_floor, self.settings.most_floor
        floor = np.minimum(most, np.maximum(least, self.available // self.lines_of))
        half = self.available // self.settings.cap_divisor
        asked, unit, at = part.of(self.asked), part.of(self.unit), part.of(self.at)
        cap = np.minimum(asked, part.spread(np.maximum(floor, half)))
        want = np.minimum(asked, part.spread(floor))
        whole = self._whole_of(part, unit)
        if len(whole):
            of, one = at[whole], unit[whole]
            top = np.maximum(np.maximum(floor[of], half[of]), one)
            # In whole units: a line's room below its cap is never a part of one.
            cap[whole] = np.minimum(asked[whole], top // one * one)
            want[whole] = np.where(self._is_too_large(part, whole, of), 0, one)
        self.cap = cap if part.rows is None else np.zeros_like(self.asked)
        part.put(self.cap, cap)
        self._give_floors(part, want)

    def _give_floors(self, part: Part, want: Whole) -> None:
        total = part.sums(want)
        is_tight = total > self.left[part.listings]
        tight = np.flatnonzero(np.repeat(is_tight, part.counts)) if is_tight.any() else self.none
        tight_want = want[tight]
        want[tight], total[is_tight] = 0, 0
        part.put(self.got, want)
        self.left[part.listings] -= total
        if len(tight):
            lines = part.places(tight)
            tier = self.book.tier.take(self.turn.take(lines))
            turn = self.sorts.by(-tier, self.at[lines])
            lines, want = lines[turn], tight_want[turn]
            at, unit = self.at[lines], self.unit[lines]
            fits = np.flatnonzero((unit <= self.left[at]) & (want > 0))
            self._in_turn(lines[fits], at[fits], want[fits], unit[fits])

    def _is_too_large(self, part: Part, whole: Whole, of: Whole) -> Flags:
        """Whether a whole unit is above the stretched fair share of its line."""
        weighted = part.of(self.weight) * part.of(self.asked)
        total = np.zeros(self.k, dtype=np.int64)
        total[part.listings] = part.sums(weighted)
        p, q = self.scale.stretch.numerator, self.scale.stretch.denominator
        fair = p * self.available[of] * weighted[whole]
        return part.of(self.unit)[whole] * q * total[of] > fair

    def _round(self, part: Part, capped: Flags) -> Flags:
        """One round of all active listings. Returns those in which anything was given."""
        got, unit, asked = (part.of(values) for values in (self.got, self.unit, self.asked))
        top, may = self._tops(part, capped, got, asked)
        left = part.spread(self.left)
        # Once the cap was lifted a line may stand above it: it keeps what it has.
        room = top - got
        np.maximum(room, 0, out=room)
        may &= (unit <= left) & (unit <= room)
        before = self.left.copy()
        # A line that does not share wants nothing: cheaper than to take it out of every array.
        want = asked - got
        want *= part.of(self.weight)
        want *= may
        bottom = np.repeat(np.maximum(part.sums(want), 1), part.counts)
        bottom *= unit
        # In place from here: fresh memory costs more than the arithmetic.
        shares = np.multiply(left, want, out=want)
        given = quotients(shares, bottom)
        bottom *= given
        rest = np.subtract(shares, bottom, out=shares)
        given *= unit
        np.minimum(given, room, out=given)
        part.put(self.got, np.add(got, given, out=got))
        self.left[part.listings] -= part.sums(given)
        room -= given
        may &= (unit <= part.spread(self.left)) & (unit <= room)
        self._hand_out(part, np.flatnonzero(may), unit, rest)
        return self.left < before

    def _whole_of(self, part: Part, unit: Whole) -> Whole:
        return self.whole if part.rows is None else np.flatnonzero(unit > 1)

    def _tops(self, part: Part, capped: Flags, got: Whole, asked: Whole) -> tuple[Whole, Flags]:
        """How far each line may go, and whether it shares: below the cap one with nothing waits."""
        is_capped = capped[part.listings]
        if is_capped.all():
            return part.of(self.cap), got > 0
        if not is_capped.any():
            return asked, np.ones(len(asked), dtype=np.bool_)
        at_cap = np.repeat(is_capped, part.counts)
        return np.where(at_cap, part.of(self.cap), asked), (got > 0) | ~at_cap

    def _hand_out(self, part: Part, may: Whole, unit: Whole, rest: Whole) -> None:
        """One unit a line at most by largest remainder, the older first among equal ones."""
        if not len(may):
            return
        if self.scale.multiple > 1:
            whole = self._whole_of(part, unit)
            of_whole = rest[whole] * (self.scale.multiple // unit[whole])
            rest *= self.scale.multiple
            rest[whole] = of_whole
        rest, lines = rest.take(may), part.places(may)
        at = self.at.take(lines)
        turn = self.sorts.by(np.negative(rest, out=rest), at)
        lines = lines.take(turn)
        step = self.unit.take(lines)
        self._in_steps(lines, at, step)

    def _below(self, chosen: Flags) -> Whole:
        rows = self.picky
        got = self.got[rows]
        return rows[(got > 0) & (got < self.picky_least) & chosen[self.at[rows]]]

    def _has_below(self, chosen: Flags) -> Flags:
        return np.bincount(self.at[self._below(chosen)], minlength=self.k) > 0

    def _drop_lowest(self, chosen: Flags) -> Flags:
        """In each listing the line below its least with the lowest fair share gets nothing, the
        youngest of equal ones. Returns the listings in which one was dropped."""
        dropped = np.zeros(self.k, dtype=np.bool_)
        rows = self._below(chosen)
        if not len(rows):
            return dropped
        at, fair = self.at[rows], self.weight[rows] * self.asked[rows]
        lowest = np.full(self.k, np.iinfo(np.int64).max)
        np.minimum.at(lowest, at, fair)
        youngest = np.full(self.k, -1)
        is_lowest = fair == lowest[at]
        np.maximum.at(youngest, at[is_lowest], rows[is_lowest])
        gone = youngest[youngest >= 0]
        self.left[self.at[gone]] += self.got[gone]
        # It asks for nothing from here on.
        self.got[gone] = self.asked[gone] = self.cap[gone] = 0
        dropped[self.at[gone]] = True
        return dropped
