"""What a walk's notes are held against: places, strains and what stands where, read once.

Call from: inventory/walking.py, inventory/walk_acts.py, inventory/walk_sync.py.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from inventory.errors import FarmError, Unknown
from inventory.models import Balance, Cohort, Strain, Tray, TrayMove, Trough


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
class Ground:
    """The farm as a walk sees it. A tray that was carried since stands where it stood then."""

    troughs: Mapping[str, Trough]
    trays: Mapping[str, Tray]
    strains: Mapping[str, Strain]
    cohorts: Mapping[str, Cohort]
    trays_of_strain: Mapping[int, list[int]]
    trough_of_tray: Mapping[int, Trough]
    moves: Mapping[int, list[TrayMove]]

    @classmethod
    def read(cls, *, named: "Named | None" = None) -> "Ground":
        """A handful of statements, whatever the number of notes; of trays, strains and cohorts
        only those that are named, or all of them."""
        troughs = {row.pk: row for row in Trough.objects.select_related("system")}
        found, kinds, cohorts = Tray.objects.order_by(), Strain.objects.order_by(), Cohort.objects
        rooting = list(cohorts.all()) if named is None or named.cohorts else []
        if named is not None:
            found, kinds = found.filter(code__in=named.places), kinds.filter(key__in=named.strains)
        trays = list(found)
        for tray in trays:
            tray.trough = troughs[tray.trough_id]
        trough_of_tray = {tray.pk: tray.trough for tray in trays}
        standing: dict[int, list[int]] = defaultdict(list)
        rows = Balance.objects.filter(pieces__gt=0)
        if named is not None:
            # Where a strain stands is asked of graded strains only.
            rows = rows.filter(strain_form__strain__key__in=named.strains)
        for strain_id, tray_id, trough_id in rows.values_list(
            "strain_form__strain_id", "tray_id", "tray__trough_id"
        ):
            standing[strain_id].append(tray_id)
            trough_of_tray[tray_id] = troughs[trough_id]
        moves: dict[int, list[TrayMove]] = defaultdict(list)
        for move in TrayMove.objects.order_by("at", "id"):
            move.from_trough = troughs[move.from_trough_id]
            moves[move.tray_id].append(move)
        return cls(
            troughs={row.code: row for row in troughs.values()},
            trays={row.code: row for row in trays},
            strains={row.key: row for row in kinds},
            cohorts={row.code: row for row in rooting},
            trays_of_strain=standing,
            trough_of_tray=trough_of_tray,
            moves=moves,
        )

    def place(self, *, code: str, at: datetime) -> tuple[Trough, Tray | None]:
        """The trough a note belongs to, and its tray if the code names one. Raises Unknown."""
        tray = self.trays.get(code)
        if tray is not None:
            return self.stood_in(tray_id=tray.pk, at=at), tray
        trough = self.troughs.get(code)
        if trough is None:
            raise Unknown(kind="trough or tray", name=code or "(none)")
        return trough, None

    def stood_in(self, *, tray_id: int, at: datetime) -> Trough:
        """The trough in which a tray stood at a time: a late note stays with the place it saw."""
        for move in self.moves.get(tray_id, ()):
            if move.at > at:
                return move.from_trough
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

    def must_stand(
        self, *, strain: Strain, trough: Trough, tray: Tray | None, at: datetime
    ) -> None:
        """Raise StrainNotThere unless pieces of the strain stand (or then stood) in that place."""
        trays = self.trays_of_strain.get(strain.pk, [])
        if tray is not None:
            is_there = tray.pk in trays
        else:
            is_there = any(self.stood_in(tray_id=pk, at=at).pk == trough.pk for pk in trays)
        if not is_there:
            raise StrainNotThere(strain=strain.key, place=tray.code if tray else trough.code)
