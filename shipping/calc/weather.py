"""The air a box meets: a lane's legs against the named temperatures of a forecast."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Leg:
    """Hours at share x point + fixed share x fixed temperature; ``shift_share`` of any shift.

    ``mode`` says for which delivery it counts: both, door, depot, or late for the day lost.
    ``rule`` "van" warms the point as a delivery van does.
    """

    name: str
    hours: float
    mode: str = "both"
    share: float = 0.0
    point: str = ""
    fixed_share: float = 0.0
    fixed_c: float = 0.0
    shift_share: float = 0.0
    rule: str = ""


@dataclass(frozen=True, slots=True)
class LaneDay:
    """A lane on one ship day: its legs, its forecast by named point, and what it allows. [deg C]"""

    legs: tuple[Leg, ...]
    points: Mapping[str, float]
    is_sunny: bool = False
    is_depot_allowed: bool = False
    is_collected: bool = False


@dataclass(frozen=True, slots=True)
class Met:
    """One leg as it is met. [h, deg C]"""

    name: str
    hours: float
    outside_c: float


def missing_points(*, day: LaneDay) -> tuple[str, ...]:
    """Named temperatures that the lane's legs need and its forecast lacks, in name order."""
    wanted: set[str] = set()
    for leg in day.legs:
        if leg.point:
            wanted |= {"morning", "midday"} if leg.point == "mean" else {leg.point}
        if leg.rule == "van":
            wanted.add("midday")
    return tuple(sorted(wanted - set(day.points)))


COLD_VAN_BELOW_C = 10.0
COLD_VAN_WARMER_C = 6.0
SUNNY_VAN_WARMER_C = 8.0


def legs_met(
    *, day: LaneDay, delivery: str, shift_c: float = 0.0, is_late: bool = False
) -> list[Met]:
    """The legs of one delivery with the air outside the box in each.

    Parameters
    ----------
    day : LaneDay
        The lane and its forecast.
    delivery : str
        "door" or "depot".
    shift_c : float
        Added to the forecast's own points; flights and shelter stay. [K]
    is_late : bool
        With the leg of a day lost, before the last one.

    Returns
    -------
    list of Met
        In the order they are met.

    Raises
    ------
    KeyError
        If the forecast lacks a point that a leg needs.

    Source
    ------
    Shares chosen by the farm, to be learned from temperature loggers.
    """
    modes = {"both", delivery} | ({"late"} if is_late else set())
    return [
        Met(leg.name, leg.hours, _leg_c(leg, day) + leg.shift_share * shift_c)
        for leg in day.legs
        if leg.mode in modes
    ]


def _leg_c(leg: Leg, day: LaneDay) -> float:
    fixed = leg.fixed_share * leg.fixed_c
    if not leg.point:
        return fixed
    if leg.point == "mean":
        point_c = (day.points["morning"] + day.points["midday"]) / 2
    else:
        point_c = day.points[leg.point]
    if leg.rule == "van":
        # Judged on the forecast as issued, whatever the case shifts.
        point_c += _van_warmer_c(day.points["midday"], day.is_sunny)
    return leg.share * point_c + fixed


def _van_warmer_c(midday_c: float, is_sunny: bool) -> float:
    if midday_c < COLD_VAN_BELOW_C:
        return COLD_VAN_WARMER_C
    return SUNNY_VAN_WARMER_C if is_sunny else 0.0
