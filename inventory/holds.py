"""HOP 2b holds: a stop that acts when raised and is lifted only when its looks have earned it.

Call from: inventory/pages.py, inventory/walk_acts.py, config/playing.py.
Locks: the hold's row. Sheets, promises and the list hear of it by the happening left here.
"""

from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory.changing import note_change
from inventory.errors import FarmError, ForbiddenMove, ReasonMissing, Unknown
from inventory.models import (
    Balance,
    Happening,
    Hold,
    HoldLook,
    Lot,
    Strain,
    Tray,
    Trough,
    WaterSystem,
)
from inventory.people import User

SCOPES: dict[str, tuple[Any, str]] = {
    "system": (WaterSystem, "water system"),
    "trough": (Trough, "trough"),
    "tray": (Tray, "tray"),
    "lot": (Lot, "lot"),
}


class LiftNotEarned(FarmError):
    code = "lift_not_earned"
    title = "The hold is not earned off yet"
    message = (
        "{hold} needs {needs} clean looks {apart} days apart and has {counted}. The next look that "
        "counts is due on {due}."
    )


class FloorTooLow(FarmError):
    code = "below_hard_floor"
    title = "Below the hard floor"
    message = (
        "{strain} keeps at least {hard} mother pieces; no role may go below that. "
        "Choose {hard} or more."
    )


@transaction.atomic
def raise_hold(
    *,
    scope_kind: str,
    scope: str,
    reason: str,
    grade: str,
    at: datetime,
    user: User,
    code: str | None = None,
    needs_looks: int = 3,
    days_apart: int = 7,
    look_back_days: int = 21,
) -> Hold:
    """Raise a hold on a system, trough, tray or lot. It acts at once.

    Raises Unknown, ReasonMissing, NotAllowed.
    """
    user.must("raise_hold")
    if not reason:
        raise ReasonMissing(what="a hold")
    target = place_of(scope_kind=scope_kind, scope=scope)
    if grade not in Hold.Grade.values:
        raise Unknown(kind="grade of a hold", name=grade)
    hold = Hold(
        code=code or _next_code(),
        reason=reason[:200],
        grade=grade,
        state=Hold.State.CONFIRMED if grade == "confirmed" else Hold.State.RAISED,
        raised_at=at,
        raised_by=user,
        needs_looks=needs_looks,
        days_apart=days_apart,
        look_back_days=look_back_days,
        lift_expected_on=timezone.localdate(at) + timedelta(days=needs_looks * days_apart),
    )
    setattr(hold, scope_kind, target)
    hold.save()
    _tell(hold, "hold.raised", at)
    return hold


def place_of(*, scope_kind: str, scope: str) -> Any:
    """The system, trough, tray or lot of that code. Raises Unknown."""
    if scope_kind not in SCOPES:
        raise Unknown(kind="kind of place", name=scope_kind or "(none)")
    model, words = SCOPES[scope_kind]
    target = model.objects.filter(code=scope).first()
    if target is None:
        raise Unknown(kind=words, name=scope or "(none)")
    return target


def _next_code() -> str:
    return f"HD-{Hold.objects.count() + 1}"


def held_balances(hold: Hold) -> Any:
    """What stands in the places a hold covers."""
    standing = Balance.objects.filter(pieces__gt=0)
    if hold.system_id:
        return standing.filter(tray__trough__system_id=hold.system_id)
    if hold.trough_id:
        return standing.filter(tray__trough_id=hold.trough_id)
    if hold.tray_id:
        return standing.filter(tray_id=hold.tray_id)
    return standing.filter(lot_id=hold.lot_id)


def _tell(hold: Hold, kind: str, at: datetime) -> None:
    rows = held_balances(hold).values_list("tray__code", "strain_form_id", "lot__state")
    facts = {
        "hold": hold.code,
        "scope": hold.scope,
        "grade": hold.grade,
        "reason": hold.reason,
        "trays": sorted({tray for tray, _, _ in rows}),
        "strain_forms": sorted({form for _, form, state in rows if state != "kept"}),
    }
    Happening.objects.create(kind=kind, at=at, facts=facts)


def _locked(hold: Hold) -> Hold:
    return Hold.objects.select_for_update().get(pk=hold.pk)


def _forbid(hold: Hold, wanted: str, why: str) -> ForbiddenMove:
    return ForbiddenMove(
        kind="Hold", name=hold.code, state=hold.get_state_display(), wanted=wanted, why=why
    )


@transaction.atomic
def confirm_hold(*, hold: Hold, at: datetime, user: User) -> Hold:
    """Confirm the cause: kept pieces under the hold no longer count at all."""
    user.must("confirm_hold")
    hold = _locked(hold)
    if hold.state not in (Hold.State.RAISED, Hold.State.EASING):
        raise _forbid(hold, "confirmed", "only a suspected hold that is open can be confirmed")
    hold.state, hold.grade = Hold.State.CONFIRMED, Hold.Grade.CONFIRMED
    hold.save(update_fields=["state", "grade"])
    _tell(hold, "hold.confirmed", at)
    return hold


