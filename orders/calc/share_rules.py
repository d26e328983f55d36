"""The three plain rules of sharing out: first come, equal share, proportional.

Each takes lines by age and answers with what every line gets, the numbers that decided it, and the
whole-unit lines that got nothing because their unit stood in the way.
"""

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from functools import lru_cache
from typing import Any


@dataclass(frozen=True, slots=True)
class Ask:
    """One line's ask, in sale units. ``unit`` is the whole multiple it takes, ``least`` the least
    it accepts."""

    ref: str
    order_number: str
    asked: int
    unit: int
    tier: int
    sent_at: datetime
    least: int = 1
    customer: str = ""


@dataclass(frozen=True, slots=True)
class RuleSettings:
    """The numbers of the mixed rule; text or numbers, read exactly. Chosen by the farm."""

    weights: Mapping[int, str] = field(default_factory=lambda: {1: "1.00", 2: "1.15", 3: "1.30"})
    unit_stretch: str = "1.5"
    least_floor: int = 1
    most_floor: int = 2
    cap_divisor: int = 2

    def weight(self, tier: int) -> Fraction:
        if tier not in self.weights:
            raise ValueError(f"Tier {tier} has no weight; there are {sorted(self.weights)}")
        return read_exactly(self.weights[tier])

    def as_plain(self) -> dict[str, Any]:
        """For the trace: text and integers only."""
        return {
            "weights": {str(tier): str(weight) for tier, weight in sorted(self.weights.items())},
            "unit_stretch": str(self.unit_stretch),
            "least_floor": self.least_floor,
            "most_floor": self.most_floor,
            "cap_divisor": self.cap_divisor,
        }


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a rule gives each ref, the numbers behind it, and the refs whose unit was too large."""

    got: dict[str, int]
    steps: dict[str, Any]
    stuck: tuple[str, ...] = ()


@lru_cache(maxsize=256, typed=True)
def read_exactly(value: Any) -> Fraction:
    """By way of its text: the binary float 1.15 is a little less than 1.15."""
    return Fraction(str(value))


def age(ask: Ask) -> tuple[datetime, int, str, str]:
    """Earlier sent first, then the lower order number, then the line's own name."""
    return ask.sent_at, len(ask.order_number), ask.order_number, ask.ref


def by_remainder(lines: Sequence[Ask], quotas: Mapping[str, Fraction]) -> list[Ask]:
    """Largest remainder in units first; equal ones by age, in which the lines already stand."""
    return sorted(lines, key=lambda line: -remainder(line, quotas))


def remainder(line: Ask, quotas: Mapping[str, Fraction]) -> Fraction:
    """What rounding down to whole units took from a quota. [units of the line]"""
    return (quotas[line.ref] / line.unit) % 1


def as_text(values: Mapping[str, Fraction]) -> dict[str, str]:
    """Exact, as "p/q": a decimal here would be rounded twice before it stands in a sentence."""
    return {ref: str(value) for ref, value in values.items()}


def first_come(available: int, lines: Sequence[Ask], settings: RuleSettings) -> Outcome:
    """Each line in turn gets the whole units that fit, if they reach the least it accepts."""
    got: dict[str, int] = {}
    turns, dropped, stuck = [], [], []
    left = available
    for line in lines:
        fits = min(line.asked, left) // line.unit * line.unit
        got[line.ref] = fits if fits >= line.least else 0
        turns.append({"ref": line.ref, "left": left, "given": got[line.ref]})
        if 0 < fits < line.least:
            dropped.append({"ref": line.ref, "had": fits})
        if not fits and left:
            stuck.append(line.ref)
        left -= got[line.ref]
    return Outcome(got, {"turns": turns, "dropped": dropped}, tuple(stuck))


def equal(available: int, lines: Sequence[Ask], settings: RuleSettings) -> Outcome:
    """One unit at a time to the line that holds fewest, is below its ask and whose unit fits."""
    got, left = {line.ref: 0 for line in lines}, available
    waiting = [(0, index) for index in range(len(lines))]
    stops: list[dict[str, Any]] = []
    while waiting:
        held, index = heapq.heappop(waiting)
        line = lines[index]
        if held == line.asked:
            continue
        if line.unit > left:
            # What is left only shrinks: a unit that does not fit now never will.
            stops.append({"ref": line.ref, "left": left, "held": held})
            continue
        got[line.ref] += line.unit
        left -= line.unit
        heapq.heappush(waiting, (got[line.ref], index))
    stuck = tuple(stop["ref"] for stop in stops if stop["left"] and not stop["held"])
    return Outcome(got, {"stops": stops, "dropped": _drop_once(lines, got)}, stuck)


def proportional(available: int, lines: Sequence[Ask], settings: RuleSettings) -> Outcome:
    """A quota by what was asked, rounded down to units, then at most one unit a line more."""
    asked = sum(line.asked for line in lines)
    quotas = {line.ref: Fraction(available * line.asked, asked) for line in lines}
    got = {line.ref: int(quotas[line.ref] // line.unit) * line.unit for line in lines}
    left = available - sum(got.values())
    extra = []
    for line in by_remainder(lines, quotas):
        # A quota lies below its ask, so one unit more is never more than was asked.
        if line.unit <= left:
            got[line.ref] += line.unit
            left -= line.unit
            extra.append(line.ref)
    stuck = tuple(line.ref for line in lines if left and not got[line.ref])
    steps = {
        "quotas": as_text(quotas),
        "remainders": as_text({line.ref: remainder(line, quotas) for line in lines}),
        "extra": extra,
        "dropped": _drop_once(lines, got),
    }
    return Outcome(got, steps, stuck)


def _drop_once(lines: Sequence[Ask], got: dict[str, int]) -> list[dict[str, Any]]:
    """Once everything is given, lines below their least get nothing; the pieces go back."""
    below = [line for line in lines if 0 < got[line.ref] < line.least]
    dropped = [{"ref": line.ref, "had": got[line.ref]} for line in below]
    for line in below:
        got[line.ref] = 0
    return dropped
