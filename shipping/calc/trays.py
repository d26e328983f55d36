"""From which trays the pieces of one strain and form are picked on one ship day.

Oldest stock goes first, an order comes from one tray where it can, and the pieces kept back for
the mother reserve stay in the youngest tray.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from .cover import Demand, cover_orders
from .route import AISLE_LENGTH_M, AISLE_PITCH_M, Stop, shortest_walk, slot_distance_m

BUCKET_DAYS = 14
LEAST_COLOUR_GRADE = 3
FIRST_AISLE = 1


@dataclass(frozen=True, slots=True)
class Tray:
    """A tray as the choice sees it; `cut_on` for cuttings and cohorts, `age_months` for clams."""

    code: str
    system: str
    walk_order: int
    slot: int
    aisle: int
    countable_pieces: int
    cut_on: date | None = None
    age_months: int | None = None
    grade: float | None = None
    is_held: bool = False
    is_kept: bool = False
    aisle_length_m: float = AISLE_LENGTH_M


@dataclass(frozen=True, slots=True)
class Line:
    """An order's pieces; where stock runs out the line of the highest `claim_rank` goes short."""

    order: str
    pieces: int
    claim_rank: int = 0


@dataclass(frozen=True, slots=True)
class Take:
    tray: str
    order: str
    pieces: int


@dataclass(frozen=True, slots=True)
class Score:
    """What the choice was made by, first things first."""

    low_grade_pieces: int
    bucket_pieces: tuple[int, ...]
    order_trays: int
    displaced_reserve_pieces: int
    trays_emptied: int
    walk_m: float
    youngest_tray_pieces: int
    trays: int


@dataclass(frozen=True, slots=True)
class Choice:
    """Takes by tray, oldest first, and order; what stays, and how much of that is reserve."""

    takes: tuple[Take, ...]
    left_pieces: Mapping[str, int]
    reserve_pieces: Mapping[str, int]
    short_pieces: Mapping[str, int]
    score: Score
    is_proven: bool
    sentence: str


def choose_days(
    *,
    trays: Sequence[Tray],
    lines_by_day: Mapping[date, Sequence[Line]],
    gap_pieces: int = 0,
    unit_pieces: int = 1,
    is_colour_strain: bool = False,
) -> dict[date, Choice]:
    """Choose trays for each ship day alone, in day order, each from what the days before left.

    Parameters and refusals are those of `choose_trays`; the countable pieces are those of the
    first ship day, for every day.

    Returns
    -------
    dict of date to Choice
        In day order.
    """
    choices = {}
    for ship_on in sorted(lines_by_day):
        choices[ship_on] = choose_trays(
            trays=trays,
            lines=lines_by_day[ship_on],
            gap_pieces=gap_pieces,
            unit_pieces=unit_pieces,
            is_colour_strain=is_colour_strain,
        )
        left = choices[ship_on].left_pieces
        trays = [replace(t, countable_pieces=left.get(t.code, t.countable_pieces)) for t in trays]
    return choices


def choose_trays(
    *,
    trays: Sequence[Tray],
    lines: Sequence[Line],
    gap_pieces: int = 0,
    unit_pieces: int = 1,
    is_colour_strain: bool = False,
) -> Choice:
    """Choose which trays of one strain and form serve which orders on one ship day.

    Held and kept trays are left out. Then, each point only where the ones before it are equal:
    least from trays of a colour strain graded below 3; oldest bucket of 14 days first (clams:
    oldest month first), counted from the oldest tray with stock; fewest trays over all orders
    together; reserve in the youngest tray; most trays emptied; shortest walk for these trays
    alone, system by system; least from the youngest tray; fewest trays; and the lowest order
    number takes from the oldest tray, of two as old from the one earlier in walk order. The
    reserve never goes out: what is asked beyond it is short.

    Parameters
    ----------
    trays : sequence of Tray
        All trays of the strain and form; countable pieces zero or more. [pieces]
    lines : sequence of Line
        One an order, whole units. [pieces]
    gap_pieces : int
        To be kept back for the mother reserve. Zero or more. [pieces]
    unit_pieces : int
        Pieces that must come from one tray together: 10 for a pack of ten, otherwise 1. [pieces]
    is_colour_strain : bool
        Whether the grades count.

    Returns
    -------
    Choice
        Takes, what stays, what is short, and the value of each point. `is_proven` is False where
        there were more than 12 orders or 8 trays to choose from.

    Raises
    ------
    ValueError
        If an order stands on two lines, pieces are negative or no whole units, or a tray has
        neither a cutting date nor an age.

    Source
    ------
    None, chosen by the farm.
    """
    _check_asked(trays, lines, gap_pieces, unit_pieces)
    stock = _rank_stock(trays)
    served, short = _fit_lines(stock, lines, gap_pieces, unit_pieces)
    asked_units = sum(line.pieces for line in served) // unit_pieces
    classes = _class_stock(stock, is_colour_strain)
    in_play, drained = _take_classes(stock, classes, asked_units, unit_pieces)
    rows: tuple[tuple[int, ...], ...] = ()
    is_proven = True
    if served:
        rows, is_proven = cover_orders(
            demand=_build_demand(stock, in_play, drained, served, gap_pieces, unit_pieces)
        )
    takes = _list_takes(in_play, served, rows, unit_pieces)
    return _build_choice(stock, classes, takes, short, gap_pieces, is_proven)


