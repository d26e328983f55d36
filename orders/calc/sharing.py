"""Sharing a short listing out: four rules, each a replayable trace of exact numbers.

Arithmetic is in fractions, so that a replay gives the same bytes on every machine; no rule takes a
random step and none depends on the sequence in which the asks arrive here.
"""

import heapq
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
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
        return Fraction(self.weights[tier])


@dataclass(frozen=True, slots=True)
class Share:
    """What each line gets, and the trace from which any sentence about it is printed."""

    rule: str
    available: int
    promised: Mapping[str, int]
    left_over: int
    trace: Mapping[str, Any]


def _age(ask: Ask) -> tuple[datetime, int, str]:
    """Earlier sent first, then the lower order number."""
    return ask.sent_at, len(ask.order_number), ask.order_number


def _text(value: Fraction) -> str:
    """Four decimals, rounded half up in whole numbers: the same text on every machine."""
    scaled = (value * 10000 + Fraction(1, 2)).__floor__()
    sign = "-" if scaled < 0 else ""
    return f"{sign}{abs(scaled) // 10000}.{abs(scaled) % 10000:04d}"


def share(
    *, rule: str, available: int, asks: Sequence[Ask], settings: RuleSettings | None = None
) -> Share:
    """Share what is available among asks by one of the farm's four rules.

    Parameters
    ----------
    rule : str
        "mixed", "first_come", "equal" or "proportional".
    available : int
        Sale units to share. Zero or more. [sale unit]
    asks : sequence of Ask, shape (n_lines,)
        Lines that nothing stops, in any sequence.
    settings : RuleSettings, optional
        Weights, unit stretch, floor and cap of the mixed rule.

    Returns
    -------
    Share
        Promised by ``ref``: never above the ask, whole units, summing to ``available`` at most.

    Raises
    ------
    ValueError
        If the rule is unknown, a number is below zero, an ask is not a whole number of its units,
        or two asks share a ``ref``.

    Source
    ------
    Proportional: largest remainder (Hamilton). Equal: constrained equal awards in whole units.
    Mixed: chosen by the farm.
    """
    settings = settings or RuleSettings()
    _check(rule, available, asks)
    lines = sorted(asks, key=_age)
    asked = sum(line.asked for line in lines)
    got: dict[str, int]
    trace: dict[str, Any]
    if asked <= available:
        got, trace = {line.ref: line.asked for line in lines}, {}
    else:
        got, trace = RULES[rule](available, lines, settings)
    promised = {line.ref: got[line.ref] for line in lines}
    left = available - sum(promised.values())
    offers = _offers(available, lines, promised)
    record = {
        "rule": rule,
        "available": available,
        "asked": asked,
        "customers": len({line.customer or line.order_number for line in lines}),
        "is_enough": asked <= available,
        "lines": {
            line.ref: {
                "order": line.order_number,
                "asked": line.asked,
                "unit": line.unit,
                "tier": line.tier,
                "least": line.least,
                "promised": promised[line.ref],
            }
            for line in lines
        },
        "left_over": left,
        "offers": offers,
        **trace,
    }
    return Share(rule, available, promised, left, record)


def _check(rule: str, available: int, asks: Sequence[Ask]) -> None:
    if rule not in RULES:
        raise ValueError(f"There is no rule {rule!r}; there are {', '.join(RULES)}")
    if available < 0:
        raise ValueError(f"{available} available makes no sense")
    if len({ask.ref for ask in asks}) != len(asks):
        raise ValueError("Two asks share a reference")
    for ask in asks:
        if ask.asked < 1 or ask.unit < 1 or ask.asked % ask.unit:
            raise ValueError(f"{ask.ref} asks {ask.asked}: not whole units of {ask.unit}")


def _offers(available: int, lines: Sequence[Ask], promised: Mapping[str, int]) -> list[str]:
    """What the office may offer by hand where whole units stood in the way."""
    if available and lines and all(line.unit > available for line in lines):
        return [f"{available} loose pieces: offer them?"]
    return [
        f"order {line.order_number}: take loose pieces?"
        for line in lines
        if line.unit > 1 and not promised[line.ref]
    ]


