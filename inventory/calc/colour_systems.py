"""When one strain's colour differs between water systems for so long that each has its own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from inventory.calc.colour import Look


@dataclass(frozen=True, slots=True)
class SplitRule:
    """How far apart, and how long, before systems are run each by itself. Chosen by the farm."""

    least_gap: float = 1.0
    least_days: int = 14
    least_looks: int = 2


@dataclass(slots=True)
class _Run:
    """An unbroken run of look-days that say the same: apart, or together."""

    is_apart: bool
    since: date
    looks: dict[str, int]


def split_since(
    *, looks: Mapping[str, Sequence[Look]], rule: SplitRule | None = None
) -> date | None:
    """Since when a strain's colour is run for each system by itself; None while it is run as one.

    The newest day's mean grade of every system is compared on each look-day. Apart by
    ``least_gap`` or more for ``least_days``, the best and the worst looked at on at least
    ``least_looks`` days of that time, they part; less apart for as long, they are one again.

    Parameters
    ----------
    looks : mapping of str to sequence of Look
        Grades 0 to 4 by water system, in any order.
    rule : SplitRule, optional
        The farm's own by default.

    Returns
    -------
    date or None
        The look-day on which they parted.

    Source
    ------
    None, chosen by the farm.
    """
    rule = rule or SplitRule()
    newest: dict[str, float] = {}
    parted_on: date | None = None
    run: _Run | None = None
    for on, grades in _by_day(looks):
        newest.update(grades)
        if len(newest) < 2:
            continue
        best = max(newest, key=lambda system: (newest[system], system))
        worst = min(newest, key=lambda system: (newest[system], system))
        is_apart = newest[best] - newest[worst] >= rule.least_gap
        if run is None or run.is_apart != is_apart:
            run = _Run(is_apart, on, {})
        for system in grades:
            run.looks[system] = run.looks.get(system, 0) + 1
        if is_apart != (parted_on is not None) and _has_lasted(run, on, (best, worst), rule):
            parted_on = on if is_apart else None
    return parted_on


def _by_day(looks: Mapping[str, Sequence[Look]]) -> list[tuple[date, dict[str, float]]]:
    """(day, mean grade of each system looked at on it), in day order."""
    days: dict[date, dict[str, list[float]]] = {}
    for system, rows in looks.items():
        for look in rows:
            days.setdefault(look.on, {}).setdefault(system, []).append(look.grade)
    return [
        (on, {system: sum(grades) / len(grades) for system, grades in days[on].items()})
        for on in sorted(days)
    ]


def _has_lasted(run: _Run, on: date, ends: tuple[str, str], rule: SplitRule) -> bool:
    if (on - run.since).days < rule.least_days:
        return False
    return all(run.looks.get(system, 0) >= rule.least_looks for system in ends)
