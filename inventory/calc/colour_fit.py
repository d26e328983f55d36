"""The season curve of a strain whose owner loaded none, fitted to its own looks."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from inventory.calc.colour import Look, SeasonCurve
from inventory.calc.daylight import day_length_h, day_of_year


@dataclass(frozen=True, slots=True)
class SeasonPrior:
    """What is thought of a curve before a look is taken, and how far off that may be.

    Chosen by the farm, no source. ``grade_spread`` is how far one day's grade lies off the curve.
    """

    n50_h: float = 12.2
    k_per_h: float = 2.2
    lag_days: float = 25.0
    n50_spread_h: float = 1.2
    k_spread_per_h: float = 0.8
    lag_spread_days: float = 10.0
    grade_spread: float = 0.5


# What is tried. A step is far below what looks can tell apart.
N50_H = np.arange(9.5, 15.01, 0.05)
K_PER_H = np.arange(0.6, 4.61, 0.2)
LAG_DAYS = np.arange(0, 61, 5)


def fit_season(
    *, looks: Iterable[Look], sign: int, latitude_deg: float, prior: SeasonPrior | None = None
) -> SeasonCurve | None:
    """The curve that lies closest to the looks and to what is thought of curves beforehand.

    Least squares over 4 / (1 + exp(-sign k (N(d - lag) - n50))), each day's mean grade once; what
    is known beforehand counts like looks of its own, so that two looks move the curve and do not
    make it. Every combination of a fixed grid is tried: the same looks give the same curve.

    Parameters
    ----------
    looks : iterable of Look
        Grades 0 to 4, in any order.
    sign : int
        1 where colour goes in winter, -1 where it goes in summer.
    latitude_deg : float
        North is positive. [degree]
    prior : SeasonPrior, optional
        The farm's own by default.

    Returns
    -------
    SeasonCurve or None
        None without a look.

    Source
    ------
    None, chosen by the farm; ridge towards a prior is textbook practice.
    """
    days, grades = _day_means(looks)
    if not days:
        return None
    prior = prior or SeasonPrior()
    best: tuple[float, float, float, int] | None = None
    n50, k = N50_H[:, None], K_PER_H[None, :]
    far = ((n50 - prior.n50_h) / prior.n50_spread_h) ** 2
    far = far + ((k - prior.k_per_h) / prior.k_spread_per_h) ** 2
    for lag in LAG_DAYS:
        length = _lengths(days, int(lag), latitude_deg)
        steps = sign * k[..., None] * (length - n50[..., None])
        off = ((4 / (1 + np.exp(-steps)) - grades) / prior.grade_spread) ** 2
        costs = off.sum(axis=-1) + far + ((lag - prior.lag_days) / prior.lag_spread_days) ** 2
        row, column = divmod(int(costs.argmin()), K_PER_H.size)
        cost = float(costs[row, column])
        if best is None or cost < best[0]:
            best = (cost, float(N50_H[row]), float(K_PER_H[column]), int(lag))
    assert best is not None
    return SeasonCurve(round(best[1], 2), round(best[2], 2), best[3], sign, latitude_deg)


def _day_means(looks: Iterable[Look]) -> tuple[list[date], npt.NDArray[np.float64]]:
    by_day: dict[date, list[float]] = {}
    for look in looks:
        by_day.setdefault(look.on, []).append(look.grade)
    days = sorted(by_day)
    return days, np.array([sum(by_day[on]) / len(by_day[on]) for on in days])


def _lengths(days: Sequence[date], lag_days: int, latitude_deg: float) -> npt.NDArray[np.float64]:
    return np.array(
        [
            day_length_h(
                latitude_deg=latitude_deg, day_of_year=day_of_year(on=on - timedelta(days=lag_days))
            )
            for on in days
        ]
    )


def seasons_seen(
    *,
    looks: Iterable[Look],
    sign: int,
    rest_below: float = 2.0,
    return_from: float = 3.0,
    least_days: int = 6,
) -> int:
    """How many seasons the looks have followed from good colour to bad, or back.

    A season is a year around its bad half: from July where colour goes in winter, from January
    where it goes in summer (of the northern half of the earth). It counts with at least
    ``least_days`` look-days of which one lies below the lower line and one at the upper or above.

    Source: none, chosen by the farm.
    """
    days, grades = _day_means(looks)
    first_month = 7 if sign > 0 else 1
    found: dict[int, list[float]] = {}
    for on, grade in zip(days, grades, strict=True):
        found.setdefault(on.year - (on.month < first_month), []).append(float(grade))
    return sum(
        len(rows) >= least_days and min(rows) < rest_below and max(rows) >= return_from
        for rows in found.values()
    )
