"""A book of lines as arrays, the whole numbers its weights make, and parts of it by listing."""

from dataclasses import dataclass
from fractions import Fraction
from math import lcm

import numpy as np
from numpy.typing import NDArray

from orders.calc.share_rules import RuleSettings, read_exactly

Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
Sums = NDArray[np.float64]
MOST_SORTS = 8
# Arrays of a value a line that are held at once, about.
WIDE_COLUMNS = 12
# Sums and quotients are read in binary fractions of 53 bits.
MOST_SUM, MOST_PRODUCT = 2**53, 2**52


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


@dataclass(slots=True)
class Scale:
    """Weights by tier as whole numbers, -1 for a tier that has none; the common multiple of the
    units."""

    weights: Whole
    multiple: int
    stretch: Fraction

    @classmethod
    def of(cls, book: ArrayBook, whole: Whole, settings: RuleSettings) -> "Scale":
        units = book.unit.take(whole)
        if (book.asked.take(whole) % units).any() or (book.least > book.asked).any():
            raise ValueError("A line asks for no whole units, or less than the least it accepts")
        weights = {tier: settings.weight(tier) for tier in settings.weights}
        common = lcm(*(weight.denominator for weight in weights.values()))
        by_tier = np.full(max([int(book.tier.max(initial=0)), *weights]) + 1, -1)
        by_tier[list(weights)] = [int(weight * common) for weight in weights.values()]
        multiple, stretch = lcm(*set(units.tolist())), read_exactly(settings.unit_stretch)
        return cls(by_tier, multiple, stretch)


@dataclass(frozen=True, slots=True)
class Part:
    """Some listings of a table of lines: their numbers, how many lines each has, where they start
    in the part; the places of the lines in the table, None for all of them as they stand there."""

    listings: Whole
    counts: Whole
    starts: Whole
    rows: Whole | None

    def of(self, column: Whole) -> Whole:
        return column if self.rows is None else column.take(self.rows)

    def places(self, chosen: Whole) -> Whole:
        """Where some lines of the part stand in the table."""
        return chosen if self.rows is None else self.rows.take(chosen)

    def put(self, column: Whole, values: Whole) -> None:
        if values is not column:
            column[slice(None) if self.rows is None else self.rows] = values

    def spread(self, by_listing: Whole) -> Whole:
        """Every line's listing's value. Twice as fast as to look it up line by line."""
        return np.repeat(by_listing.take(self.listings), self.counts)

    def sums(self, values: Whole) -> Whole:
        return np.add.reduceat(values, self.starts)


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


def quotients(shares: Whole, bottom: Whole) -> Whole:
    """Whole quotients, several times as fast as NumPy's own for whole numbers. A quotient that is
    not whole lies further below the next number than binary fractions of 53 bits are apart, as long
    as numbers stand below MOST_PRODUCT."""
    return (shares / bottom).astype(np.int64)


def run_lengths(numbers: Whole, wanted: Whole) -> Whole:
    """How often each wanted number stands among numbers that ascend."""
    lengths = np.searchsorted(numbers, wanted, side="right")
    lengths[1:] -= lengths[:-1].copy()
    return lengths


def keep_memory(lines: int) -> None:
    """Have the C library keep what sharing frees. Until a block as large as this has come and
    gone it hands every array back to the system, and to fetch the pages anew takes as long as all
    the arithmetic."""
    np.empty(2 * WIDE_COLUMNS * lines, dtype=np.int64)
