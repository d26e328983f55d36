"""HOP 2c care: dips, inspections, quarantine -> CareRecord, LotRelease, the day a dip is due.

Call from: inventory/care_pages.py.
Locks: none; each record is a row of its own. A schedule is the farm's choice and stands among its
settings; without one nothing is due.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from inventory.errors import FarmError, Unknown
from inventory.holds import ReasonMissing
from inventory.models import Balance, CareRecord, Happening, Lot, LotRelease, Setting
from inventory.people import User

KINDS = tuple(CareRecord.Kind.values)
MOST_DAYS = 365


class ScheduleUnreadable(FarmError):
    code = "schedule_unreadable"
    status = 422
    title = "That schedule cannot be"
    message = "Every {days} days cannot be. Type a whole number from 1 to {most}, or 0 to end it."


class CareInFuture(FarmError):
    code = "care_in_future"
    status = 422
    title = "That lies in the future"
    message = "{what} at {at} lies ahead of the farm's clock. Type the time it was done."


@dataclass(frozen=True, slots=True)
class Schedule:
    """How often lots of one scope are dipped or looked over. 0 days: it has ended."""

    kind: str
    scope_kind: str
    scope: str
    every_days: int
    set_on: date
    reason: str


@dataclass(frozen=True, slots=True)
class Due:
    """The next care of one lot. ``due_on`` is None where nothing is due."""

    lot: Lot
    trays: tuple[str, ...]
    pieces: int
    kind: str
    last_on: date | None
    due_on: date | None
    every_days: int

    def is_overdue(self, on: date) -> bool:
        return self.due_on is not None and self.due_on < on


def schedules(*, kind: str, on: date) -> dict[tuple[str, str], Schedule]:
    """The newest schedule of each scope in force on a farm day."""
    rows = Setting.objects.filter(name=f"{kind}_every_days", set_on__lte=on)
    return {
        (row.scope_kind, row.scope): Schedule(
            kind, row.scope_kind, row.scope, int(row.value), row.set_on, row.reason
        )
        for row in rows.order_by("set_on", "id")
    }


@transaction.atomic
def set_schedule(
    *,
    kind: str,
    scope_kind: str,
    scope: str,
    every_days: int,
    reason: str,
    user: User,
    at: datetime,
) -> None:
    """Set how often lots are dipped or looked over; 0 ends it. Days run from today.

    Raises Unknown, ScheduleUnreadable, ReasonMissing, NotAllowed.
    """
    user.must("set_care_schedule")
    if kind not in KINDS:
        raise Unknown(kind="kind of care", name=kind or "(none)")
    if scope_kind not in Setting.Scope.values:
        raise Unknown(kind="scope", name=scope_kind or "(none)")
    if not 0 <= every_days <= MOST_DAYS:
        raise ScheduleUnreadable(days=every_days, most=MOST_DAYS)
    if not reason:
        raise ReasonMissing(what="a schedule")
    on = timezone.localdate(at)
    Setting.objects.update_or_create(
        name=f"{kind}_every_days",
        scope_kind=scope_kind,
        scope=scope,
        set_on=on,
        defaults={
            "value": str(every_days),
            "unit": "days",
            "confidence": "L",
            "owner": user.name,
            "reason": reason[:300],
        },
    )
    refresh_due(on=on)


@transaction.atomic
def note_care(
    *,
    lots: Iterable[Lot],
    kind: str,
    done_at: datetime,
    user: User,
    now: datetime,
    what: str = "",
    is_clean: bool = True,
) -> list[CareRecord]:
    """Note a dip or an inspection of lots. The same lot and moment lands once.

    One that found something leaves a happening; a hold stays a person's decision. Raises Unknown,
    CareInFuture, NotAllowed.
    """
    user.must("note_care")
    if kind not in KINDS:
        raise Unknown(kind="kind of care", name=kind or "(none)")
    if done_at > now:
        raise CareInFuture(what=kind.capitalize(), at=f"{timezone.localtime(done_at):%-d %b %H:%M}")
    records = []
    for lot in lots:
        record, is_new = CareRecord.objects.get_or_create(
            lot=lot,
            kind=kind,
            done_at=done_at,
            defaults={"user": user, "what": what[:120], "is_clean": is_clean},
        )
        records.append(record)
        if is_new and not is_clean:
            facts = {"lot": lot.code, "kind": kind, "what": what[:120], "by": user.code}
            Happening.objects.create(kind="care.found", at=done_at, facts=facts)
    refresh_due(on=timezone.localdate(now), lots=[record.lot_id for record in records])
    return records


def refresh_due(*, on: date, lots: Iterable[int] | None = None) -> None:
    """Write the day on which each standing lot's next dip is due."""
    rows = []
    for due in care_due(kind="dip", on=on, lots=lots):
        if due.lot.dip_due_on != due.due_on:
            due.lot.dip_due_on = due.due_on
            rows.append(due.lot)
    Lot.objects.bulk_update(rows, ["dip_due_on"], batch_size=500)


