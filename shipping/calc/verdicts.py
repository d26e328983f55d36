"""Lines, guards and the rule of thumb: what makes a packing clear, care, stop or barred."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from shipping.calc.weather import LaneDay, legs_met

VERDICTS = ("clear", "care", "stop")


@dataclass(frozen=True, slots=True)
class Limits:
    """Lines for the water in a box; the strictest of its contents. [deg C]"""

    caution_low_c: float
    caution_high_c: float
    stop_low_c: float
    stop_high_c: float


@dataclass(frozen=True, slots=True)
class Guards:
    """Hard guards, before any model. Common practice and the farm's own."""

    no_heat_door_from_c: float = 27.0
    no_cool_hub_below_c: float = 5.0
    door_least_c: float = -30.0
    door_most_c: float = 43.0
    most_gel_packs: int = 2


def strictest(*, limits: Sequence[Limits]) -> Limits:
    """The strictest lines of all that lies in a box."""
    return Limits(
        caution_low_c=max(row.caution_low_c for row in limits),
        caution_high_c=min(row.caution_high_c for row in limits),
        stop_low_c=max(row.stop_low_c for row in limits),
        stop_high_c=min(row.stop_high_c for row in limits),
    )


def tighter(*, limits: Limits, by_c: float) -> Limits:
    """Both caution lines drawn in; never past each other, and the stop lines stay. [deg C]"""
    middle = (limits.caution_low_c + limits.caution_high_c) / 2
    return replace(
        limits,
        caution_low_c=min(limits.caution_low_c + by_c, middle),
        caution_high_c=max(limits.caution_high_c - by_c, middle),
    )


def deliveries(*, day: LaneDay) -> tuple[str, ...]:
    """The ways a lane can deliver; a collected one is always a depot."""
    if day.is_collected:
        return ("depot",)
    return ("door", "depot") if day.is_depot_allowed else ("door",)


def pack_sets(*, most_heat: int, most_gel: int) -> list[tuple[int, int]]:
    """Heat packs or gel packs, never mixed: the sets that are tried."""
    return [(heat, 0) for heat in range(most_heat + 1)] + [
        (0, gel) for gel in range(1, most_gel + 1)
    ]


def verdict_of(
    *,
    base: tuple[float, float],
    shifted: tuple[float, float],
    late: tuple[float, float],
    limits: Limits,
) -> str:
    """Clear, care or stop for one packing. Limits are inclusive and compared unrounded.

    Clear: base and shifted inside the caution lines, late inside the stop lines. Care: base inside
    caution, shifted inside stop, but a caution line or the late case is broken. Stop: all else.

    Source: none, chosen by the farm.
    """
    caution = (limits.caution_low_c, limits.caution_high_c)
    stop = (limits.stop_low_c, limits.stop_high_c)
    if not _inside(base, caution) or not _inside(shifted, stop):
        return "stop"
    return "clear" if _inside(shifted, caution) and _inside(late, stop) else "care"


def _inside(band: tuple[float, float], lines: tuple[float, float]) -> bool:
    return lines[0] <= band[0] and band[1] <= lines[1]


def barred_words(
    *, delivery: str, heat_packs: int, gel_packs: int, points: Mapping[str, float], guards: Guards
) -> str:
    """Which hard guard bars a packing, in words; empty where none does."""
    midday, morning, hub = points.get("midday"), points.get("morning"), points.get("hub")
    there = [point for point in (morning, midday) if point is not None]
    if delivery == "door" and there:
        if min(there) < guards.door_least_c or max(there) > guards.door_most_c:
            return (
                f"no door delivery below {guards.door_least_c:g} or above {guards.door_most_c:g} °C"
            )
        if heat_packs and midday is not None and midday >= guards.no_heat_door_from_c:
            return f"no heat pack to a door at {midday:g} °C midday"
    if gel_packs and hub is not None and hub < guards.no_cool_hub_below_c:
        return f"no cool pack through a hub at {hub:g} °C"
    return ""


@dataclass(frozen=True, slots=True)
class ThumbRule:
    """What common practice would do by looking at the day, without a model."""

    act: str
    sentence: str


def thumb_rule(
    *,
    day: LaneDay,
    pack_below_c: float = 10.0,
    hold_below_c: float = -12.0,
    hold_above_c: float = 35.0,
    cool_from_c: float = 27.0,
) -> ThumbRule:
    """The rule of thumb, shown beside the model. Common practice, no source."""
    midday, morning = day.points.get("midday"), day.points.get("morning")
    coldest = min(leg.outside_c for leg in legs_met(day=day, delivery=deliveries(day=day)[0]))
    if midday is not None and morning is not None:
        if min(midday, morning) < hold_below_c or midday > hold_above_c:
            return ThumbRule("hold", f"hold: {morning:g} to {midday:g} °C at the door")
        if midday >= cool_from_c:
            return ThumbRule("cool", f"cool pack: {midday:g} °C at midday")
    if coldest < pack_below_c:
        return ThumbRule("heat", f"heat pack: the coldest leg is {coldest:.1f} °C")
    return ThumbRule("none", f"no packs: the coldest leg is {coldest:.1f} °C")