def _check_asked(
    trays: Sequence[Tray], lines: Sequence[Line], gap_pieces: int, unit_pieces: int
) -> None:
    if gap_pieces < 0 or unit_pieces < 1:
        raise ValueError(f"A reserve of {gap_pieces} or a unit of {unit_pieces} makes no sense")
    orders = [line.order for line in lines]
    for line in lines:
        if line.pieces < 0 or line.pieces % unit_pieces:
            raise ValueError(f"{line.order} asks {line.pieces}: not whole units of {unit_pieces}")
        if orders.count(line.order) > 1:
            raise ValueError(f"{line.order} stands on two lines of one strain and form")
    for tray in trays:
        if tray.countable_pieces < 0:
            raise ValueError(f"{tray.code} counts {tray.countable_pieces}")
        if tray.cut_on is None and tray.age_months is None:
            raise ValueError(f"{tray.code} has neither a cutting date nor an age")


def _rank_stock(trays: Iterable[Tray]) -> list[Tray]:
    """Trays that may be picked from, oldest first, of equal age the earlier in walk order."""
    stock = [t for t in trays if t.countable_pieces and not t.is_held and not t.is_kept]
    return sorted(stock, key=lambda tray: (_born(tray), tray.walk_order, tray.slot))


def _born(tray: Tray) -> int:
    """A number that is lower for older trays: a day, or months before now."""
    if tray.age_months is not None:
        return -tray.age_months
    assert tray.cut_on is not None
    return tray.cut_on.toordinal()


def _order_key(order: str) -> tuple[int, str]:
    return len(str(order)), str(order)


