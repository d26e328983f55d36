"""Which order takes how much from which tray: proven best for a day's few orders and few trays.

`shipping.calc.trays` states the rules and calls this search once it is known which trays must be
used up. The search knows no dates, grades or codes: only how much each tray can give.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import NamedTuple

import numpy as np

MOST_PROVEN_ORDERS = 12
MOST_PROVEN_TRAYS = 8

_NEVER = 1 << 58
_SHORT = 1 << 36  # one reserve piece that does not stay in the youngest tray
_FINER = 1 << 24  # one emptied tray; below it, the units taken from the youngest tray

Row = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Demand:
    """One day's orders and the trays in play, in whole units.

    Trays are ranked oldest first, orders lowest number first. `spare_pieces` are the pieces of a
    tray beyond its whole units. A tray that `must_empty` gives all its units. `youngest` is the
    rank of the youngest tray, None when that tray is not in play. `measure_walk` gives the metres
    past a set of trays.
    """

    tray_units: Row
    spare_pieces: Row
    must_empty: tuple[bool, ...]
    youngest: int | None
    order_units: Row
    unit_pieces: int
    gap_pieces: int
    measure_walk: Callable[[Row], float]


def cover_orders(*, demand: Demand) -> tuple[tuple[Row, ...], bool]:
    """Units each order takes from each tray, and whether that is proven to be the best.

    Best means, each point only where the ones before it are equal: fewest trays over all orders
    together; the most of the reserve in the youngest tray; the most trays emptied; the shortest
    walk; the least from the youngest tray; the fewest trays; then order by order, lowest number
    first, the most from the oldest tray, then from the next one.

    Orders and trays fall into groups that share no tray. A group of k trays whose orders add up to
    what it gives needs k - 1 split orders and no more (a basic solution of a transportation
    problem), so the search joins groups over sets of orders and allows as few splits as it can.
    Above 12 orders or 8 trays it fills the trays in rank instead, each as full as whole orders
    allow, and splits an order only where the rest would not fit; that is not proven.

    Parameters
    ----------
    demand : Demand
        The trays together must hold the orders, and those that must be emptied no more than that.

    Returns
    -------
    tuple of rows, bool
        One row an order, one number a tray [units]; True if proven.

    Raises
    ------
    ValueError
        If the orders do not fit the trays.

    Source
    ------
    Group argument: Dantzig, G. B., Linear Programming and Extensions, 1963, chapter 14 (a basic
    solution of a transportation problem is a forest). The order of the points: the farm.
    """
    asked, held = sum(demand.order_units), sum(demand.tray_units)
    bound = sum(u for u, must in zip(demand.tray_units, demand.must_empty, strict=True) if must)
    if not bound <= asked <= held:
        raise ValueError(f"{asked} units asked do not fit trays of {held} with {bound} to empty")
    orders, trays = len(demand.order_units), len(demand.tray_units)
    if trays == 1:
        return tuple((units,) for units in demand.order_units), True
    if orders > MOST_PROVEN_ORDERS or trays > MOST_PROVEN_TRAYS:
        return _fill_in_rank(demand), False
    return _Search(demand).find_rows(), True


class _Search:
    def __init__(self, demand: Demand) -> None:
        self.demand = demand
        self.ranks = tuple(range(len(demand.tray_units)))

    def find_rows(self) -> tuple[Row, ...]:
        untouched = (0,) * len(self.ranks)
        for splits in self.ranks:  # one fewer than there are trays is always enough
            best = _Table(self, self.ranks, untouched, self.demand.order_units, True).best(splits)
            if best < _NEVER // 2:
                sets, target = self._shortest_sets(best // _FINER, splits)
                return self._first_rows(sets, target, splits)
        raise AssertionError("orders that fit the trays can always be placed")

    def score_tray(self, rank: int, taken: int) -> int:
        """Price of leaving a tray so: reserve not in it, minus emptied, plus units if youngest."""
        demand = self.demand
        left = (demand.tray_units[rank] - taken) * demand.unit_pieces + demand.spare_pieces[rank]
        score = -_FINER if left == 0 else 0
        if rank == demand.youngest:
            score += max(0, demand.gap_pieces - left) * _SHORT + taken
        return score

    def score_set(self, used: Row, taken: Row, order_units: Row, splits: int) -> int:
        idle = sum(self.score_tray(rank, 0) for rank in self.ranks if rank not in used)
        return idle + _Table(self, used, taken, order_units, False).best(splits)

    def _shortest_sets(self, points: int, splits: int) -> tuple[list[Row], int]:
        """Sets of trays that reach the points on the shortest walk, and their common score."""
        demand, untouched = self.demand, (0,) * len(self.ranks)
        walks: dict[float, list[Row]] = {}
        for used in self._list_sets(splits):
            walks.setdefault(round(demand.measure_walk(used), 6), []).append(used)
        for _, sets in sorted(walks.items()):
            scores = {
                used: self.score_set(used, untouched, demand.order_units, splits) for used in sets
            }
            reached = [
                (score, len(used)) for used, score in scores.items() if score // _FINER == points
            ]
            if reached:
                best = min(reached)
                return [u for u in sets if (scores[u], len(u)) == best], best[0]
        raise AssertionError("the points were reached by some set of trays")

    def _list_sets(self, splits: int) -> Iterator[Row]:
        demand = self.demand
        most = min(len(self.ranks), len(demand.order_units) + splits)
        for size in range(1, most + 1):
            for used in combinations(self.ranks, size):
                is_enough = sum(demand.tray_units[r] for r in used) >= sum(demand.order_units)
                if is_enough and all(r in used for r in self.ranks if demand.must_empty[r]):
                    yield used

    def _first_rows(self, sets: list[Row], target: int, splits: int) -> tuple[Row, ...]:
        """Fix one order after the other, each as far to the oldest trays as the target allows.

        What is left of an order once a tray's part of it is fixed is one more order for the trays
        that follow. It cannot go back to that tray: the order would then use one tray fewer.
        """
        state = _State(sets, (0,) * len(self.ranks), splits)
        rows = []
        for place, units in enumerate(self.demand.order_units):
            row = []
            for rank in self.ranks:
                part, state = self._fix_part(
                    units, self.demand.order_units[place + 1 :], rank, state, target
                )
                units -= part
                row.append(part)
            rows.append(tuple(row))
        return tuple(rows)

    def _fix_part(
        self, units: int, rest: Row, rank: int, state: "_State", target: int
    ) -> tuple[int, "_State"]:
        """The most that the order can take from this tray with the target still in reach."""
        most = min(units, self.demand.tray_units[rank] - state.taken[rank])
        for part in range(most, 0, -1):
            splits = state.splits - (part < units)
            if splits < 0:
                break
            taken = (*state.taken[:rank], state.taken[rank] + part, *state.taken[rank + 1 :])
            left = (units - part, *rest) if part < units else rest
            sets = [
                used
                for used in state.sets
                if rank in used and self.score_set(used, taken, left, splits) == target
            ]
            if sets:
                return part, _State(sets, taken, splits)
        return 0, state


class _State(NamedTuple):
    sets: list[Row]
    taken: Row
    splits: int


class _Table:
    """Best scores for sets of orders (bit masks), given a few trays and a number of splits."""

    def __init__(
        self, search: _Search, used: Row, taken: Row, order_units: Row, may_idle: bool
    ) -> None:
        self.search, self.used, self.taken, self.may_idle = search, used, taken, may_idle
        self.asked = sum(order_units)
        self.sums = np.zeros(1, dtype=np.int64)
        for units in order_units:
            self.sums = np.concatenate([self.sums, self.sums + units])
        self.lattice = len(order_units)
        self.rooms = {rank: search.demand.tray_units[rank] - taken[rank] for rank in used}
        self.blocks: dict[Row, np.ndarray] = {}
        self.single = {rank: self._score_takes(rank) for rank in used}
        self.known: dict[tuple[Row, int], np.ndarray] = {}

    def best(self, splits: int) -> int:
        return self._best_of_all(self.used, splits)

    def _best_of_all(self, ranks: Row, splits: int) -> int:
        if not ranks:
            return 0 if self.asked == 0 else _NEVER
        idle = self._score_idle(ranks[0])
        best = _NEVER if idle is None else idle + self._best_of_all(ranks[1:], splits)
        for block, others in self._list_blocks(ranks, splits):
            rest = self._scores(others, splits + 1 - len(block))
            best = min(best, int((rest[::-1] + self._score_block(block)).min()))
        return min(best, _NEVER)

    def _scores(self, ranks: Row, splits: int) -> np.ndarray:
        if (ranks, splits) in self.known:
            return self.known[ranks, splits]
        best = np.full(len(self.sums), _NEVER, dtype=np.int64)
        if not ranks:
            best[0] = 0
        else:
            idle = self._score_idle(ranks[0])
            if idle is not None:
                best = np.minimum(best, self._scores(ranks[1:], splits) + idle)
            for block, others in self._list_blocks(ranks, splits):
                rest = self._scores(others, splits + 1 - len(block))
                best = np.minimum(best, self._join(rest, self._score_block(block)))
        self.known[ranks, splits] = self._drop_hopeless(best, ranks)
        return self.known[ranks, splits]

    def _list_blocks(self, ranks: Row, splits: int) -> Iterator[tuple[Row, Row]]:
        first, others = ranks[0], ranks[1:]
        for size in range(min(splits, len(others)) + 1):
            for partners in combinations(others, size):
                yield (first, *partners), tuple(r for r in others if r not in partners)

    def _join(self, rest: np.ndarray, block: np.ndarray) -> np.ndarray:
        some, more = np.flatnonzero(rest < _NEVER // 2), np.flatnonzero(block < _NEVER // 2)
        if len(some) * len(more) > 3**self.lattice // 4:
            parts, remainders, starts = _list_parts(self.lattice)
            return np.minimum.reduceat(rest[remainders] + block[parts], starts)
        left, right = np.tile(some, len(more)), np.repeat(more, len(some))
        is_apart = (left & right) == 0
        left, right = left[is_apart], right[is_apart]
        joined = np.full(len(rest), _NEVER, dtype=np.int64)
        np.minimum.at(joined, left | right, rest[left] + block[right])
        return joined

    def _score_block(self, block: Row) -> np.ndarray:
        if block not in self.blocks:
            scores = self.single[block[0]]
            for rank in block[1:]:
                scores = self._add_takes(scores, self.single[rank])
            self.blocks[block] = self._drop_hopeless(scores[self.sums], block)
        return self.blocks[block]

    def _drop_hopeless(self, scores: np.ndarray, ranks: Row) -> np.ndarray:
        """Strike out the sets of orders that leave more than all the other trays can give."""
        others = sum(self.rooms[rank] for rank in self.used if rank not in ranks)
        return np.where(self.sums < self.asked - others, _NEVER, scores)

    def _add_takes(self, some: np.ndarray, more: np.ndarray) -> np.ndarray:
        both = np.full(self.asked + 1, _NEVER, dtype=np.int64)
        for units in np.flatnonzero(more < _NEVER // 2):
            shifted = some[: self.asked + 1 - units] + more[units]
            both[units:] = np.minimum(both[units:], shifted)
        return both

    def _score_takes(self, rank: int) -> np.ndarray:
        """Scores of taking 1, 2, ... further units from one tray; never for those it has not."""
        scores = np.full(self.asked + 1, _NEVER, dtype=np.int64)
        taken, room = self.taken[rank], self.rooms[rank]
        first = max(1, room) if self.search.demand.must_empty[rank] else 1
        for units in range(first, min(room, self.asked) + 1):
            scores[units] = self.search.score_tray(rank, taken + units)
        return scores

    def _score_idle(self, rank: int) -> int | None:
        """Score of taking nothing (more) from a tray, None where that is not allowed."""
        taken = self.taken[rank]
        if self.search.demand.must_empty[rank] and self.rooms[rank]:
            return None
        return self.search.score_tray(rank, taken) if taken or self.may_idle else None


@cache
def _list_parts(orders: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every part of every set of orders, grouped by set: part, remainder, start of each group."""
    sets = parts = np.zeros(1, dtype=np.int32)
    for order in range(orders):
        bit = np.int32(1 << order)
        sets = np.concatenate([sets, sets | bit, sets | bit])
        parts = np.concatenate([parts, parts, parts | bit])
    by_set = np.argsort(sets, kind="stable")
    sets, parts = sets[by_set], parts[by_set]
    return parts, sets ^ parts, np.flatnonzero(np.diff(sets, prepend=-1))


