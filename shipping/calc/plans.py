"""Box, packs, ship mode and weather together: the cheapest box set that survives its way."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from shipping.calc.boxes import BagItem, BoxLimits, BoxSize, FilledBox, box_sets
from shipping.calc.heat import (
    Case,
    Floats,
    HeatSettings,
    heat_j_per_k,
    loss_w_per_k,
    outside_steps,
    simulate,
)
from shipping.calc.verdicts import (
    VERDICTS,
    Guards,
    Limits,
    barred_words,
    deliveries,
    pack_sets,
    strictest,
    verdict_of,
)
from shipping.calc.weather import LaneDay, legs_met


@dataclass(frozen=True, slots=True)
class Option:
    """One way to pack and deliver a box, and what becomes of its water. [deg C]"""

    delivery: str
    heat_packs: int
    gel_packs: int
    base: tuple[float, float]
    shifted: tuple[float, float]
    late: tuple[float, float]
    late_margin: float
    verdict: str
    barred: str = ""

    @property
    def packs(self) -> int:
        return self.heat_packs + self.gel_packs

    @property
    def words(self) -> str:
        inside = "no packs"
        if self.heat_packs:
            inside = f"{self.heat_packs} heat"
        if self.gel_packs:
            inside = f"{self.gel_packs} cool"
        return f"{inside}, {self.delivery}"


@dataclass(frozen=True, slots=True)
class PackedBox:
    filled: FilledBox
    option: Option
    limits: Limits


@dataclass(frozen=True, slots=True)
class PackChoice:
    """One set of boxes with the best packing of each, all delivered one way."""

    boxes: tuple[PackedBox, ...]
    delivery: str
    verdict: str
    late_margin: float
    money: Decimal
    is_barred: bool


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """The choice and everything that was tried on the way to it. None where no box set fits."""

    choice: PackChoice | None
    tried: tuple[PackChoice, ...]
    options: tuple[Option, ...]


CostOf = Callable[[Sequence[FilledBox], int, int], Decimal]


def plan_order(
    *,
    bags: Sequence[BagItem],
    sizes: Sequence[BoxSize],
    limits_by_class: Mapping[str, Limits],
    day: LaneDay,
    cost_of: CostOf,
    heat: HeatSettings,
    box_limits: BoxLimits,
    guards: Guards,
    shift_c: float = 3.0,
    has_holes: bool = True,
) -> PlanOutcome:
    """Choose boxes, packs and delivery for one order against one forecast.

    Every set of boxes is filled, every packing of each box is run along the lane four times (as
    forecast, shifted both ways, a day late). Of the sets the best worst-box verdict counts first,
    then that no depot is needed, then the lowest money. Within a box: best verdict, then fewest
    packs; among care and stop the largest late margin instead. All boxes are delivered one way.

    Parameters
    ----------
    bags : sequence of BagItem, shape (n_bags,)
        In order-line order.
    sizes : sequence of BoxSize
        The box sizes there are.
    limits_by_class : mapping of class to Limits
        [deg C]
    day : LaneDay
        The lane and its forecast.
    cost_of : callable
        Money of filled boxes with heat and gel packs.
    shift_c : float
        How far the forecast may be off. [K]
    has_holes : bool
        Whether the liner is punched; without holes a pack gives almost no heat.

    Returns
    -------
    PlanOutcome
        Where every set stops, the one with the largest late margin, verdict "stop".

    Raises
    ------
    ValueError
        If there are no bags.

    Source
    ------
    None, chosen by the farm; heat as in shipping.calc.heat.
    """
    if not bags:
        raise ValueError("An order without bags needs no boxes")
    bench = _Bench(limits_by_class, day, heat, guards, shift_c, has_holes)
    tried: list[PackChoice] = []
    options: list[Option] = []
    for filled in box_sets(sizes=sizes, bags=bags, limits=box_limits):
        for choice in bench.choices(filled, cost_of):
            tried.append(choice)
    best = min(tried, key=_set_rank, default=None)
    if best is not None:
        options = [row for box in best.boxes for row in bench.options(box.filled)]
    return PlanOutcome(best, tuple(tried), tuple(options))


def _set_rank(choice: PackChoice) -> tuple[object, ...]:
    rank = VERDICTS.index(choice.verdict)
    # Where all stop nothing is printed as a plan; the set that comes closest is shown.
    margin = -choice.late_margin if choice.verdict == "stop" else 0.0
    return (
        choice.is_barred,
        rank,
        margin,
        choice.delivery == "depot",
        choice.money,
        len(choice.boxes),
    )


class _Bench:
    """Runs the options of a box once for each size and water it meets."""

    def __init__(
        self,
        limits_by_class: Mapping[str, Limits],
        day: LaneDay,
        heat: HeatSettings,
        guards: Guards,
        shift_c: float,
        has_holes: bool,
    ) -> None:
        self.limits_by_class = limits_by_class
        self.day = day
        self.heat = heat
        self.guards = guards
        self.has_holes = has_holes
        self.airs = {
            delivery: airs_of(day=day, delivery=delivery, shift_c=shift_c, heat=heat)
            for delivery in deliveries(day=day)
        }
        self.known: dict[tuple[str, float, Limits], list[Option]] = {}

    def limits_of(self, filled: FilledBox) -> Limits:
        classes = {bag.strain_class for bag in filled.bags}
        return strictest(limits=[self.limits_by_class[name] for name in sorted(classes)])

    def options(self, filled: FilledBox) -> list[Option]:
        limits = self.limits_of(filled)
        key = (filled.size.code, filled.water_l, limits)
        if key not in self.known:
            self.known[key] = self._run(filled, limits)
        return self.known[key]

    def _run(self, filled: FilledBox, limits: Limits) -> list[Option]:
        packings = [
            (delivery, heat, gel)
            for delivery in self.airs
            for heat, gel in pack_sets(
                most_heat=filled.size.max_heat_packs, most_gel=self.guards.most_gel_packs
            )
        ]
        cases = [
            Case(air, heat, gel, self.has_holes)
            for delivery, heat, gel in packings
            for air in self.airs[delivery]
        ]
        runs = simulate(
            cases=cases,
            loss_w_k=loss_w_per_k(
                inner_area_m2=filled.size.inner_area_m2,
                foam_m=filled.size.foam_cm / 100,
                settings=self.heat,
            ),
            heat_j_k=heat_j_per_k(water_l=filled.water_l, settings=self.heat),
            settings=self.heat,
        )
        return [
            self._option(packing, runs[4 * index : 4 * index + 4], limits)
            for index, packing in enumerate(packings)
        ]

    def _option(
        self, packing: tuple[str, int, int], runs: Sequence[Floats], limits: Limits
    ) -> Option:
        delivery, heat, gel = packing
        base, cold, hot, late = ((float(run.min()), float(run.max())) for run in runs)
        return Option(
            delivery=delivery,
            heat_packs=heat,
            gel_packs=gel,
            base=base,
            shifted=(cold[0], hot[1]),
            late=late,
            late_margin=min(late[0] - limits.stop_low_c, limits.stop_high_c - late[1]),
            verdict=verdict_of(base=base, shifted=(cold[0], hot[1]), late=late, limits=limits),
            barred=barred_words(
                delivery=delivery,
                heat_packs=heat,
                gel_packs=gel,
                points=self.day.points,
                guards=self.guards,
            ),
        )

    def choices(self, filled: Sequence[FilledBox], cost_of: CostOf) -> list[PackChoice]:
        """The best packing of a set for each way of delivery."""
        return [self._choice(filled, delivery, cost_of) for delivery in self.airs]

    def _choice(self, filled: Sequence[FilledBox], delivery: str, cost_of: CostOf) -> PackChoice:
        boxes = []
        for box in filled:
            options = [row for row in self.options(box) if row.delivery == delivery]
            boxes.append(PackedBox(box, min(options, key=_option_rank), self.limits_of(box)))
        chosen = [box.option for box in boxes]
        return PackChoice(
            boxes=tuple(boxes),
            delivery=delivery,
            verdict=max((row.verdict for row in chosen), key=VERDICTS.index),
            late_margin=min(row.late_margin for row in chosen),
            money=cost_of(
                filled,
                sum(row.heat_packs for row in chosen),
                sum(row.gel_packs for row in chosen),
            ),
            is_barred=any(row.barred for row in chosen),
        )


def _option_rank(option: Option) -> tuple[object, ...]:
    """A barred packing is never taken while another stands."""
    margin = 0.0 if option.verdict == "clear" else -option.late_margin
    return (
        bool(option.barred),
        VERDICTS.index(option.verdict),
        margin,
        option.packs,
        option.gel_packs,
    )


def airs_of(
    *, day: LaneDay, delivery: str, shift_c: float, heat: HeatSettings
) -> tuple[Floats, Floats, Floats, Floats]:
    """The air of the four cases: as forecast, colder, warmer, a day late."""
    base, cold, hot, late = (
        outside_steps(
            legs=legs_met(day=day, delivery=delivery, shift_c=shift, is_late=is_late),
            settings=heat,
        )
        for shift, is_late in ((0.0, False), (-shift_c, False), (shift_c, False), (0.0, True))
    )
    return base, cold, hot, late


def model_act(*, choice: PackChoice) -> str:
    """What the model does, in the thumb rule's words."""
    if choice.verdict == "stop":
        return "hold"
    if any(box.option.heat_packs for box in choice.boxes):
        return "heat"
    return "cool" if any(box.option.gel_packs for box in choice.boxes) else "none"