@transaction.atomic
def look_at_hold(*, hold: Hold, looked_at: datetime, user: User, is_clean: bool) -> HoldLook:
    """Note a look for the cause. A clean one counts when it is far enough after the last.

    One that is not clean starts the run anew.
    """
    user.must("walk")
    hold = _locked(hold)
    if not hold.is_open:
        raise _forbid(hold, "looked at", "it has ended; raise a new one")
    on = timezone.localdate(looked_at)
    look, is_new = HoldLook.objects.get_or_create(
        hold=hold,
        looked_at=looked_at,
        defaults={
            "looked_on": on,
            "user": user,
            "is_clean": is_clean,
            "is_counted": is_clean and on >= _next_look_on(hold),
        },
    )
    if is_new:
        _follow_look(hold, look)
    return look


def _next_look_on(hold: Hold) -> Any:
    """The first day on which a clean look counts."""
    counted = hold.counted_looks()
    unclean = [look.looked_on for look in hold.looks.all() if not look.is_clean]
    start = counted[-1] if counted else max([hold.raised_on, *unclean])
    return start + timedelta(days=hold.days_apart)


def _follow_look(hold: Hold, look: HoldLook) -> None:
    if look.is_clean and look.is_counted:
        hold.state = Hold.State.EASING
    elif not look.is_clean:
        is_confirmed = hold.grade == Hold.Grade.CONFIRMED
        hold.state = Hold.State.CONFIRMED if is_confirmed else Hold.State.RAISED
    hold.lift_expected_on = hold.earliest_lift_on()
    hold.save(update_fields=["state", "lift_expected_on"])


@transaction.atomic
def lift_hold(*, hold: Hold, at: datetime, user: User, reason: str = "") -> Hold:
    """Lift a hold: the lead when its looks have earned it, the owner earlier with a reason.

    Raises LiftNotEarned, ForbiddenMove, NotAllowed.
    """
    user.must("lift_hold")
    hold = _locked(hold)
    if not hold.is_open:
        raise _forbid(hold, "lifted", "it has ended already")
    counted = len(hold.counted_looks())
    if counted < hold.needs_looks and not (user.may("lift_hold_early") and reason):
        raise LiftNotEarned(
            hold=hold.code,
            needs=hold.needs_looks,
            apart=hold.days_apart,
            counted=counted,
            due=f"{_next_look_on(hold):%a %-d %b}",
        )
    _end(hold, Hold.State.LIFTED, at, user, reason or f"{counted} clean looks")
    if hold.system is not None:
        hold.system.last_lifted_on = timezone.localdate(at)
        hold.system.save(update_fields=["last_lifted_on"])
    _tell(hold, "hold.lifted", at)
    return hold


@transaction.atomic
def void_hold(*, hold: Hold, at: datetime, user: User, reason: str) -> Hold:
    """Sign a hold off as a mistake. Only one that is raised and not confirmed."""
    user.must("confirm_hold")
    hold = _locked(hold)
    if hold.state != Hold.State.RAISED:
        raise _forbid(hold, "void", "only a raised hold can be a mistake; let it be lifted")
    if not reason:
        raise ReasonMissing(what="voiding a hold")
    _end(hold, Hold.State.VOID, at, user, reason)
    _tell(hold, "hold.void", at)
    return hold


def _end(hold: Hold, state: str, at: datetime, user: User, reason: str) -> None:
    hold.state, hold.ended_at, hold.ended_by = state, at, user
    hold.ended_reason = reason[:200]
    hold.save(update_fields=["state", "ended_at", "ended_by", "ended_reason"])


@transaction.atomic
def lower_floor(*, strain_key: str, pieces: int, reason: str, user: User, at: datetime) -> Strain:
    """Set a strain's mother floor. Only the owner goes down, and nobody below the hard floor.

    The Change kept here is the audit row: who, from, to and why.
    """
    strain = Strain.objects.select_for_update().filter(key=strain_key).first()
    if strain is None:
        raise Unknown(kind="strain", name=strain_key)
    if pieces < strain.hard_floor_pieces:
        raise FloorTooLow(strain=strain.key, hard=strain.hard_floor_pieces)
    user.must("lower_floor")
    if not reason:
        raise ReasonMissing(what="a new floor")
    was, strain.floor_pieces = strain.floor_pieces, pieces
    strain.save(update_fields=["floor_pieces"])
    note_change(
        what="strain",
        name=strain.key,
        field="floor",
        was=was,
        now_is=pieces,
        reason=reason,
        user=user,
        at=at,
    )
    facts = {
        "strain": strain.key,
        "was": was,
        "now": pieces,
        "reason": reason,
        "by": user.name,
        "strain_forms": list(strain.forms.values_list("pk", flat=True)),
    }
    Happening.objects.create(kind="floor.lowered", at=at, facts=facts)
    return strain