def _fill_in_rank(demand: Demand) -> tuple[Row, ...]:
    """Fill tray after tray: first those that must be emptied, then oldest first."""
    asked = list(demand.order_units)
    rows = [[0] * len(demand.tray_units) for _ in asked]
    turn = sorted(range(len(demand.tray_units)), key=lambda rank: not demand.must_empty[rank])
    for place, rank in enumerate(turn):
        room = min(demand.tray_units[rank], sum(asked))
        later = sum(demand.tray_units[other] for other in turn[place + 1 :])
        for order in _choose_whole(asked, room):
            rows[order][rank] = asked[order]
            room -= asked[order]
            asked[order] = 0
        excess = room if demand.must_empty[rank] else max(0, sum(asked) - later)
        if excess:  # every order left is larger than the room left, so one is split
            order = max(range(len(asked)), key=lambda index: (asked[index], -index))
            rows[order][rank] += excess
            asked[order] -= excess
    return tuple(tuple(row) for row in rows)


def _choose_whole(asked: Sequence[int], room: int) -> list[int]:
    """Orders that together come closest to the room without passing it, low numbers first."""
    within = (1 << (room + 1)) - 1
    sums = [1]  # bit s set: some of the orders from here on add up to s
    for units in reversed(asked):
        sums.append((sums[-1] | sums[-1] << units) & within)
    sums.reverse()
    goal = sums[0].bit_length() - 1
    chosen = []
    for order, units in enumerate(asked):
        if units and units <= goal and sums[order + 1] >> (goal - units) & 1:
            chosen.append(order)
            goal -= units
    return chosen
