"""What a walk's notes are held against: places, strains and what stands where, read once.

Call from: inventory/walking.py, inventory/walk_acts.py, inventory/walk_sync.py.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from inventory.bulk import among, many_value, read_time, rows_of
from inventory.errors import FarmError, Unknown
from inventory.models import Cohort, Strain


class StrainNotThere(FarmError):
    code = "strain_not_there"
    status = 422
    title = "That strain does not stand there"
    message = "{strain} does not stand in {place}. Check the code of the trough or tray."


@dataclass(frozen=True, slots=True)
class Named:
    """Codes that the notes of a batch name."""

    places: frozenset[str]
    strains: frozenset[str]
    cohorts: frozenset[str]


@dataclass(frozen=True, slots=True)
class Spot:
    """A trough or a tray: its key and its code. A walk of 500 notes needs no more of it."""

    pk: int
    code: str


TROUGHS = "SELECT id, code FROM inventory_trough"
TRAYS = "SELECT id, code, trough_id FROM inventory_tray"
STANDING = """
SELECT form.strain_id, balance.tray_id, tray.trough_id FROM inventory_balance AS balance
JOIN inventory_strainform AS form ON form.id = balance.strain_form_id
JOIN inventory_tray AS tray ON tray.id = balance.tray_id
WHERE balance.pieces > 0
"""
MOVES = "SELECT tray_id, at, from_trough_id FROM inventory_traymove ORDER BY at, id"


@dataclass(frozen=True, slots=True)
class Ground:
    """The farm as a walk sees it. A tray that was carried since stands where it stood then."""

    troughs: Mapping[str, Spot]
    trays: Mapping[str, Spot]
    strains: Mapping[str, Strain]
    cohorts: Mapping[str, Cohort]
    trays_of_strain: Mapping[int, list[int]]
    trough_of_tray: Mapping[int, Spot]
    moves: Mapping[int, list[tuple[datetime, Spot]]]

    @classmethod
    def read(cls, *, named: "Named | None" = None) -> "Ground":
        """A handful of plain statements, whatever the number of notes; of trays, strains and
        cohorts only those that are named, or all of them."""
        troughs = {pk: Spot(pk, code) for pk, code in rows_of(TROUGHS, ())}
        trays, trough_of_tray = {}, {}
        for pk, code, trough_id in _trays(named):
            trays[code], trough_of_tray[pk] = Spot(pk, code), troughs[trough_id]
        strains = _strains(named)
        standing: dict[int, list[int]] = defaultdict(list)
        # Where a strain stands is asked of graded strains only.
        ids = [row.pk for row in strains]
        standing_of = f"{STANDING} AND form.strain_id {among()}"
        rows = rows_of(standing_of, [many_value(ids)]) if ids else []
        for strain_id, tray_id, trough_id in rows:
            standing[strain_id].append(tray_id)
            trough_of_tray[tray_id] = troughs[trough_id]
        moves: dict[int, list[tuple[datetime, Spot]]] = defaultdict(list)
        for tray_id, at, trough_id in rows_of(MOVES, ()):
            moves[tray_id].append((read_time(at), troughs[trough_id]))
        rooting = Cohort.objects.all() if named is None or named.cohorts else ()
        return cls(
            troughs={row.code: row for row in troughs.values()},
            trays=trays,
            strains={row.key: row for row in strains},
            cohorts={row.code: row for row in rooting},
            trays_of_strain=standing,
            trough_of_tray=trough_of_tray,
            moves=moves,
        )

    def place(self, *, code: str, at: datetime) -> tuple[Spot, Spot | None]:
        """The trough a note belongs to, and its tray if the code names one. Raises Unknown."""
        tray = self.trays.get(code)
        if tray is not None:
            return self.stood_in(tray_id=tray.pk, at=at), tray
        trough = self.troughs.get(code)
        if trough is None:
            raise Unknown(kind="trough or tray", name=code or "(none)")
        return trough, None

    def stood_in(self, *, tray_id: int, at: datetime) -> Spot:
        """The trough in which a tray stood at a time: a late note stays with the place it saw."""
        for moved_at, from_trough in self.moves.get(tray_id, ()):
            if moved_at > at:
                return from_trough
        return self.trough_of_tray[tray_id]

    def strain(self, *, key: str) -> Strain:
        """The strain of a key. Raises Unknown."""
        strain = self.strains.get(key)
        if strain is None:
            raise Unknown(kind="strain", name=key)
        return strain

    def cohort(self, *, code: str) -> Cohort:
        """The cohort of a code. Raises Unknown."""
        cohort = self.cohorts.get(code)
        if cohort is None:
            raise Unknown(kind="cohort", name=code)
        return cohort

    def must_stand(self, *, strain: Strain, trough: Spot, tray: Spot | None, at: datetime) -> None:
        """Raise StrainNotThere unless pieces of the strain stand (or then stood) in that place."""
        trays = self.trays_of_strain.get(strain.pk, [])
        if tray is not None:
            is_there = tray.pk in trays
        else:
            is_there = any(self.stood_in(tray_id=pk, at=at).pk == trough.pk for pk in trays)
        if not is_there:
            raise StrainNotThere(strain=strain.key, place=tray.code if tray else trough.code)


def _trays(named: Named | None) -> list[tuple[int, str, int]]:
    if named is None:
        return rows_of(TRAYS, ())
    return rows_of(f"{TRAYS} WHERE code {among()}", [many_value(named.places)])


def _strains(named: Named | None) -> list[Strain]:
    if named is None:
        return list(Strain.objects.order_by())
    return list(Strain.objects.order_by().filter(key__in=named.strains)) if named.strains else []
