"""Cutting: the pool of pieces that are cut again, and bases that must cure before a cut."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil, inf, log
from statistics import median

DUST = 1e-9


def recut_pool_pieces(
    *, weekly_sales: float, cycle_weeks: float, yield_pieces: float, survival: float
) -> int | None:
    """Pieces that must stand in the pool so that cutting keeps up with the sales.

    Parameters
    ----------
    weekly_sales : float
        [pieces/week]
    cycle_weeks : float
        From one cut of a piece to the next. [week]
    yield_pieces, survival : float
        Pieces from one parent, and the share of them that lives.

    Returns
    -------
    int or None
        q G / (y S - 1), rounded up; None where a pool does not grow at all.

    Source
    ------
    Steady state of P = P y S - q G over one cycle; worked in its test.
    """
    growth = yield_pieces * survival
    if growth <= 1:
        return None
    return ceil(weekly_sales * cycle_weeks / (growth - 1) - DUST)


def doubling_weeks(*, cycle_weeks: float, yield_pieces: float, survival: float) -> float:
    """Weeks in which the pool doubles if nothing is sold; infinite where it does not grow.

    Source: exponential growth by y S each cycle: G ln 2 / ln(y S).
    """
    growth = yield_pieces * survival
    return cycle_weeks * log(2) / log(growth) if growth > 1 else inf


@dataclass(frozen=True, slots=True)
class BaseRule:
    """How bases are made; the days they cure end with those they are rinsed. Common practice, no
    source; hours and batch are the farm's own."""

    cure_days: int = 33
    rinse_days: int = 3
    hours_each: float = 0.05
    batch_pieces: int = 160


@dataclass(frozen=True, slots=True)
class BaseNeed:
    """What one day's cut wants of bases, and what is missing. Hours are crew hours of the batches.

    ``is_late`` says that the latest day to mix has passed: then only fewer cuts help.
    """

    cut_on: date
    wanted_pieces: int
    there_pieces: int
    short_pieces: int
    cures_from_on: date
    mix_by_on: date
    batches: int
    hours: float
    left_pieces: int
    is_late: bool


def base_plan(
    *,
    wanted: Sequence[tuple[date, int]],
    usable: Sequence[tuple[date, int]],
    today: date,
    is_work_day: Callable[[date], bool],
    rule: BaseRule | None = None,
) -> list[BaseNeed]:
    """Go through the cuts by their days: what is there, what is short, and by when it is mixed.

    A shortage is made up in whole batches, mixed on the last work day that leaves them time to
    cure; what such a batch has over counts for the cuts after it.

    Parameters
    ----------
    wanted : sequence of (date, int)
        Days of cuts and the bases each wants. [pieces]
    usable : sequence of (date, int)
        Batches by the day from which they may be used. [pieces]
    today : date
        No batch is mixed before it.
    is_work_day : callable
        Whether the crew mixes on a day.
    rule : BaseRule, optional
        The farm's own by default.

    Returns
    -------
    list of BaseNeed
        One a cut, in day order.

    Source
    ------
    None, chosen by the farm.
    """
    rule = rule or BaseRule()
    needs: list[BaseNeed] = []
    used = mixed = 0
    for cut_on, pieces in sorted(wanted):
        there = sum(number for from_on, number in usable if from_on <= cut_on) + mixed - used
        short = max(0, pieces - there)
        cures_from_on = cut_on - timedelta(days=rule.cure_days)
        mix_by_on = last_work_day(on=cures_from_on, is_work_day=is_work_day)
        is_late = bool(short) and mix_by_on < today
        batches = 0 if is_late else ceil(short / rule.batch_pieces)
        mixed += batches * rule.batch_pieces
        # Where it is too late only as many are cut as there are bases.
        used += min(pieces, there) if is_late else pieces
        left = there + batches * rule.batch_pieces - pieces
        hours = batches * rule.batch_pieces * rule.hours_each
        needs.append(
            BaseNeed(
                cut_on,
                pieces,
                there,
                short,
                cures_from_on,
                mix_by_on,
                batches,
                hours,
                max(0, left),
                is_late,
            )
        )
    return needs


def last_work_day(*, on: date, is_work_day: Callable[[date], bool]) -> date:
    """That day, or the last day before it on which the crew works; a month back at most."""
    for back in range(31):
        day = on - timedelta(days=back)
        if is_work_day(day):
            return day
    return on


def demand_pieces(*, asked: Sequence[int], factor: float = 1.1) -> float:
    """What a week is likely to ask: the median of the weeks given, and a tenth. [pieces]

    Source: none, chosen by the farm. What was asked counts, not what was shipped.
    """
    return median(asked) * factor if asked else 0.0


def is_same_season(*, on: date, other: date, half_days: int) -> bool:
    """Whether two days lie within so many days of each other in the year, whatever the year."""
    apart = abs(on.timetuple().tm_yday - other.timetuple().tm_yday)
    return min(apart, 365 - apart) <= half_days


def pieces_to_cut(*, short_pieces: float, heal_share: float, ready_share: float = 0.85) -> int:
    """Pieces to cut so that enough of them heal and are ready by the week.

    Source: none, chosen by the farm: (demand - supply) / (heal x 0.85), rounded up.
    """
    if short_pieces <= DUST:
        return 0
    return ceil(short_pieces / (heal_share * ready_share) - DUST)


@dataclass(frozen=True, slots=True)
class CutWeek:
    """What one ship week wants cut. [pieces]"""

    monday: date
    cut_by_on: date
    demand_pieces: float
    supply_pieces: float
    cut_pieces: int


def cut_weeks(
    *,
    weeks: Sequence[tuple[date, date | None, float, float]],
    heal_share: float,
    ready_share: float = 0.85,
) -> list[CutWeek]:
    """Go through the weeks: what is there for each after those before it, and what to cut for it.

    Parameters
    ----------
    weeks : sequence of (monday, cut_by_on, demand, supply)
        In order from the present one. ``cut_by_on`` is None where no cut is in time any more;
        supply is all that stands ready by then, nothing sold. [pieces]
    heal_share, ready_share : float
        Shares of a cut that live, and that are ready by the later of the two dates.

    Returns
    -------
    list of CutWeek
        Only weeks that want a cut which is still in time.

    Source
    ------
    None, chosen by the farm.
    """
    found: list[CutWeek] = []
    sold = planned = 0.0
    for monday, cut_by_on, demand, supply in weeks:
        there = max(0.0, supply + planned - sold)
        short = max(0.0, demand - there)
        # What cannot be served is not sold, and does not weigh on the weeks after.
        sold += demand if cut_by_on is not None else min(demand, there)
        if cut_by_on is None or short <= DUST:
            continue
        cut = pieces_to_cut(short_pieces=short, heal_share=heal_share, ready_share=ready_share)
        planned += cut * heal_share * ready_share
        found.append(CutWeek(monday, cut_by_on, demand, there, cut))
    return found
