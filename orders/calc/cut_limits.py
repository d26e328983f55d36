"""What limits a plan of cuts: parents, bases, cutter hours and free slots; which cut gets what.

Cuts are gone through in one order: the latest cut day first, of equal days the earlier ship week,
then the larger cut, then the name. Each takes what those before it left. It is made in the week of
its latest day as far as that has room, and in the weeks before it for the rest: a piece that was
cut earlier is ready all the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import ceil, floor

DUST = 1e-9
PARENTS, BASES, HOURS, SLOTS = "parents", "bases", "hours", "slots"
LIMITS = (PARENTS, BASES, SLOTS, HOURS)
# No limit by itself, but they are not free in the same weeks.
WEEKS = "weeks"


@dataclass(frozen=True, slots=True)
class CutWish:
    """What one ship week wants cut of one strain-form. Weeks count from the present one, 0.

    ``lives_share`` is the share of the cut that is there by the ship week; ``places`` are the
    troughs in which it may stand, the best first.
    """

    name: str
    strain: str
    latest_week: int
    latest_on: date
    ship_week: int
    pieces: int
    yield_pieces: int
    pieces_an_hour: float
    lives_share: float
    positions: int
    places: tuple[str, ...]
    needs_bases: bool = False


@dataclass(frozen=True, slots=True)
class SaleStock:
    """What is for sale of one strain-form, by week. shape (n_weeks,) each. [pieces]

    ``supply`` is all that stands ready by the week, nothing sold; ``demand`` what is likely to be
    asked; ``promised`` what is promised already.
    """

    supply: Sequence[float]
    demand: Sequence[float]
    promised: Sequence[int]


@dataclass(frozen=True, slots=True)
class CutLimits:
    """What there is for all cuts together, by week. shape (n_weeks,) each.

    ``hours`` of the cutters [h]; ``free_slots`` by trough [trays]; ``mothers`` by strain, what its
    floor lets go up to each week [pieces]; ``sale_share`` of what is for sale in a week may be cut
    up. ``bases`` are (usable from, pieces); for cuts from ``mixed_from_on`` on more can still be
    mixed, so bases do not bind them. ``last_days`` is the last work day of each week.
    """

    hours: Sequence[float]
    last_days: Sequence[date]
    free_slots: Mapping[str, Sequence[int]]
    mothers: Mapping[str, Sequence[int]]
    for_sale: Mapping[str, SaleStock]
    sale_share: float
    bases: Sequence[tuple[date, int]]
    mixed_from_on: date


@dataclass(frozen=True, slots=True)
class CutPart:
    """What is cut of a wish in one week. ``slots`` are trays by trough. [pieces]"""

    week: int
    pieces: int
    mothers: int
    sale_parents: int
    slots: dict[str, int]


@dataclass(frozen=True, slots=True)
class CutGrant:
    """What a wish gets. ``alone`` says what each limit by itself would let it have; ``bound`` is
    the tightest of them where it gets less than it wants; where each by itself would do, the one
    that its last weeks lacked, or WEEKS; empty where it gets all. ``there`` are the mothers
    that the floor lets go by its latest week, and what for sale may be cut up until then. [pieces]
    """

    wish: CutWish
    parts: tuple[CutPart, ...]
    there: tuple[int, int]
    alone: dict[str, int]
    bound: str

    @property
    def pieces(self) -> int:
        return sum(part.pieces for part in self.parts)

    @property
    def mothers(self) -> int:
        return sum(part.mothers for part in self.parts)

    @property
    def sale_parents(self) -> int:
        return sum(part.sale_parents for part in self.parts)

    @property
    def hours(self) -> float:
        return self.pieces / self.wish.pieces_an_hour

    @property
    def slots(self) -> dict[str, int]:
        found: dict[str, int] = {}
        for part in self.parts:
            for place, count in part.slots.items():
                found[place] = found.get(place, 0) + count
        return found


@dataclass(slots=True)
class _Taken:
    """What may be taken of a stock up to each week, and what was. shape (n_weeks,)"""

    may: Sequence[int]
    taken: list[int] = field(init=False)

    def __post_init__(self) -> None:
        self.taken = [0] * len(self.may)

    def left(self, week: int) -> int:
        """What may still be taken in a week without anything later going short."""
        if not self.may[-1]:
            return 0
        used, least = sum(self.taken[:week]), None
        for at in range(week, len(self.may)):
            used += self.taken[at]
            rest = self.may[at] - used
            least = rest if least is None else min(least, rest)
        return max(0, least or 0)


class _Sale:
    """Pieces for sale that may be cut up: a share of what stands for the shops of a week.

    A parent is one piece less to sell, in its week and after it. What a cut brings stands from its
    ship week on.
    """

    def __init__(self, stock: SaleStock, share: float) -> None:
        self.stock, self.share = stock, share
        weeks = len(stock.supply)
        self.parents, self.gains = [0] * weeks, [0.0] * weeks
        # Whoever was promised something keeps it: what is promised from a week on is not touched.
        self.fenced = [sum(stock.promised[week:]) for week in range(weeks)]
        self.stands = self._standing()

    def _standing(self) -> list[float]:
        found, gone, gained = [], 0.0, 0.0
        for week, supply in enumerate(self.stock.supply):
            gained += self.gains[week]
            there = max(0.0, supply + gained - gone)
            found.append(there)
            parents = self.parents[week]
            gone += parents + min(self.stock.demand[week], max(0.0, there - parents))
        return found

    def most(self, week: int) -> int:
        """Parents that may be taken in a week, those that were taken included."""
        return floor(self.share * max(0.0, self.stands[week] - self.fenced[week]) + DUST)

    def left(self, week: int) -> int:
        return max(0, self.most(week) - self.parents[week])

    def take(self, week: int, parents: int) -> int:
        """Take so many parents, or as many as leave later weeks what they took already."""
        while parents:
            self.parents[week] += parents
            self.stands = self._standing()
            later = range(week + 1, len(self.parents))
            lack = max((self.parents[at] - self.most(at) for at in later if self.parents[at]),
                       default=0)  # fmt: skip
            if lack <= 0:
                return parents
            self.parents[week] -= parents
            parents = max(0, parents - lack)
        self.stands = self._standing()
        return 0

    def gain(self, week: int, pieces: float) -> None:
        self.gains[week] += pieces
        self.stands = self._standing()


class _Bench:
    """What is left of every limit while the wishes are gone through."""

    def __init__(self, limits: CutLimits) -> None:
        self.limits = limits
        self.hours = list(limits.hours)
        self.slots = {place: list(free) for place, free in limits.free_slots.items()}
        self.mothers = {strain: _Taken(may) for strain, may in limits.mothers.items()}
        self.sale = {
            name: _Sale(stock, limits.sale_share) for name, stock in limits.for_sale.items()
        }
        weeks = range(len(limits.hours))
        self.bases = _Taken([self._usable(limits.last_days[week]) for week in weeks])

    def _usable(self, on: date) -> int:
        return sum(pieces for from_on, pieces in self.limits.bases if from_on <= on)

    def _cut_on(self, wish: CutWish, week: int) -> date:
        last_on = self.limits.last_days[week]
        return min(wish.latest_on, last_on) if week == wish.latest_week else last_on

    def by_hours(self, wish: CutWish, week: int) -> int:
        return floor(self.hours[week] * wish.pieces_an_hour + DUST)

    def _free(self, place: str, wish: CutWish, week: int) -> int:
        return max(0, min(self.slots[place][week : wish.ship_week + 1]))

    def by_slots(self, wish: CutWish, week: int) -> int:
        return wish.positions * sum(self._free(place, wish, week) for place in wish.places)

    def by_bases(self, wish: CutWish, week: int) -> int | None:
        """None where bases do not bind: a piece on a plug, or bases that can still be mixed."""
        on = self._cut_on(wish, week)
        if not wish.needs_bases or on >= self.limits.mixed_from_on:
            return None
        used = sum(self.bases.taken[: week + 1])
        return max(0, min(self.bases.left(week), self._usable(on) - used))

    def parents(self, wish: CutWish, week: int) -> tuple[int, int]:
        """Mothers above the floor and pieces for sale that may be cut up in a week."""
        mothers, sale = self.mothers.get(wish.strain), self.sale.get(wish.name)
        return mothers.left(week) if mothers else 0, sale.left(week) if sale else 0

    def there(self, wish: CutWish) -> tuple[int, int]:
        """Mothers that the floor lets go by its latest week, and what for sale may be cut up."""
        stock = self.sale.get(wish.name)
        weeks = range(wish.latest_week + 1)
        sale = sum(stock.left(week) for week in weeks) if stock else 0
        return self.parents(wish, wish.latest_week)[0], sale

    def alone(self, wish: CutWish) -> dict[str, int]:
        """What each limit by itself would let a wish have, all weeks up to its latest. [pieces]"""
        latest = wish.latest_week
        weeks = range(latest + 1)
        bases = self.by_bases(wish, latest)
        found = {
            PARENTS: sum(self.there(wish)) * wish.yield_pieces,
            BASES: wish.pieces if bases is None else bases,
            SLOTS: self.by_slots(wish, latest),
            HOURS: sum(self.by_hours(wish, week) for week in weeks),
        }
        return {name: min(wish.pieces, pieces) for name, pieces in found.items()}

    def binding(self, wish: CutWish) -> str:
        """Which limit stopped a wish that each by itself would serve, after all weeks were tried.

        Where a week has hours, slots and bases left it was the parents: those that stand there are
        needed by cuts gone through before it.
        """
        lacks = [self._lacks(wish, week) for week in range(wish.latest_week, -1, -1)]
        if [] in lacks:
            return PARENTS
        with_parents = (
            names
            for week, names in zip(range(wish.latest_week, -1, -1), lacks, strict=True)
            if len(names) == 1 and any(self.parents(wish, week))
        )
        return next(with_parents, [WEEKS])[0]

    def _lacks(self, wish: CutWish, week: int) -> list[str]:
        """Limits other than the parents that have no room for a piece in a week."""
        bases = self.by_bases(wish, week)
        room = {
            BASES: wish.pieces if bases is None else bases,
            SLOTS: self.by_slots(wish, week),
            HOURS: self.by_hours(wish, week),
        }
        return [name for name, pieces in room.items() if pieces < 1]

    def cut(self, wish: CutWish, week: int, wanted: int) -> CutPart | None:
        """Cut as much of a wish in one week as every limit lets, and take it from each."""
        mothers, sale = self.parents(wish, week)
        if not mothers + sale or not self.by_hours(wish, week):
            return None
        bases = self.by_bases(wish, week)
        pieces = min(
            wanted,
            self.by_hours(wish, week),
            self.by_slots(wish, week),
            wanted if bases is None else bases,
            (mothers + sale) * wish.yield_pieces,
        )
        parents = ceil(pieces / wish.yield_pieces)
        mothers = min(mothers, parents)
        sale = self.sale[wish.name].take(week, parents - mothers) if parents > mothers else 0
        pieces = min(pieces, (mothers + sale) * wish.yield_pieces)
        if pieces <= 0:
            return None
        if mothers:
            self.mothers[wish.strain].taken[week] += mothers
        if bases is not None:
            self.bases.taken[week] += pieces
        self.hours[week] -= pieces / wish.pieces_an_hour
        if wish.name in self.sale:
            self.sale[wish.name].gain(wish.ship_week, pieces * wish.lives_share)
        slots = self._stand(wish, week, ceil(pieces / wish.positions))
        return CutPart(week, pieces, mothers, sale, slots)

    def _stand(self, wish: CutWish, week: int, trays: int) -> dict[str, int]:
        """Set so many trays into the places of a wish, from its cut to the end of its ship week."""
        found: dict[str, int] = {}
        for place in wish.places:
            here = min(trays, self._free(place, wish, week))
            if here:
                found[place] = here
                for at in range(week, wish.ship_week + 1):
                    self.slots[place][at] -= here
            trays -= here
        return found


def in_order(wish: CutWish) -> tuple[date, int, int, str]:
    """The order in which cuts are gone through, as a key to sort by."""
    return wish.latest_on, wish.ship_week, -wish.pieces, wish.name


def share_cuts(*, wishes: Sequence[CutWish], limits: CutLimits) -> list[CutGrant]:
    """Share parents, bases, hours and slots among the cuts, in their order.

    Parameters
    ----------
    wishes : sequence of CutWish
        In any order. Their weeks lie within those of ``limits``.
    limits : CutLimits
        What there is; it is not changed.

    Returns
    -------
    list of CutGrant
        One a wish, in the order in which they were gone through.

    Source
    ------
    The order and the limits are the farm's own. Weeks are nested (all up to the latest), so under
    one limit taking the latest week first gives each wish the most it can have beside those before
    it; under several a cut that was placed is not moved again, and a few pieces can be missed.
    Tests compare both with an integer program.
    """
    bench = _Bench(limits)
    return [_grant(bench, wish) for wish in sorted(wishes, key=in_order)]


def _grant(bench: _Bench, wish: CutWish) -> CutGrant:
    there, alone = bench.there(wish), bench.alone(wish)
    parts, missing = [], wish.pieces
    for week in range(wish.latest_week, -1, -1):
        if not missing:
            break
        part = bench.cut(wish, week, missing)
        if part is not None:
            parts.append(part)
            missing -= part.pieces
    bound = ""
    if missing:
        tightest = min(LIMITS, key=lambda name: alone[name])
        bound = tightest if alone[tightest] < wish.pieces else bench.binding(wish)
    return CutGrant(wish, tuple(parts), there, alone, bound)


def trays_standing(*, grants: Sequence[CutGrant], weeks: int) -> dict[str, list[int]]:
    """Trays of planned cuts by trough and week, from each cut to the end of its ship week."""
    found: dict[str, list[int]] = {}
    for grant in grants:
        for part in grant.parts:
            for place, trays in part.slots.items():
                row = found.setdefault(place, [0] * weeks)
                for at in range(part.week, min(weeks, grant.wish.ship_week + 1)):
                    row[at] += trays
    return found
