"""HOP 2e mothers: what is kept of each line, where, and what that lacks.

Call from: inventory/house_pages.py, config/owner_page.py, inventory/growing.py,
inventory/keeping.py, inventory/cutting.py.
Locks: none, reads only. A line that is lost cannot be bought back: whatever stands in one water
system can be lost in one night.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Sum

from inventory.calc.reserve import move_pieces, spread_share
from inventory.errors import Unknown
from inventory.models import Balance, Hold, Lot, Strain, WaterSystem
from inventory.people import Role, User
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock
from inventory.supply import reserve_gap


@dataclass(frozen=True, slots=True)
class Mothers:
    """The kept pieces of one strain. [pieces]"""

    strain: str
    name: str
    strain_class: str
    is_making: bool
    held_since: int
    floor_pieces: int
    hard_floor_pieces: int
    kept_pieces: dict[str, int]
    held_pieces: int
    gap_pieces: int
    warnings: tuple[str, ...]
    proposal: str
    move_pieces: int = 0
    move_from: str = ""
    move_to: str = ""


def mothers_of_all(
    *, stocks: Sequence[StrainStock], monday: date, book: SettingBook
) -> list[Mothers]:
    """Every strain that keeps mothers, with what its reserve lacks in the week of ``monday``."""
    kept: dict[int, list[TrayStock]] = {}
    for stock in stocks:
        rows = [row for row in stock.trays if row.state == "kept"]
        kept.setdefault(stock.strain_id, []).extend(rows)
    strains = list(Strain.objects.filter(floor_pieces__gt=0).select_related("strain_class"))
    clean = list(
        WaterSystem.objects.filter(is_quarantine=False)
        .exclude(holds__state__in=Hold.OPEN)
        .order_by("code")
    )
    by_class = _kept_by_class(kept, strains)
    return [
        _mothers_of(strain, kept.get(strain.pk, []), monday, book, clean, by_class)
        for strain in strains
    ]


def _kept_by_class(
    kept: dict[int, list[TrayStock]], strains: Sequence[Strain]
) -> dict[tuple[str, str], int]:
    """Kept pieces by class and system: where such mothers are at home."""
    sums: dict[tuple[str, str], int] = {}
    for strain in strains:
        for row in kept.get(strain.pk, []):
            key = (strain.strain_class_id, row.system)
            sums[key] = sums.get(key, 0) + row.pieces
    return sums


def _mothers_of(
    strain: Strain,
    rows: list[TrayStock],
    monday: date,
    book: SettingBook,
    systems: list[WaterSystem],
    by_class: dict[tuple[str, str], int],
) -> Mothers:
    pieces: dict[str, int] = {}
    for row in rows:
        pieces[row.system] = pieces.get(row.system, 0) + row.pieces
    gap = reserve_gap(floor_pieces=strain.floor_pieces, kept=rows, monday=monday)
    most_share = book.number("reserve_most_share", strain=strain.key)
    count, here, there = _move(strain, pieces, most_share, systems, by_class)
    is_held = any(row.is_held_in(monday) for row in rows if row.system == here)
    return Mothers(
        strain=strain.key,
        name=strain.name,
        strain_class=strain.strain_class_id,
        is_making=strain.is_making,
        held_since=strain.held_since,
        floor_pieces=strain.floor_pieces,
        hard_floor_pieces=strain.hard_floor_pieces,
        kept_pieces=dict(sorted(pieces.items())),
        held_pieces=sum(row.pieces for row in rows if row.is_held_in(monday)),
        gap_pieces=gap,
        warnings=tuple(_warnings(pieces, gap, most_share)),
        proposal=f"move {count} to {there}{' when the hold lifts' if is_held else ''}"
        if count
        else "",
        move_pieces=count,
        move_from=here,
        move_to=there,
    )


def _warnings(pieces: dict[str, int], gap: int, most_share: float) -> list[str]:
    total = sum(pieces.values())
    system, share = spread_share(kept_pieces=pieces)
    found = []
    if not total:
        found.append("no mother piece is left")
    elif len(pieces) == 1:
        found.append(f"the whole line stands in one system: all {total} kept are in {system}")
    elif share > most_share:
        found.append(f"{share:.0%} of the kept pieces stand in {system}, at most {most_share:.0%}")
    if gap:
        found.append(f"{gap} more are needed")
    return found


def _move(
    strain: Strain,
    pieces: dict[str, int],
    most_share: float,
    systems: list[WaterSystem],
    by_class: dict[tuple[str, str], int],
) -> tuple[int, str, str]:
    """How many mothers to move, from which system to which; (0, "", "") where they stand well.

    A whole line in one system is parted by its hard floor and goes where its class is at home; one
    that leans on a system gives what is above its share to where fewest of it stand.
    """
    here, share = spread_share(kept_pieces=pieces)
    others = [row.code for row in systems if row.code != here]
    if share <= most_share or not others:
        return 0, "", ""
    total = sum(pieces.values())
    if len(pieces) == 1:
        count = move_pieces(
            pool_pieces=total, hard_floor_pieces=strain.hard_floor_pieces, most_share=most_share
        )
    else:
        count = pieces[here] - int(most_share * total + 1e-9)
    if not count:
        return 0, "", ""
    at_home = {code: by_class.get((strain.strain_class_id, code), 0) for code in others}
    known = [code for code in others if pieces.get(code)]
    if known:
        return count, here, min(known, key=lambda code: (pieces[code], code))
    return count, here, min(others, key=lambda code: (-at_home[code], code))


def kept_and_floor(*, strain: Strain, user: User) -> tuple[int, int]:
    """How many mothers a strain has, and how few that person may leave: a lead its floor, the
    owner its hard floor. [pieces]"""
    kept = Balance.objects.filter(strain_form__strain=strain, lot__state=Lot.State.KEPT)
    there = kept.aggregate(total=Sum("pieces"))["total"] or 0
    return there, strain.hard_floor_pieces if user.role == Role.OWNER else strain.floor_pieces


@dataclass(frozen=True, slots=True)
class LineLot:
    """One lot of a line, as the map of the line shows it."""

    lot: str
    parent: str
    generation: int
    form: str
    state: str
    cut_on: date | None
    trays: tuple[str, ...]
    system: str
    pieces: int


def line_of(*, strain_key: str) -> tuple[Strain, list[LineLot]]:
    """A strain and every lot of its line that stands somewhere or has cuttings that do.

    Raises Unknown.
    """
    strain = Strain.objects.select_related("strain_class").filter(key=strain_key).first()
    if strain is None:
        raise Unknown(kind="strain", name=strain_key or "(none)")
    standing: dict[int, list[Balance]] = {}
    balances = Balance.objects.filter(lot__strain_form__strain=strain, pieces__gt=0)
    for row in balances.select_related("tray__trough__system").order_by("tray__code"):
        standing.setdefault(row.lot_id, []).append(row)
    lots = Lot.objects.filter(strain_form__strain=strain).select_related(
        "strain_form__form", "parent"
    )
    parents = {lot.parent_id for lot in lots}
    shown = [lot for lot in lots if lot.pk in standing or lot.pk in parents]
    rows = [_line_lot(lot, standing.get(lot.pk, [])) for lot in shown]
    order = {"kept": 0, "ready": 1, "growing": 2}
    return strain, sorted(
        rows, key=lambda row: (row.generation, order.get(row.state, 3), row.system, row.lot)
    )


def _line_lot(lot: Lot, rows: list[Balance]) -> LineLot:
    systems = sorted({row.tray.trough.system.code for row in rows})
    return LineLot(
        lot=lot.code,
        parent=lot.parent.code if lot.parent else "",
        generation=lot.generation,
        form=lot.strain_form.form.name,
        state=lot.get_state_display(),
        cut_on=lot.cut_on,
        trays=tuple(row.tray.code for row in rows),
        system=", ".join(systems),
        pieces=sum(row.pieces for row in rows),
    )
