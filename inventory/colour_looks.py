"""Graded looks as colour is run by them: by strain and system, each grader's offset taken off.

Call from: inventory/colouring.py, inventory/colour_runs.py, inventory/placing.py.
Two statements for any number of strains.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.utils import timezone

from inventory.bulk import among, many_value, read_time, rows_of
from inventory.calc.colour import Look
from inventory.calc.graders import DoubleLook, Offsets
from inventory.models import Strain, User
from inventory.setting_book import SettingBook

# Plain statements: they are asked at each graded look, and a QuerySet's own work outweighs them.
STANDS = "NOT EXISTS (SELECT 1 FROM inventory_walknote AS undone WHERE undone.undoes_id = note.id)"
AT_TRAYS = f"""
SELECT note.looked_at, note.tray_id, note.strain_id, who.code, note.grade
FROM inventory_walknote AS note
JOIN inventory_user AS who ON who.id = note.user_id
JOIN inventory_strain AS strain ON strain.id = note.strain_id
WHERE note.tray_id IS NOT NULL AND note.grade IS NOT NULL AND strain.colour <> %s AND {STANDS}
"""
OF_STRAINS = f"""
SELECT note.strain_id, system.code, note.looked_at, note.grade, note.is_signed, who.code
FROM inventory_walknote AS note
JOIN inventory_user AS who ON who.id = note.user_id
JOIN inventory_trough AS trough ON trough.id = note.trough_id
JOIN inventory_watersystem AS system ON system.id = trough.system_id
WHERE note.strain_id {{}} AND note.grade IS NOT NULL AND {STANDS}
ORDER BY note.looked_at
"""


def double_looks() -> list[DoubleLook]:
    """Trays of colour strains that two or more people graded on one farm day."""
    found: dict[tuple[date, int, int], dict[str, list[float]]] = {}
    zone = timezone.get_current_timezone()
    for at, tray_id, strain_id, grader, grade in rows_of(AT_TRAYS, [Strain.Colour.NONE.value]):
        key = (read_time(at).astimezone(zone).date(), tray_id, strain_id)
        found.setdefault(key, {}).setdefault(grader, []).append(float(grade))
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
    ids, zone = list(strain_ids), timezone.get_current_timezone()
    notes = rows_of(OF_STRAINS.format(among()), [many_value(ids)]) if ids else []
    for strain_id, system, at, grade, is_signed, grader in notes:
        on, given = read_time(at).astimezone(zone).date(), float(grade)
        used = offsets.corrected(grade=given, grader=grader, on=on)
        looks[strain_id][system].append(Look(on, used, bool(is_signed), given))
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
