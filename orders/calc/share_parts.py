"""A book of lines as arrays, the whole numbers its weights make, and parts of it by listing."""

from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from typing import Any

import numpy as np
from numpy.typing import NDArray

from orders.calc.share_rules import RuleSettings, read_exactly

Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
Sums = NDArray[np.float64]


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
    units; the narrowest numbers that hold weights and asks."""

    weights: Whole
    multiple: int
    stretch: Fraction
    narrow: type[Any]

    @classmethod
    def of(cls, book: ArrayBook, whole: Whole, asked_of: Sums, settings: RuleSettings) -> "Scale":
        units = book.unit.take(whole)
        if (book.asked.take(whole) % units).any() or (book.least > book.asked).any():
            raise ValueError("A line asks for no whole units, or less than the least it accepts")
        weights = {tier: settings.weight(tier) for tier in settings.weights}
        common = lcm(*(weight.denominator for weight in weights.values()))
        by_tier = np.full(max([int(book.tier.max(initial=0)), *weights]) + 1, -1)
        by_tier[list(weights)] = [int(weight * common) for weight in weights.values()]
        multiple, stretch = lcm(*set(units.tolist())), read_exactly(settings.unit_stretch)
        is_narrow = max(by_tier.max(), asked_of.max(initial=0.0)) < 2**31
        return cls(by_tier, multiple, stretch, np.int32 if is_narrow else np.int64)


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
