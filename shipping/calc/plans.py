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
from shipping.calc.weather import LaneDay, legs_met, missing_points


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
    """One set of boxes with the best packing of each, all delivered one way.

    The verdict is the worst box's, and stop where a guard bars it, whatever the model says.
    """

    boxes: tuple[PackedBox, ...]
    delivery: str
    verdict: str
    late_margin: float
    money: Decimal
    is_barred: bool


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """The choice and everything that was tried on the way to it.

    No choice where the forecast lacks a temperature or no box set fits; ``reason`` says which.
    """

    choice: PackChoice | None
    tried: tuple[PackChoice, ...]
    options: tuple[Option, ...]
    reason: str = ""


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
        Where every set stops or is barred, the one with the largest late margin, verdict "stop".
        Without a choice where the forecast lacks a temperature or no box set fits.

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
    missing = missing_points(day=day)
    if missing:
        return PlanOutcome(None, (), (), f"The forecast has no {' and no '.join(missing)}.")
    sets = list(box_sets(sizes=sizes, bags=bags, limits=box_limits))
    if not sets:
        return PlanOutcome(None, (), (), "No set of boxes carries these bags.")
    bench = _Bench(limits_by_class, day, heat, guards, shift_c, has_holes)
    bench.run(sets)
    tried = [choice for filled in sets for choice in bench.choices(filled, cost_of)]
    best = min(tried, key=_set_rank)
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


Band = tuple[float, float]
Packing = tuple[str, int, int]
# Boxes run at once: many, since each step of the model costs about the same for one or a thousand
# cases; not all, since an order of forty boxes would fill the machine's memory.
BOXES_AT_ONCE = 64


class _Bench:
    """Runs the packings of a box once for each size and water it meets."""

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
        self.bands: dict[tuple[str, float], list[tuple[Packing, list[Band]]]] = {}
        self.known: dict[tuple[str, float, Limits], list[Option]] = {}

    def limits_of(self, filled: FilledBox) -> Limits:
        classes = {bag.strain_class for bag in filled.bags}
        return strictest(limits=[self.limits_by_class[name] for name in sorted(classes)])

    def options(self, filled: FilledBox) -> list[Option]:
        limits = self.limits_of(filled)
        key = (filled.size.code, filled.water_l, limits)
        if key not in self.known:
            bands = self.bands[filled.size.code, filled.water_l]
            self.known[key] = [self._option(packing, four, limits) for packing, four in bands]
        return self.known[key]

    def run(self, sets: Sequence[Sequence[FilledBox]]) -> None:
        """Run every packing of every box of these sets along the lane."""
        boxes = {(box.size.code, box.water_l): box.size for filled in sets for box in filled}
        rows = list(boxes.items())
        for start in range(0, len(rows), BOXES_AT_ONCE):
            self._run(rows[start : start + BOXES_AT_ONCE])

    def _run(self, boxes: Sequence[tuple[tuple[str, float], BoxSize]]) -> None:
        jobs = [(key, size, packing) for key, size in boxes for packing in self._packings(size)]
        cases = [
            Case(air, heat, gel, self.has_holes)
            for _, _, (delivery, heat, gel) in jobs
            for air in self.airs[delivery]
        ]
        loss_w_k = [self._loss_w_k(size) for _, size, _ in jobs]
        heat_j_k = [heat_j_per_k(water_l=key[1], settings=self.heat) for key, _, _ in jobs]
        runs = simulate(
            cases=cases,
            loss_w_k=np.repeat(loss_w_k, 4),
            heat_j_k=np.repeat(heat_j_k, 4),
            settings=self.heat,
        )
        for index, (key, _, packing) in enumerate(jobs):
            four = runs[4 * index : 4 * index + 4]
            bands = [(float(run.min()), float(run.max())) for run in four]
            self.bands.setdefault(key, []).append((packing, bands))

    def _packings(self, size: BoxSize) -> list[Packing]:
        packs = pack_sets(most_heat=size.max_heat_packs, most_gel=self.guards.most_gel_packs)
        return [(delivery, heat, gel) for delivery in self.airs for heat, gel in packs]

    def _loss_w_k(self, size: BoxSize) -> float:
        return loss_w_per_k(
            inner_area_m2=size.inner_area_m2, foam_m=size.foam_cm / 100, settings=self.heat
        )

    def _option(self, packing: Packing, bands: Sequence[Band], limits: Limits) -> Option:
        delivery, heat, gel = packing
        base, cold, hot, late = bands
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
        is_barred = any(row.barred for row in chosen)
        return PackChoice(
            boxes=tuple(boxes),
            delivery=delivery,
            verdict="stop" if is_barred else max((r.verdict for r in chosen), key=VERDICTS.index),
            late_margin=min(row.late_margin for row in chosen),
            money=cost_of(
                filled,
                sum(row.heat_packs for row in chosen),
                sum(row.gel_packs for row in chosen),
            ),
            is_barred=is_barred,
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