def _fit_lines(
    stock: Sequence[Tray], lines: Sequence[Line], gap_pieces: int, unit_pieces: int
) -> tuple[list[Line], dict[str, int]]:
    """Lines cut down to what the trays may give, lowest order number first, and what is short."""
    whole = sum(tray.countable_pieces // unit_pieces for tray in stock)
    loose = (sum(tray.countable_pieces for tray in stock) - gap_pieces) // unit_pieces
    room = max(0, min(whole, loose)) * unit_pieces
    served, short = [], {}
    for line in sorted(lines, key=lambda line: (line.claim_rank, _order_key(line.order))):
        pieces = min(line.pieces, room)
        room -= pieces
        if pieces:
            served.append(replace(line, pieces=pieces))
        if pieces < line.pieces:
            short[line.order] = line.pieces - pieces
    return sorted(served, key=lambda line: _order_key(line.order)), short


def _class_stock(stock: Sequence[Tray], is_colour_strain: bool) -> dict[str, tuple[bool, int]]:
    """For each tray: is its grade too low, and its age bucket after the oldest tray with stock."""
    classes = {}
    for tray in stock:
        is_low = is_colour_strain and tray.grade is not None and tray.grade < LEAST_COLOUR_GRADE
        later = _born(tray) - _born(stock[0])
        classes[tray.code] = (is_low, later // BUCKET_DAYS if tray.age_months is None else later)
    return classes


def _take_classes(
    stock: Sequence[Tray],
    classes: Mapping[str, tuple[bool, int]],
    asked_units: int,
    unit_pieces: int,
) -> tuple[list[Tray], set[str]]:
    """Trays in play, and those of them that are used up because a later class is needed too."""
    in_play: list[Tray] = []
    drained: set[str] = set()
    for grade_and_bucket in sorted(set(classes.values())):
        if asked_units <= 0:
            break
        members = [
            tray
            for tray in stock
            if classes[tray.code] == grade_and_bucket and tray.countable_pieces >= unit_pieces
        ]
        in_play += members
        units = sum(tray.countable_pieces // unit_pieces for tray in members)
        if units <= asked_units:
            drained |= {tray.code for tray in members}
        asked_units -= units
    return sorted(in_play, key=stock.index), drained


def _build_demand(
    stock: Sequence[Tray],
    in_play: Sequence[Tray],
    drained: set[str],
    served: Sequence[Line],
    gap_pieces: int,
    unit_pieces: int,
) -> Demand:
    return Demand(
        tray_units=tuple(tray.countable_pieces // unit_pieces for tray in in_play),
        spare_pieces=tuple(tray.countable_pieces % unit_pieces for tray in in_play),
        must_empty=tuple(tray.code in drained for tray in in_play),
        youngest=in_play.index(stock[-1]) if stock[-1] in in_play else None,
        order_units=tuple(line.pieces // unit_pieces for line in served),
        unit_pieces=unit_pieces,
        gap_pieces=gap_pieces,
        measure_walk=lambda ranks: _measure_walk([in_play[rank] for rank in ranks]),
    )


def _measure_walk(trays: Sequence[Tray]) -> float:
    """Metres past the trays alone, each system from the front of its first aisle and back."""
    metres = 0.0
    for system in sorted({tray.system for tray in trays}):
        here = [tray for tray in trays if tray.system == system]
        metres += shortest_walk(
            stops=[place_stop(tray=tray) for tray in here],
            aisle_length_m=here[0].aisle_length_m,
            aisle_pitch_m=AISLE_PITCH_M,
            depot_aisle=FIRST_AISLE,
        ).metres
    return round(metres, 6)


def place_stop(*, tray: Tray) -> Stop:
    """Where a walker stands to pick from the tray."""
    y_m = slot_distance_m(slot=tray.slot)
    return Stop(tray.code, tray.aisle, y_m, tray.walk_order, tray.slot)


def _list_takes(
    in_play: Sequence[Tray],
    served: Sequence[Line],
    rows: Sequence[Sequence[int]],
    unit_pieces: int,
) -> tuple[Take, ...]:
    return tuple(
        Take(tray.code, line.order, row[rank] * unit_pieces)
        for rank, tray in enumerate(in_play)
        for line, row in zip(served, rows, strict=True)
        if row[rank]
    )


def _build_choice(
    stock: Sequence[Tray],
    classes: Mapping[str, tuple[bool, int]],
    takes: tuple[Take, ...],
    short: Mapping[str, int],
    gap_pieces: int,
    is_proven: bool,
) -> Choice:
    taken = {tray.code: 0 for tray in stock}
    for take in takes:
        taken[take.tray] += take.pieces
    left = {tray.code: tray.countable_pieces - taken[tray.code] for tray in stock}
    reserve = _place_reserve(stock, left, gap_pieces)
    score = _score(stock, classes, takes, taken, reserve, gap_pieces)
    sentence = _tell(takes, left, reserve, short, score)
    return Choice(takes, left, reserve, dict(short), score, is_proven, sentence)


def _place_reserve(
    stock: Sequence[Tray], left: Mapping[str, int], gap_pieces: int
) -> dict[str, int]:
    """The pieces that stay for the reserve, in the youngest tray first."""
    reserve = {}
    for tray in reversed(stock):
        pieces = min(gap_pieces, left[tray.code])
        gap_pieces -= pieces
        if pieces:
            reserve[tray.code] = pieces
    return reserve


def _score(
    stock: Sequence[Tray],
    classes: Mapping[str, tuple[bool, int]],
    takes: Sequence[Take],
    taken: Mapping[str, int],
    reserve: Mapping[str, int],
    gap_pieces: int,
) -> Score:
    used = [tray for tray in stock if taken[tray.code]]
    buckets = sorted({bucket for _, bucket in classes.values()})
    youngest = stock[-1].code if stock else ""
    return Score(
        low_grade_pieces=sum(taken[t.code] for t in stock if classes[t.code][0]),
        bucket_pieces=tuple(
            sum(taken[t.code] for t in stock if classes[t.code][1] == bucket) for bucket in buckets
        ),
        order_trays=len(takes),
        displaced_reserve_pieces=gap_pieces - reserve.get(youngest, 0),
        trays_emptied=sum(taken[t.code] == t.countable_pieces for t in used),
        walk_m=_measure_walk(used),
        youngest_tray_pieces=taken.get(youngest, 0),
        trays=len(used),
    )


def _tell(
    takes: Sequence[Take],
    left: Mapping[str, int],
    reserve: Mapping[str, int],
    short: Mapping[str, int],
    score: Score,
) -> str:
    parts = []
    for code in dict.fromkeys(take.tray for take in takes):
        mine = sorted(
            (take for take in takes if take.tray == code),
            key=lambda take: (-take.pieces, _order_key(take.order)),
        )
        split = ", ".join(f"{take.order} {take.pieces}" for take in mine)
        kept = f", {reserve[code]} of them reserve" if code in reserve else ""
        parts.append(
            f"{code} gives {sum(t.pieces for t in mine)} ({split}) and keeps {left[code]}{kept}"
        )
    splits = score.order_trays - len({take.order for take in takes})
    parts.append(f"{splits or 'no'} order split, {score.trays_emptied or 'no'} tray emptied")
    parts.append(f"{score.walk_m:.1f} m for this line alone")
    parts += [f"{order} is {pieces} short" for order, pieces in short.items()]
    return "; ".join(parts) + "."
