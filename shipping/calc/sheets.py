"""Pick sheets: which stops stand on which sheet, in walking order, with metres and checksum."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from .route import AISLE_PITCH_M, shortest_walk, walk_minutes
from .trays import FIRST_AISLE, Tray, place_stop


@dataclass(frozen=True, slots=True)
class Pick:
    """Pieces for one order out of one tray; `left_pieces` is what stays countable in the tray."""

    tray: Tray
    listing: str
    order: str
    pieces: int
    is_toxin: bool = False
    left_pieces: int = 0


@dataclass(frozen=True, slots=True)
class SheetStop:
    number: int
    tray: Tray
    listing: str
    pieces: int
    left_pieces: int
    order_pieces: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    number: int
    system: str
    is_toxin: bool
    stops: tuple[SheetStop, ...]
    walk_m: float
    walk_min: float
    checksum_pieces: int


def order_systems(
    *, last_lifted_on: Mapping[str, date | None], held: Collection[str]
) -> tuple[str, ...]:
    """Systems in the order they are walked: longest since a hold was lifted first, held never.

    Parameters
    ----------
    last_lifted_on : mapping of system to date or None
        Day on which the system's last hold was lifted; None if it never had one.
    held : collection of str
        Systems under a hold now.

    Returns
    -------
    tuple of str
        Clean systems, cleanest first; equal ones by code.
    """
    clean = [system for system in last_lifted_on if system not in held]
    return tuple(sorted(clean, key=lambda code: (last_lifted_on[code] or date.min, code)))


def arrange_sheets(*, picks: Sequence[Pick], systems: Sequence[str]) -> tuple[Sheet, ...]:
    """One sheet a system in clean order, then the toxic lines on sheets of their own, likewise.

    A sheet never mixes systems, so nobody walks back to a cleaner one. The stops of a sheet follow
    the shortest walk from the front of the system's first aisle and back; a tray is one stop, its
    orders largest first.

    Parameters
    ----------
    picks : sequence of Pick
        All picks of one ship day, in any order. [pieces]
    systems : sequence of str
        Systems that may be picked from, cleanest first; held ones left out.

    Returns
    -------
    tuple of Sheet
        Numbered from 1, in walking order; length [m], time [min], single pieces.

    Raises
    ------
    ValueError
        If a pick is from a held or kept tray, or from a system that is not to be walked.

    Source
    ------
    None, chosen by the farm.
    """
    for pick in picks:
        if pick.tray.is_held or pick.tray.is_kept or pick.tray.system not in systems:
            raise ValueError(f"{pick.tray.code} is held, kept or in a system that is not walked")
    parts = []
    for is_toxin in (False, True):
        for system in systems:
            here = [p for p in picks if p.tray.system == system and p.is_toxin == is_toxin]
            if here:
                parts.append((system, is_toxin, here))
    return tuple(_draw_sheet(number, *part) for number, part in enumerate(parts, 1))


def _draw_sheet(number: int, system: str, is_toxin: bool, picks: Sequence[Pick]) -> Sheet:
    trays = {pick.tray.code: pick.tray for pick in picks}
    first = next(iter(trays.values()))
    walk = shortest_walk(
        stops=[place_stop(tray=tray) for tray in trays.values()],
        aisle_length_m=first.aisle_length_m,
        aisle_pitch_m=AISLE_PITCH_M,
        depot_aisle=FIRST_AISLE,
    )
    pieces = sum(pick.pieces for pick in picks)
    stops = tuple(
        _draw_stop(place, [pick for pick in picks if pick.tray.code == stop.code])
        for place, stop in enumerate(walk.order, 1)
    )
    minutes = walk_minutes(metres=walk.metres, trays=len(trays), pieces=pieces)
    return Sheet(number, system, is_toxin, stops, walk.metres, minutes, pieces)


def _draw_stop(number: int, picks: Sequence[Pick]) -> SheetStop:
    largest_first = sorted(picks, key=lambda pick: (-pick.pieces, len(pick.order), pick.order))
    return SheetStop(
        number=number,
        tray=picks[0].tray,
        listing=picks[0].listing,
        pieces=sum(pick.pieces for pick in picks),
        left_pieces=picks[0].left_pieces,
        order_pieces=tuple((pick.order, pick.pieces) for pick in largest_first),
    )