def _first_come(
    available: int, lines: Sequence[Ask], settings: RuleSettings
) -> tuple[dict[str, int], dict[str, Any]]:
    got, left = {}, available
    for line in lines:
        units = min(line.asked, left) // line.unit * line.unit
        got[line.ref] = units if units >= line.least else 0
        left -= got[line.ref]
    return got, {}


def _drop_below_least(
    lines: Sequence[Ask], got: dict[str, int], trace: dict[str, Any]
) -> tuple[dict[str, int], dict[str, Any]]:
    """Once everything is given, lines below their least get nothing; the pieces go back."""
    dropped = [line.ref for line in lines if 0 < got[line.ref] < line.least]
    for ref in dropped:
        got[ref] = 0
    return got, {**trace, "dropped": dropped} if dropped else trace


def _equal(
    available: int, lines: Sequence[Ask], settings: RuleSettings
) -> tuple[dict[str, int], dict[str, Any]]:
    got, left = {line.ref: 0 for line in lines}, available
    waiting = [(0, index) for index in range(len(lines))]
    while waiting:
        held, index = heapq.heappop(waiting)
        line = lines[index]
        # What is left only shrinks: a unit that does not fit now never will.
        if line.unit > left or held >= line.asked:
            continue
        got[line.ref] += line.unit
        left -= line.unit
        heapq.heappush(waiting, (got[line.ref], index))
    return _drop_below_least(lines, got, {})


