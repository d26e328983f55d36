"""Shortest walk past the trays of one water system, in a block of parallel aisles.

The walk starts and ends at the front of one aisle. Cross aisles join the aisles at both ends, so a
walker changes aisle only at the front or at the back.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from math import ceil, inf

SLOT_STEP_M = 0.6
AISLE_PITCH_M = 2.4
AISLE_LENGTH_M = 14.4

_TOLERANCE_M = 1e-7

# How the walk crosses one aisle: (visits to its front end, visits to its back end, are both ends
# joined inside the aisle). The visits count modulo pairs: 1 is a single pass, 2 a there-and-back.
_Pattern = tuple[int, int, bool]
# What leads into an aisle from its left: passes along the front, passes along the back, joined.
_Link = tuple[int, int, bool]
_LINKS: tuple[_Link, ...] = tuple(
    (front, back, joined)
    for front in range(3)
    for back in range(3)
    for joined in (False, True)
    if not joined or (front and back)
)
_NO_LINK: _Link = (0, 0, False)


@dataclass(frozen=True, slots=True)
class Stop:
    """A tray on the walk; `y_m` is its distance from the front of its aisle."""

    code: str
    aisle: int
    y_m: float
    walk_order: int = 0
    slot: int = 0


@dataclass(frozen=True, slots=True)
class Walk:
    order: tuple[Stop, ...]
    metres: float


def slot_distance_m(*, slot: int) -> float:
    """Distance of a slot from the front of its aisle; slots run front to back in two rows."""
    if slot < 1:
        raise ValueError(f"Slots are numbered from 1, got {slot}")
    return round(SLOT_STEP_M * ceil(slot / 2), 6)


def walk_minutes(
    *, metres: float, trays: int, pieces: int, walk_m_s: float, tray_s: float, piece_s: float
) -> float:
    """Minutes for one walk: the way itself, and some seconds for each tray and each piece.

    Parameters
    ----------
    metres : float
        Length of the walk. Zero or more. [m]
    trays : int
        Trays stopped at.
    pieces : int
        Single pieces taken; a pack of ten is ten.
    walk_m_s : float
        How fast a picker walks. Over zero. [m/s]
    tray_s, piece_s : float
        What a stop and a piece take. [s]

    Returns
    -------
    float
        Time for walking and picking. [min]

    Source
    ------
    None, chosen by the farm.
    """
    return (metres / walk_m_s + tray_s * trays + piece_s * pieces) / 60


def shortest_walk(
    *,
    stops: Iterable[Stop],
    aisle_length_m: float = AISLE_LENGTH_M,
    aisle_pitch_m: float = AISLE_PITCH_M,
    depot_aisle: int = 0,
) -> Walk:
    """The shortest closed walk past all stops, from the front of one aisle and back to it.

    Aisle by aisle, the cheapest way is kept for each manner in which the part to the left can be
    joined to the part to the right; that is exact and linear in the number of aisles. Among walks
    of equal length the one returned comes first by trough walk order, then by slot: each stop in
    turn is the earliest one from which the rest can still be finished in the shortest length.

    Parameters
    ----------
    stops : iterable of Stop
        Trays to stop at; `y_m` from 0 to the aisle length. [m]
    aisle_length_m : float
        From the front cross aisle to the back one. Over zero. [m]
    aisle_pitch_m : float
        Between neighbouring aisles. Over zero. [m]
    depot_aisle : int
        The aisle at whose front the walk starts and ends, numbered as in the stops.

    Returns
    -------
    Walk
        The stops in walking order and the length. [m]

    Raises
    ------
    ValueError
        If a stop lies outside its aisle, or a length is zero or less.

    Source
    ------
    Ratliff, H. D. and Rosenthal, A. S., Order-picking in a rectangular warehouse: a solvable case
    of the traveling salesman problem, Operations Research 31(3), 507-521, 1983. The walk that
    starts inside an aisle, needed to settle ties, is the same programme with one odd vertex.
    """
    waiting = sorted(stops, key=lambda stop: (stop.walk_order, stop.slot, stop.aisle, stop.y_m))
    _check_lengths(waiting, aisle_length_m, aisle_pitch_m)
    if not waiting:
        return Walk((), 0.0)
    block = _Block(aisle_length_m, aisle_pitch_m, depot_aisle)
    length_m = left_m = block.closed_length(waiting)
    here = Stop("", depot_aisle, 0.0)
    order = []
    while waiting:
        here, left_m = block.next_stop(here, waiting, left_m)
        waiting.remove(here)
        order.append(here)
    return Walk(tuple(order), round(length_m, 9))


def _check_lengths(stops: Sequence[Stop], aisle_length_m: float, aisle_pitch_m: float) -> None:
    if aisle_length_m <= 0 or aisle_pitch_m <= 0:
        raise ValueError(f"Aisles of {aisle_length_m} m, {aisle_pitch_m} m apart cannot be walked")
    for stop in stops:
        if not 0 <= stop.y_m <= aisle_length_m + _TOLERANCE_M:
            raise ValueError(f"{stop.code} stands {stop.y_m} m into an aisle of {aisle_length_m} m")


class _Block:
    def __init__(self, aisle_length_m: float, aisle_pitch_m: float, depot_aisle: int) -> None:
        self.length_m = aisle_length_m
        self.pitch_m = aisle_pitch_m
        self.depot_aisle = depot_aisle

    def distance(self, one: Stop, two: Stop) -> float:
        if one.aisle == two.aisle:
            return abs(one.y_m - two.y_m)
        ends = one.y_m + two.y_m
        return abs(one.aisle - two.aisle) * self.pitch_m + min(ends, 2 * self.length_m - ends)

    def closed_length(self, stops: Sequence[Stop]) -> float:
        aisles = self._group_by_aisle(stops)
        return self._sweep(aisles, is_open=False)[-1][_NO_LINK]

    def next_stop(self, here: Stop, waiting: Sequence[Stop], left_m: float) -> tuple[Stop, float]:
        """The first waiting stop, in trough and slot order, that a shortest walk can go to."""
        aisles = self._group_by_aisle(waiting)
        joints = self._price_joints(aisles)
        for stop in waiting:
            ways = _cross_from(aisles[stop.aisle], stop.y_m, self.length_m)
            priced = joints[stop.aisle]
            after_m = min(cost_m + priced[pattern] for pattern, cost_m in ways.items())
            if self.distance(here, stop) + after_m <= left_m + _TOLERANCE_M:
                return stop, after_m
        raise AssertionError("a shortest walk always has a next stop")

    def _group_by_aisle(self, stops: Sequence[Stop]) -> dict[int, list[float]]:
        used = [stop.aisle for stop in stops] + [self.depot_aisle]
        aisles: dict[int, list[float]] = {aisle: [] for aisle in range(min(used), max(used) + 1)}
        for stop in sorted(stops, key=lambda stop: stop.y_m):
            aisles[stop.aisle].append(stop.y_m)
        return aisles

    def _sweep(self, aisles: dict[int, list[float]], *, is_open: bool) -> list[dict]:
        """Cheapest metres to the left of each joint, by the links that cross the joint."""
        last = max(aisles)
        joints = [{_NO_LINK: 0.0}]
        for aisle, ys in aisles.items():
            reached: dict[_Link, float] = {}
            for pattern, cost_m in _cross_whole(ys, self.length_m).items():
                for link_in, link_out in self._moves(pattern, aisle, last, is_open):
                    total_m = joints[-1].get(link_in, inf) + cost_m + self._cross_m(link_out)
                    if total_m < reached.get(link_out, inf):
                        reached[link_out] = total_m
            joints.append(reached)
        return joints

    def _sweep_back(self, aisles: dict[int, list[float]]) -> list[dict]:
        """Cheapest metres to the right of each joint, for a walk that starts left of it."""
        last = max(aisles)
        joints = [{_NO_LINK: 0.0}]
        for aisle, ys in reversed(aisles.items()):
            needed: dict[_Link, float] = {}
            for pattern, cost_m in _cross_whole(ys, self.length_m).items():
                for link_in, link_out in self._moves(pattern, aisle, last, True):
                    total_m = joints[-1].get(link_out, inf) + cost_m + self._cross_m(link_out)
                    if total_m < needed.get(link_in, inf):
                        needed[link_in] = total_m
            joints.append(needed)
        return joints[::-1]

    def _price_joints(self, aisles: dict[int, list[float]]) -> dict[int, dict[_Pattern, float]]:
        """Metres outside each aisle, by the pattern in which a start inside it is crossed."""
        before = self._sweep(aisles, is_open=True)
        after = self._sweep_back(aisles)
        last = max(aisles)
        return {
            aisle: {
                pattern: min(
                    (
                        before[place].get(link_in, inf)
                        + self._cross_m(link_out)
                        + after[place + 1].get(link_out, inf)
                        for link_in, link_out in self._moves(pattern, aisle, last, True)
                    ),
                    default=inf,
                )
                for pattern in _START_PATTERNS
            }
            for place, aisle in enumerate(aisles)
            if aisles[aisle]
        }

    def _moves(
        self, pattern: _Pattern, aisle: int, last: int, is_open: bool
    ) -> tuple[tuple[_Link, _Link], ...]:
        return _list_moves(pattern, aisle == self.depot_aisle, is_open, aisle == last)

    def _cross_m(self, link: _Link) -> float:
        return self.pitch_m * (link[0] + link[1])


_START_PATTERNS: tuple[_Pattern, ...] = (
    (1, 0, False),
    (1, 2, False),
    (1, 2, True),
    (0, 1, False),
    (2, 1, False),
    (2, 1, True),
)


@cache
def _list_moves(
    pattern: _Pattern, is_depot: bool, is_open: bool, is_last: bool
) -> tuple[tuple[_Link, _Link], ...]:
    return tuple(
        (link_in, link_out)
        for link_in in _LINKS
        for link_out in _LINKS
        if _is_move(link_in, pattern, link_out, is_depot, is_depot and is_open)
        and (link_out == _NO_LINK) == is_last
    )


def _is_move(
    link_in: _Link, pattern: _Pattern, link_out: _Link, is_depot: bool, is_front_odd: bool
) -> bool:
    """Can the walk go on so: even visits everywhere but at its two ends, and in one part."""
    front, back = link_in[0] + pattern[0], link_in[1] + pattern[1]
    if (front + link_out[0]) % 2 != is_front_odd or (back + link_out[1]) % 2:
        return False
    has_front, has_back = front > 0 or is_depot, back > 0
    if (link_out[0] and not has_front) or (link_out[1] and not has_back):
        return False  # a spur from an end that nothing else touches only adds metres
    is_joined = link_in[2] or pattern[2]
    if has_front and has_back and not is_joined:
        # two parts: both must go on, to be joined further right; at the end they never could be
        return bool(link_out[0] and link_out[1] and not link_out[2])
    return link_out[2] == bool(link_out[0] and link_out[1])


def _cross_whole(ys: list[float], length_m: float) -> dict[_Pattern, float]:
    """Metres inside an aisle for each sensible way to pass its stops, by pattern."""
    ways = {(1, 1, True): length_m, (2, 2, True): 2 * length_m}
    if not ys:
        return ways | {(0, 0, False): 0.0}
    ways[(2, 0, False)] = 2 * ys[-1]
    ways[(0, 2, False)] = 2 * (length_m - ys[0])
    if len(ys) > 1:
        ways[(2, 2, False)] = 2 * (length_m - _largest_gap(ys))
    return ways


def _cross_from(ys: list[float], start_m: float, length_m: float) -> dict[_Pattern, float]:
    """Metres inside an aisle for a walk that starts at one of its stops, by pattern.

    On one side of the start the aisle is passed once, to the end; on the other side every stretch
    is walked there and back, all but at most one.
    """
    below = [y for y in ys if y < start_m]
    above = [y for y in ys if y > start_m]
    up_m = length_m - start_m
    ways = {
        (1, 0, False): start_m + 2 * (ys[-1] - start_m),
        (1, 2, True): start_m + 2 * up_m,
        (0, 1, False): up_m + 2 * (start_m - ys[0]),
        (2, 1, True): up_m + 2 * start_m,
    }
    if above:
        ways[(1, 2, False)] = start_m + 2 * (up_m - _largest_gap([start_m, *above]))
    if below:
        ways[(2, 1, False)] = up_m + 2 * (start_m - _largest_gap([*below, start_m]))
    return ways


def _largest_gap(ys: list[float]) -> float:
    return max(far - near for near, far in zip(ys, ys[1:], strict=False))
