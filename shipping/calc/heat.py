"""A packed box along its way as one lump of water: heat through the foam, from and into packs."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shipping.calc.weather import Met

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HeatSettings:
    """The numbers of the model. Defaults chosen by the farm, to be learned from loggers."""

    area_factor: float = 1.10
    foam_k_w_m_k: float = 0.036
    film_r_m2_k_w: float = 0.33
    water_heat_j_l_k: float = 4093.0
    box_heat_j_k: float = 900.0
    start_c: float = 25.5
    step_s: float = 300.0
    pack_w: float = 2.8
    pack_life_h: float = 72.0
    short_pack_w: float = 4.0
    short_pack_life_h: float = 40.0
    pack_wait_h: float = 0.5
    pack_ramp_h: float = 1.0
    air_heat_kj_l: float = 4.705
    air_holes_l_h: float = 8.0
    air_taped_l_h: float = 0.5
    gel_w_k: float = 0.25
    gel_kj: float = 165.0


def loss_w_per_k(*, inner_area_m2: float, foam_m: float, settings: HeatSettings) -> float:
    """Heat through the walls for each kelvin between water and air.

    Parameters
    ----------
    inner_area_m2 : float
        Area of the inner faces. Over zero. [m2]
    foam_m : float
        Thickness of the wall. Over zero. [m]
    settings : HeatSettings
        Conductivity, films, and the factor from inner to mean area.

    Returns
    -------
    float
        [W/K]

    Raises
    ------
    ValueError
        If an area or thickness is zero or less.

    Source
    ------
    Plane walls in series; conductivity of expanded polystyrene as tested, ASTM C578 types I to IX
    0.033 to 0.038 W/(m K).
    """
    if inner_area_m2 <= 0 or foam_m <= 0:
        raise ValueError(f"Area {inner_area_m2} and foam {foam_m} must be over zero")
    resistance = foam_m / settings.foam_k_w_m_k + settings.film_r_m2_k_w
    return settings.area_factor * inner_area_m2 / resistance


def heat_j_per_k(*, water_l: float, settings: HeatSettings) -> float:
    """Heat that warms the box's content by one kelvin. [J/K]

    Source: seawater at 25 C, 4.093 MJ/(m3 K), TEOS-10.
    """
    return settings.water_heat_j_l_k * water_l + settings.box_heat_j_k


def air_cap_w(*, has_holes: bool, settings: HeatSettings) -> float:
    """The most that all packs of a box can give, by the fresh air that reaches them. [W]

    Source: 4 Fe + 3 O2 -> 2 Fe2O3, 1652 kJ; 4.7 kJ a litre of air at 25 C.
    """
    air_l_h = settings.air_holes_l_h if has_holes else settings.air_taped_l_h
    return air_l_h * settings.air_heat_kj_l * 1000 / 3600


def outside_steps(*, legs: Sequence[Met], settings: HeatSettings) -> Floats:
    """The air outside at the start of each step, shape (n_steps,). [deg C]"""
    counts = [round(leg.hours * 3600 / settings.step_s) for leg in legs]
    return np.repeat([leg.outside_c for leg in legs], counts).astype(float)


@dataclass(frozen=True, slots=True)
class Case:
    """One run of the model: the air outside and the packs inside.

    Heat packs are the long-lived kind; short ones are a choice by hand.
    """

    outside_c: Floats
    heat_packs: int = 0
    gel_packs: int = 0
    has_holes: bool = True
    short_packs: int = 0


def simulate(
    *,
    cases: Sequence[Case],
    loss_w_k: float | Floats,
    heat_j_k: float | Floats,
    settings: HeatSettings,
) -> list[Floats]:
    """Water temperature at every step of every case, the start included.

    Explicit steps of five minutes; heat is taken at the step's start. A gel pack cools through the
    step in which it is spent, so it may give one step more than its store.

    Parameters
    ----------
    cases : sequence of Case, shape (n_cases,)
        They may differ in length.
    loss_w_k : float or array, shape (n_cases,)
        Of the box, or of the box of each case. [W/K]
    heat_j_k : float or array, shape (n_cases,)
        Of its content. Over zero. [J/K]
    settings : HeatSettings
        Packs, steps, start.

    Returns
    -------
    list of array, each shape (n_steps + 1,)
        [deg C]

    Raises
    ------
    ValueError
        If the content has no heat.

    Source
    ------
    First-order lumped body; pack curve and air cap chosen by the farm.
    """
    if not cases:
        return []
    if np.min(heat_j_k) <= 0:
        raise ValueError(f"A box with {np.min(heat_j_k)} J/K holds nothing")
    lengths = [len(case.outside_c) for case in cases]
    steps = max(lengths)
    outside = _air_of(cases, steps)
    heat_w = _heat_of(cases, steps, settings)
    gels = np.array([case.gel_packs for case in cases], dtype=float)
    temps = np.empty((steps + 1, len(cases)))
    temps[0] = settings.start_c
    spent_j = np.zeros(len(cases))
    for step in range(steps):
        now = temps[step]
        cool = np.where(spent_j < gels * settings.gel_kj * 1000, gels * settings.gel_w_k * now, 0)
        spent_j += cool * settings.step_s
        flow = loss_w_k * (outside[step] - now) + heat_w[step] - cool
        temps[step + 1] = now + flow * settings.step_s / heat_j_k
    return [temps[: length + 1, index] for index, length in enumerate(lengths)]


def _air_of(cases: Sequence[Case], steps: int) -> Floats:
    """The air of all cases, shape (n_steps, n_cases).

    A shorter case goes on at its last air; what follows its end is cut off again.
    """
    outside = np.empty((steps, len(cases)))
    for index, case in enumerate(cases):
        length = len(case.outside_c)
        outside[:length, index] = case.outside_c
        outside[length:, index] = case.outside_c[-1]
    return outside


def _heat_of(cases: Sequence[Case], steps: int, settings: HeatSettings) -> Floats:
    """The packs' heat in all cases, shape (n_steps, n_cases); each set of packs reckoned once."""
    known: dict[tuple[int, int, bool], Floats] = {}
    heat_w = np.empty((steps, len(cases)))
    for index, case in enumerate(cases):
        packs = (case.heat_packs, case.short_packs, case.has_holes)
        if packs not in known:
            known[packs] = _pack_w(case, steps, settings)
        heat_w[:, index] = known[packs]
    return heat_w


def _pack_w(case: Case, steps: int, settings: HeatSettings) -> Floats:
    hours = np.arange(steps) * settings.step_s / 3600
    ramp = np.clip((hours - settings.pack_wait_h) / settings.pack_ramp_h, 0.0, 1.0)
    rated = np.zeros(steps)
    for packs, watts, life_h in (
        (case.heat_packs, settings.pack_w, settings.pack_life_h),
        (case.short_packs, settings.short_pack_w, settings.short_pack_life_h),
    ):
        rated += packs * watts * np.where(hours < life_h, ramp, 0.0)
    # Rated watts need air: all packs of a box share what comes through its liner.
    return np.minimum(rated, air_cap_w(has_holes=case.has_holes, settings=settings))


def exact_steps(*, start_c: float, legs: Sequence[Met], time_constant_h: float) -> list[float]:
    """Water temperature at the end of each leg, exactly: air constant within a leg, no packs.

    The yardstick for the stepper. [deg C]

    Source: first-order ordinary differential equation with constant forcing.
    """
    now, ends = start_c, []
    for leg in legs:
        now = leg.outside_c + (now - leg.outside_c) * float(np.exp(-leg.hours / time_constant_h))
        ends.append(now)
    return ends
