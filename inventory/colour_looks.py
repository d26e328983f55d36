"""Graded looks as colour is run by them: by strain and system, each grader's offset taken off.

Call from: inventory/colouring.py, inventory/walk_rows.py, inventory/house_pages.py.
Two statements for any number of strains.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.utils import timezone

from inventory.calc.colour import Look
from inventory.calc.graders import DoubleLook, Offsets
from inventory.models import Strain, User, WalkNote
from inventory.setting_book import SettingBook


def double_looks() -> list[DoubleLook]:
    """Trays of colour strains that two or more people graded on one farm day."""
    notes = (
        WalkNote.objects.filter(tray__isnull=False, grade__isnull=False, undone_by__isnull=True)
        .exclude(strain__colour=Strain.Colour.NONE)
        .values_list("looked_at", "tray_id", "strain_id", "user__code", "grade")
    )
    found: dict[tuple[date, int, int], dict[str, list[float]]] = {}
    for at, tray_id, strain_id, grader, grade in notes:
        key = (timezone.localdate(at), tray_id, strain_id)
        found.setdefault(key, {}).setdefault(grader, []).append(float(grade or 0))
    return [
        DoubleLook(key[0], {who: sum(rows) / len(rows) for who, rows in graders.items()})
        for key, graders in found.items()
        if len(graders) > 1
    ]


def offsets_now(*, book: SettingBook) -> Offsets:
    """Every grader's offset, day by day."""
    return Offsets.of(
        doubles=double_looks(), half_trusted_looks=book.number("grader_half_trusted_looks")
    )


def looks_by_system(
    *, strain_ids: Iterable[int], book: SettingBook
) -> dict[int, dict[str, list[Look]]]:
    """Every graded look that stands, by strain and code of water system, oldest first."""
    offsets = offsets_now(book=book)
    looks: dict[int, dict[str, list[Look]]] = defaultdict(lambda: defaultdict(list))
    notes = WalkNote.objects.filter(
        strain__in=list(strain_ids), grade__isnull=False, undone_by__isnull=True
    ).order_by("looked_at")
    for strain_id, system, at, grade, is_signed, grader in notes.values_list(
        "strain_id", "trough__system__code", "looked_at", "grade", "is_signed", "user__code"
    ):
        on, given = timezone.localdate(at), float(grade or 0)
        used = offsets.corrected(grade=given, grader=grader, on=on)
        looks[strain_id][system].append(Look(on, used, is_signed, given))
    return looks


def all_looks(by_system: dict[str, list[Look]]) -> list[Look]:
    """The looks of every system as one run, oldest day first."""
    return sorted((look for rows in by_system.values() for look in rows), key=lambda look: look.on)


@dataclass(frozen=True, slots=True)
class GraderRow:
    """A grader's eye against the others'. ``offset`` is what is taken off each grade."""

    code: str
    name: str
    looks: int
    offset: float


def grader_rows(*, on: date, book: SettingBook) -> list[GraderRow]:
    """Graders with a double look, as their offsets stand on a farm day."""
    offsets = offsets_now(book=book)
    names = dict(User.objects.filter(code__in=offsets.days).values_list("code", "name"))
    return [
        GraderRow(
            code,
            names[code],
            offsets.looks(grader=code, on=on),
            offsets.offset(grader=code, on=on),
        )
        for code in sorted(offsets.days)
    ]
