"""What a what-if compares, as plain rows: lists, plans, and what would not stay as it is.

Call from: config/what_if.py, config/what_if_words.py.
"""

import json
from dataclasses import dataclass
from typing import Any

from shipping.models import PackPlan


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


def plan_row(plan: PackPlan) -> PlanRow:
    return PlanRow(
        ship_on=f"{plan.ship_on:%a %-d %b}",
        verdict=plan.verdict,
        delivery=plan.delivery,
        boxes=", ".join(_box_words(box) for box in json.loads(plan.record)["boxes"]),
        freight=str(plan.freight),
        total=str(plan.total),
        sentence=plan.sentence,
    )


def _box_words(box: dict[str, Any]) -> str:
    """L with 49 bags, 14.9 L of water, 3 heat packs."""
    packs = [
        f"{number} {name} pack{'s' * (number > 1)}"
        for name, number in (("heat", box["packs"]), ("cool", box.get("gels", 0)))
        if number
    ]
    inside = ", ".join([f"{box['water_l']:g} L of water", *(packs or ["no packs"])])
    return f"{box['size']} with {box['bags']} bag{'s' * (box['bags'] > 1)}, {inside}"


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

    @property
    def turn(self) -> str:
        """Clear to care, where the verdict would be another one."""
        was = self.was.verdict if self.was else "no plan"
        then = self.now.verdict if self.now else "no plan"
        return f"{was} to {then}" if was != then else ""


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
