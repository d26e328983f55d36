"""What a what-if compares, as plain rows: lists, plans, and what would not stay as it is.

Call from: config/what_if.py, config/what_if_words.py.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ListRow:
    """A listing on a week's list. Counts in sale units, prices for tiers 1 to 3."""

    status: str
    stop: str
    units: int
    prices: tuple[str, str, str]
    strain: str
    form: str


@dataclass(frozen=True, slots=True)
class PlanRow:
    ship_on: str
    verdict: str
    delivery: str
    boxes: str
    freight: str
    total: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Picture:
    """What people act on: lists by week and listing, promises that are short, sheets, plans."""

    lists: dict[str, dict[str, ListRow]]
    short: dict[str, int]
    live_sheets: dict[str, str]
    plans: dict[str, PlanRow]


@dataclass(frozen=True, slots=True)
class Change:
    """One listing of one week that would not stay as it is."""

    week: str
    listing: str
    strain: str
    form: str
    was_status: str
    was_stop: str
    now_status: str
    was_units: int
    now_units: int
    was_prices: tuple[str, str, str]
    now_prices: tuple[str, str, str]

    @property
    def gain_units(self) -> int:
        return self.now_units - self.was_units

    @property
    def is_back_from_nothing(self) -> bool:
        return not self.was_units and self.now_units > 0


@dataclass(frozen=True, slots=True)
class PlanChange:
    """An order's pack plan before and after; None where there is none."""

    order: str
    was: PlanRow | None
    now: PlanRow | None


@dataclass(frozen=True, slots=True)
class WhatIf:
    """An act's consequences as they were shown, and the mark that a signature must bring back."""

    sentence: str
    besides: str
    changes: tuple[Change, ...]
    short: tuple[tuple[str, int, int], ...]
    touched: tuple[tuple[str, str], ...]
    plans: tuple[PlanChange, ...]
    mark: str
    after: Picture