def curves_of(
    *,
    box: PackedBox,
    day: LaneDay,
    heat: HeatSettings,
    shift_c: float,
    has_holes: bool,
    every: int = 3,
) -> dict[str, object]:
    """The four runs of a packed box for drawing, thinned to every third step. [deg C, h]"""
    option, filled = box.option, box.filled
    airs = airs_of(day=day, delivery=option.delivery, shift_c=shift_c, heat=heat)
    runs = simulate(
        cases=[Case(air, option.heat_packs, option.gel_packs, has_holes) for air in airs],
        loss_w_k=loss_w_per_k(
            inner_area_m2=filled.size.inner_area_m2,
            foam_m=filled.size.foam_cm / 100,
            settings=heat,
        ),
        heat_j_k=heat_j_per_k(water_l=filled.water_l, settings=heat),
        settings=heat,
    )
    legs, start = [], 0.0
    for leg in legs_met(day=day, delivery=option.delivery):
        legs.append([leg.name, start, start + leg.hours])
        start += leg.hours
    names = ("base", "cold", "hot", "late")
    curves: dict[str, object] = {
        name: [float(value) for value in np.round(run[::every], 2)]
        for name, run in zip(names, runs, strict=True)
    }
    return curves | {"step_h": every * heat.step_s / 3600, "legs": legs}