def _proportional(
    available: int, lines: Sequence[Ask], settings: RuleSettings
) -> tuple[dict[str, int], dict[str, Any]]:
    asked = sum(line.asked for line in lines)
    quotas = {line.ref: Fraction(available * line.asked, asked) for line in lines}
    got = {line.ref: int(quotas[line.ref] // line.unit) * line.unit for line in lines}
    left = available - sum(got.values())
    for line in _by_remainder(lines, quotas):
        if line.unit <= left and got[line.ref] + line.unit <= line.asked:
            got[line.ref] += line.unit
            left -= line.unit
    shares = {ref: _text(quota) for ref, quota in quotas.items()}
    return _drop_below_least(lines, got, {"quotas": shares})


def _by_remainder(lines: Sequence[Ask], quotas: Mapping[str, Fraction]) -> list[Ask]:
    """Largest remainder in units first; equal ones by age, in which the lines already stand."""
    return sorted(lines, key=lambda line: -((quotas[line.ref] / line.unit) % 1))


def _mixed(
    available: int, lines: Sequence[Ask], settings: RuleSettings
) -> tuple[dict[str, int], dict[str, Any]]:
    table = _Mixed(available, lines, settings)
    table.give_floors()
    table.share_rest(is_capped=True)
    table.share_rest(is_capped=False)
    table.drop_below_least()
    return table.got, table.trace()


class _Mixed:
    """A small floor for all, then a weighted share with a cap; the cap is lifted for the rest."""

    def __init__(self, available: int, lines: Sequence[Ask], settings: RuleSettings) -> None:
        self.available = available
        self.lines = list(lines)
        self.settings = settings
        self.got = {line.ref: 0 for line in lines}
        self.left = available
        self.dropped: list[str] = []
        self.rounds: list[dict[str, Any]] = []
        per_line = available // len(lines)
        self.floor = min(settings.most_floor, max(settings.least_floor, per_line))
        self.weights = {line.ref: settings.weight(line.tier) for line in lines}
        weighted = sum(self.weights[line.ref] * line.asked for line in lines)
        self.fair = {
            line.ref: available * self.weights[line.ref] * line.asked / weighted for line in lines
        }
        self.floors: dict[str, int] = {}

    def give_floors(self) -> None:
        for line in sorted(self.lines, key=lambda line: (-line.tier, *_age(line))):
            units = self._floor_of(line)
            self.floors[line.ref] = units
            self.got[line.ref] = units
            self.left -= units

    def _floor_of(self, line: Ask) -> int:
        if line.unit == 1:
            return min(line.asked, self.floor, self.left)
        stretch = Fraction(self.settings.unit_stretch) * self.fair[line.ref]
        return line.unit if line.unit <= stretch and line.unit <= self.left else 0

    def cap(self, line: Ask) -> int:
        half = self.available // self.settings.cap_divisor // line.unit * line.unit
        return min(line.asked, max(self.floor, line.unit, half))

    def share_rest(self, *, is_capped: bool) -> None:
        while self.left and self._share_round(is_capped):
            pass

    def _share_round(self, is_capped: bool) -> bool:
        tops = {line.ref: self.cap(line) if is_capped else line.asked for line in self.lines}
        sharing = [
            line
            for line in self.lines
            if line.ref not in self.dropped
            and self.got[line.ref] + line.unit <= tops[line.ref]
            and line.unit <= self.left
            and (self.got[line.ref] or not is_capped)
        ]
        if not sharing:
            return False
        wants = {
            line.ref: self.weights[line.ref] * (line.asked - self.got[line.ref]) for line in sharing
        }
        total = sum(wants.values())
        quotas = {ref: self.left * want / total for ref, want in wants.items()}
        given = self._hand_out(sharing, quotas, tops)
        self.rounds.append(
            {
                "left": self.left,
                "is_capped": is_capped,
                "shares": {ref: _text(quota) for ref, quota in quotas.items()},
                "given": {ref: units for ref, units in given.items() if units},
            }
        )
        for ref, units in given.items():
            self.got[ref] += units
        self.left -= sum(given.values())
        return any(given.values())

    def _hand_out(
        self, sharing: Sequence[Ask], quotas: Mapping[str, Fraction], tops: Mapping[str, int]
    ) -> dict[str, int]:
        """Whole units of each share, then the left-over units by largest remainder."""
        given = {}
        for line in sharing:
            room = (tops[line.ref] - self.got[line.ref]) // line.unit * line.unit
            given[line.ref] = min(int(quotas[line.ref] // line.unit) * line.unit, room)
        left = self.left - sum(given.values())
        for line in _by_remainder(sharing, quotas):
            is_below = self.got[line.ref] + given[line.ref] + line.unit <= tops[line.ref]
            if line.unit <= left and is_below:
                given[line.ref] += line.unit
                left -= line.unit
        return given

    def drop_below_least(self) -> None:
        """Lines below their least get nothing, lowest fair share first; the others share it."""
        while True:
            below = [line for line in self.lines if 0 < self.got[line.ref] < line.least]
            if not below:
                return
            # Equal fair shares: the one sent later goes first, then the higher order number.
            lowest = min(self.fair[line.ref] for line in below)
            line = max((row for row in below if self.fair[row.ref] == lowest), key=_age)
            self.dropped.append(line.ref)
            self.left += self.got[line.ref]
            self.got[line.ref] = 0
            self.share_rest(is_capped=True)
            self.share_rest(is_capped=False)

    def trace(self) -> dict[str, Any]:
        return {
            "floor": self.floor,
            "unit_stretch": str(self.settings.unit_stretch),
            "weights": {ref: _text(weight) for ref, weight in self.weights.items()},
            "fair_shares": {ref: _text(fair) for ref, fair in self.fair.items()},
            "floors": self.floors,
            "caps": {line.ref: self.cap(line) for line in self.lines},
            "rounds": self.rounds,
            "dropped": self.dropped,
        }


Rule = Callable[[int, Sequence[Ask], RuleSettings], tuple[dict[str, int], dict[str, Any]]]
RULES: dict[str, Rule] = {
    "mixed": _mixed,
    "first_come": _first_come,
    "equal": _equal,
    "proportional": _proportional,
}
