"""HOP 4b many promises: a share run's pencils, their freeing and their ink, some statements each.

Call from: orders/sharing.py.
Locks: the caller holds the strain-forms; the week's totals are locked here, lowest key first, and
compared under that lock, so that they fence against overselling as the guarded update of one
promise does (orders/promising.py).
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from inventory.bulk import insert_rows, time_value
from inventory.errors import ForbiddenMove
from inventory.people import User
from orders.models import Promise, PromisedTotal, ShipWeek
from orders.promising import AboveWhatIsLeft, CanPromise

# What one of Django's own statements takes well; a longer one gains nothing.
ROWS_AT_ONCE = 2000
COLUMNS = (
    "line_id",
    "strain_form_id",
    "week_id",
    "units",
    "pieces",
    "pieces_out",
    "state",
    "pencilled_at",
    "inked_at",
    "user_id",
    "reason",
)


@dataclass(frozen=True, slots=True)
class Pencil:
    """What one line is to be promised, in sale units."""

    line_id: int
    strain_form_id: int
    listing: str
    units: int


@transaction.atomic
def pencil_promises(
    *,
    week: ShipWeek,
    pencils: Iterable[Pencil],
    left: Mapping[int, CanPromise],
    now: datetime,
    user: User | None,
    reason: str,
) -> None:
    """Pencil promises on lines that have no live one. The caller holds the lock and has read
    ``left`` under it. Raises AboveWhatIsLeft where a total would pass what was read."""
    user_id = user.pk if user else None
    written = (Promise.State.PENCILLED.value, time_value(now), None, user_id, reason[:300])
    rows: list[tuple[Any, ...]] = []
    names: dict[int, str] = {}
    added = Counter[int]()
    for row in pencils:
        key = row.strain_form_id
        pieces = row.units * left[key].stock.unit
        added[key] += pieces
        names.setdefault(key, row.listing)
        rows.append((row.line_id, key, week.pk, row.units, pieces, 0, *written))
    for key, total in _add_to_totals(week, added).items():
        can = left[key]
        if total > can.in_week_pieces + can.pieces:
            raise AboveWhatIsLeft(
                asked=sum(units for _, of, _, units, *_ in rows if of == key),
                listing=names[key],
                week=week.name,
                left=max(0, can.in_week_pieces + can.pieces - (total - added[key]))
                // can.stock.unit,
            )
    there = set(Promise.objects.filter(line__order__week=week).values_list("line_id", flat=True))
    insert_rows(model=Promise, columns=COLUMNS, rows=(row for row in rows if row[0] not in there))
    Promise.objects.bulk_create(
        [
            Promise(**dict(zip(COLUMNS, row, strict=True)) | {"pencilled_at": now})
            for row in rows
            if row[0] in there
        ],
        batch_size=ROWS_AT_ONCE,
        update_conflicts=True,
        unique_fields=["line"],
        update_fields=[name.removesuffix("_id") for name in COLUMNS if name != "line_id"],
    )


def _add_to_totals(week: ShipWeek, added: Mapping[int, int]) -> dict[int, int]:
    """Add pieces to a week's totals, all locked at once. Returns the new totals."""
    PromisedTotal.objects.bulk_create(
        [PromisedTotal(strain_form_id=pk, week=week) for pk in sorted(added)],
        ignore_conflicts=True,
        batch_size=ROWS_AT_ONCE,
    )
    totals = list(
        PromisedTotal.objects.select_for_update()
        .filter(week=week, strain_form_id__in=added)
        .order_by("strain_form_id")
    )
    for total in totals:
        total.pieces += added[total.strain_form_id]
    PromisedTotal.objects.bulk_update(totals, ["pieces"], batch_size=ROWS_AT_ONCE // 4)
    return {total.strain_form_id: total.pieces for total in totals}


@transaction.atomic
def free_pencils(*, week: ShipWeek, promises: QuerySet[Promise], reason: str) -> int:
    """Free pencilled promises of a week. Returns how many."""
    rows = _locked(week, promises)
    freed: dict[int, int] = {}
    for row in rows:
        still = row.pieces - row.pieces_out
        freed[row.strain_form_id] = freed.get(row.strain_form_id, 0) - still
    _add_to_totals(week, freed)
    Promise.objects.filter(pk__in=promises.values("pk")).update(
        state=Promise.State.FREED, reason=reason[:300]
    )
    return len(rows)


@transaction.atomic
def ink_pencils(
    *, week: ShipWeek, promises: QuerySet[Promise], now: datetime, user: User | None
) -> list[Promise]:
    """Ink pencilled promises of a week; they go on weighing on its totals. Returns them."""
    rows = _locked(week, promises)
    Promise.objects.filter(pk__in=promises.values("pk")).update(
        state=Promise.State.INKED, inked_at=now, user=user
    )
    return rows


def _locked(week: ShipWeek, promises: QuerySet[Promise]) -> list[Promise]:
    """The promises under their locks. Raises ForbiddenMove for one that is not pencilled."""
    rows = list(promises.select_for_update(of=("self",)).select_related("line").order_by("pk"))
    for row in rows:
        if row.state != Promise.State.PENCILLED or row.week_id != week.pk:
            raise ForbiddenMove(
                kind="Promise",
                name=str(row.line),
                state=row.get_state_display(),
                wanted="freed or inked",
                why=f"only what is pencilled for {week.name} is",
            )
    return rows