def care_due(*, kind: str, on: date, lots: Iterable[int] | None = None) -> list[Due]:
    """The next care of each lot that stands somewhere, the soonest due first."""
    rules = schedules(kind=kind, on=on)
    last = dict(
        CareRecord.objects.filter(kind=kind)
        .values_list("lot_id")
        .annotate(last=Max("done_at"))
        .values_list("lot_id", "last")
    )
    standing = Balance.objects.filter(pieces__gt=0).select_related(
        "lot__strain_form__strain", "tray"
    )
    if lots is not None:
        standing = standing.filter(lot_id__in=list(lots))
    by_lot: dict[int, list[Balance]] = {}
    for balance in standing.order_by("lot__code", "tray__code"):
        by_lot.setdefault(balance.lot_id, []).append(balance)
    found = [_due_of(rows, kind, rules, last.get(lot_id)) for lot_id, rows in by_lot.items()]
    return sorted(found, key=lambda due: (due.due_on is None, due.due_on or on, due.lot.code))


def _due_of(
    rows: list[Balance],
    kind: str,
    rules: dict[tuple[str, str], Schedule],
    last_at: datetime | None,
) -> Due:
    lot = rows[0].lot
    strain = lot.strain_form.strain
    nearest = (("strain", strain.key), ("class", strain.strain_class_id), ("farm", ""))
    rule = next((rules[scope] for scope in nearest if scope in rules), None)
    last_on = timezone.localdate(last_at) if last_at else None
    due_on = None
    if rule is not None and rule.every_days:
        # Never cared for: the days run from the schedule's own day, or from a later cut.
        start = last_on or max(rule.set_on, lot.cut_on or rule.set_on)
        due_on = start + timedelta(days=rule.every_days)
    return Due(
        lot=lot,
        trays=tuple(row.tray.code for row in rows),
        pieces=sum(row.pieces for row in rows),
        kind=kind,
        last_on=last_on,
        due_on=due_on,
        every_days=rule.every_days if rule else 0,
    )


def quarantined() -> list[Balance]:
    """What stands in quarantine, oldest count first."""
    return list(
        Balance.objects.filter(pieces__gt=0, tray__trough__system__is_quarantine=True)
        .select_related("lot__strain_form__strain", "tray__trough__system", "lot__release__user")
        .order_by("counted_on", "tray__code")
    )


@transaction.atomic
def release_lot(*, lot_code: str, reason: str, user: User, at: datetime) -> LotRelease:
    """Let a lot out of quarantine: it may then be moved, and is sold where it stands next.

    Raises Unknown, ReasonMissing, NotAllowed.
    """
    user.must("release_lot")
    lot = Lot.objects.filter(
        code=lot_code, balances__tray__trough__system__is_quarantine=True
    ).first()
    if lot is None:
        raise Unknown(kind="lot in quarantine", name=lot_code or "(none)")
    if not reason:
        raise ReasonMissing(what="releasing a lot from quarantine")
    release, _ = LotRelease.objects.get_or_create(
        lot=lot, defaults={"at": at, "user": user, "reason": reason[:200]}
    )
    return release
