"""Light that reaches a tray, the growing days it makes, and when a lot is likely ready.

All lots are reckoned at once: one running sum of light for each distinct light index and shade, and
one search in it for each lot.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inventory.calc.daylight import SOLAR_CONSTANT_MJ_M2_MIN

# Of sunlight's energy 0.45 is light that plants use; a megajoule of that is 4.57 mol of photons.
MOL_PER_MJ = 2.06
DUST = 1e-9


@dataclass(frozen=True, slots=True)
class LightRule:
    """How light becomes growth. The farm has no meters: a gentle guess, learned from its lots.

    ``clearness`` holds a share for each month, January first.
    """

    latitude_deg: float
    clearness: tuple[float, ...]
    glaze_share: float = 0.62
    reference_dli: float = 15.0
    least_factor: float = 0.40
    most_factor: float = 1.20


def radiation_mj_m2(*, latitude_deg: float, day_of_year: ArrayLike) -> NDArray[np.float64]:
    """Sunlight on a level square metre outside the air, for many days at once.

    Parameters
    ----------
    latitude_deg : float
        North is positive. [degree, -90 to 90]
    day_of_year : array, shape (n_days,)
        1 for 1 January. [day]

    Returns
    -------
    array, shape (n_days,)
        [MJ/m2/day]

    Source
    ------
    Allen, Pereira, Raes, Smith, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56,
    1998, equations 21 to 25.
    """
    day = np.asarray(day_of_year, dtype=float)
    latitude = np.radians(latitude_deg)
    distance = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    declination = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    angle = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1, 1))
    height = angle * np.sin(latitude) * np.sin(declination)
    height += np.cos(latitude) * np.cos(declination) * np.sin(angle)
    radiation: NDArray[np.float64] = 24 * 60 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * height
    return radiation


def daily_light_mol_m2(
    *,
    radiation: ArrayLike,
    clearness: ArrayLike,
    glaze_share: float,
    shade_share: ArrayLike = 0.0,
    place_index: ArrayLike = 1.0,
) -> NDArray[np.float64]:
    """Photons that reach a tray in a day.

    Parameters
    ----------
    radiation : array, shape (n_days,)
        Outside the air. [MJ/m2/day]
    clearness : array, shape (n_days,)
        Share that reaches the ground. [0 to 1]
    glaze_share : float
        Share that the roof lets through. [0 to 1]
    shade_share, place_index : array, broadcast
        Share that cloth keeps off [0 to 1]; the trough's light by the grower's eye [0.4 to 1.3].

    Returns
    -------
    array
        [mol/m2/day]

    Source
    ------
    Share and photons of the light plants use: usual values, from memory; the other shares are the
    farm's own.
    """
    light = np.asarray(radiation, dtype=float) * np.asarray(clearness, dtype=float)
    shaded = 1 - np.asarray(shade_share, dtype=float)
    result: NDArray[np.float64] = (
        light * MOL_PER_MJ * glaze_share * shaded * np.asarray(place_index, dtype=float)
    )
    return result


def growth_factor(
    *,
    light_mol_m2: ArrayLike,
    reference_dli: float = 15.0,
    least_factor: float = 0.40,
    most_factor: float = 1.20,
) -> NDArray[np.float64]:
    """Growing days that one day of a given light is worth: a square root between two limits.

    Parameters
    ----------
    light_mol_m2 : array
        [mol/m2/day]
    reference_dli : float
        Light under which one day counts as one. [mol/m2/day]

    Returns
    -------
    array
        [day per day]

    Source
    ------
    None, chosen by the farm: halving the light costs 29 % of growth.
    """
    share = np.asarray(light_mol_m2, dtype=float) / reference_dli
    factor: NDArray[np.float64] = np.clip(np.sqrt(share), least_factor, most_factor)
    return factor


def temperature_factor(*, water_c: ArrayLike) -> NDArray[np.float64]:
    """Growth at a water temperature: 1 from 24.5 to 27.5 C, 4 % less a degree outside.

    Source: none, chosen by the farm. Where nothing was logged the factor is 1.
    """
    water = np.asarray(water_c, dtype=float)
    outside = np.maximum(24.5 - water, 0) + np.maximum(water - 27.5, 0)
    factor: NDArray[np.float64] = np.where(
        np.isnan(water), 1.0, np.maximum(1 - 0.04 * np.nan_to_num(outside), 0)
    )
    return factor


@dataclass(frozen=True, slots=True)
class ReadyDates:
    """Days since ``begin_on``; -1 where the horizon is too short. Shape (n_lots,)."""

    begin_on: date
    p50_day: NDArray[np.int64]
    p80_day: NDArray[np.int64]

    def p50_on(self, index: int) -> date | None:
        return self._on(self.p50_day[index])

    def p80_on(self, index: int) -> date | None:
        return self._on(self.p80_day[index])

    def _on(self, day: Any) -> date | None:
        return self.begin_on + timedelta(days=int(day)) if day >= 0 else None


def growing_days(
    *,
    begin_on: date,
    days: int,
    rule: LightRule,
    place_index: ArrayLike,
    shade: Sequence[ArrayLike],
    water_c: Sequence[ArrayLike] | None = None,
) -> NDArray[np.float64]:
    """Running sums of growing days, one row for each distinct place.

    Parameters
    ----------
    begin_on : date
        The first day of the sums.
    days : int
        How many days. [day]
    rule : LightRule
        Latitude, clearness by month, roof, and the growth response.
    place_index : array, shape (n_places,)
        Light index of each place. [0.4 to 1.3]
    shade : sequence of array, n_places rows of shape (days,)
        Share kept off by cloth on each day. [0 to 1]
    water_c : sequence of array, n_places rows of shape (days,), optional
        Water on each day, not a number where nothing was logged. [deg C]

    Returns
    -------
    array, shape (n_places, days)
        Sum of the factors up to and including each day. [day]

    Raises
    ------
    ValueError
        If there are not twelve clearnesses, or no days.
    """
    if len(rule.clearness) != 12 or days < 1:
        raise ValueError("Give twelve clearnesses and at least one day")
    calendar = [begin_on + timedelta(days=ahead) for ahead in range(days)]
    day_numbers = np.array([on.timetuple().tm_yday for on in calendar])
    clearness = np.array([rule.clearness[on.month - 1] for on in calendar])
    radiation = radiation_mj_m2(latitude_deg=rule.latitude_deg, day_of_year=day_numbers)
    light = daily_light_mol_m2(
        radiation=radiation[None, :],
        clearness=clearness[None, :],
        glaze_share=rule.glaze_share,
        shade_share=np.asarray(shade, dtype=float).reshape(-1, days),
        place_index=np.asarray(place_index, dtype=float)[:, None],
    )
    factors = growth_factor(
        light_mol_m2=light,
        reference_dli=rule.reference_dli,
        least_factor=rule.least_factor,
        most_factor=rule.most_factor,
    )
    if water_c is not None:
        factors *= temperature_factor(water_c=np.asarray(water_c, dtype=float).reshape(-1, days))
    sums: NDArray[np.float64] = np.cumsum(factors, axis=1)
    return sums


def ready_dates(
    *,
    begin_on: date,
    sums: NDArray[np.float64],
    place: ArrayLike,
    cut_day: ArrayLike,
    reference_days: ArrayLike,
    p80_factor: ArrayLike = 1.12,
) -> ReadyDates:
    """When each lot has had its growing days: P50, and P80 with a margin. All lots at once.

    Parameters
    ----------
    begin_on : date
        Day 0 of the sums.
    sums : array, shape (n_places, n_days)
        Running sums of `growing_days`.
    place : array of int, shape (n_lots,)
        Row of ``sums`` under which each lot stands.
    cut_day : array of int, shape (n_lots,)
        Days from ``begin_on`` to the cut; growth begins on the day after. [day]
    reference_days : array, shape (n_lots,)
        Growing days that the lot's strain and form need. [day]
    p80_factor : float or array, shape (n_lots,)
        How many times that until 8 of 10 lots are ready.

    Returns
    -------
    ReadyDates
        The first day on which the sum reaches the need.

    Source
    ------
    None, chosen by the farm; learned from its own lots.
    """
    rows, cut = np.asarray(place, dtype=int), np.asarray(cut_day, dtype=int)
    need = np.asarray(reference_days, dtype=float)
    before = np.where(cut >= 0, sums[rows, np.maximum(cut, 0)], 0.0)
    p50 = _first_day(sums, rows, before + need)
    p80 = _first_day(sums, rows, before + need * np.asarray(p80_factor, dtype=float))
    return ReadyDates(begin_on, p50, p80)


def _first_day(
    sums: NDArray[np.float64], rows: NDArray[np.int64], wanted: NDArray[np.float64]
) -> NDArray[np.int64]:
    """The first day on which each lot's row reaches what it wants; -1 beyond the horizon.

    Every row is lifted above the one before it, so that one search serves all rows.
    """
    days = sums.shape[1]
    step = float(sums[:, -1].max()) + float(wanted.max(initial=0)) + 1
    lifted = (sums + step * np.arange(len(sums))[:, None]).ravel()
    found = np.searchsorted(lifted, wanted - DUST + step * rows) - rows * days
    result: NDArray[np.int64] = np.where(found < days, found, -1)
    return result


def learned_days(*, reference_days: float, ratios: Sequence[float]) -> float:
    """Reference days moved towards what the last lots took.

    Parameters
    ----------
    reference_days : float
        As set now. [day]
    ratios : sequence of float
        Growing days at the day a grower graded a lot ready, over the reference; the newest twelve
        count.

    Returns
    -------
    float
        reference x (4 + sum of ratios) / (4 + n). [day]

    Source
    ------
    None, chosen by the farm: the present value weighs as four lots.
    """
    newest = list(ratios)[-12:]
    return reference_days * (4 + sum(newest)) / (4 + len(newest))
