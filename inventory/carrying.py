"""HOP 1c carrying: a tray goes to another trough, a run is shaded -> TrayMove, ShadeLog.

Call from: inventory/walk_acts.py.
Locks: the tray's strain-form through the ledger.
"""

from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.db.models import Q

from inventory import ledger
from inventory.errors import FarmError, Unknown
from inventory.models import Balance, Happening, Hold, ShadeLog, Tray, TrayMove, Trough
from inventory.people import User


class TroughIsFull(FarmError):
    code = "trough_is_full"
    title = "No slot is free there"
    message = "Trough {trough} has {slots} slots and a tray in each. Choose another trough."


class TrayUnderHold(FarmError):
    code = "tray_under_hold"
    title = "Nothing leaves held water"
    message = (
        "{tray} stands under hold {hold} ({reason}). Nothing leaves held water for another system "
        "until the hold is lifted."
    )


class TrayStandsThere(FarmError):
    code = "tray_stands_there"
    title = "It stands there already"
    message = "{tray} stands in {trough} already. Nothing was moved."


class SpreadAtRisk(FarmError):
    code = "spread_at_risk"
    title = "The mothers would stand too close together"
    message = "{words} Move {tray} to {trough} all the same?"


def hold_on(*, trough: Trough, tray: Tray | None = None) -> Hold | None:
    """The oldest open hold on a trough, its system, or a tray in it."""
    places = Q(system_id=trough.system_id) | Q(trough_id=trough.pk)
    if tray is not None:
        places |= Q(tray_id=tray.pk)
        lot = Balance.objects.filter(tray=tray, pieces__gt=0).values_list("lot_id", flat=True)
        places |= Q(lot_id__in=lot)
    return Hold.objects.filter(places, state__in=Hold.OPEN).order_by("raised_at").first()


def spread_words(*, tray: Tray, to: Trough) -> str:
    """What a move would do to the spread of the mothers, or nothing. One sentence.

    A line whose mothers stand in one system only, or in no clean one, can be lost in a night.
    """
    balance = Balance.objects.select_related("strain_form__strain").filter(tray=tray).first()
    if balance is None or not balance.pieces or to.system_id == tray.trough.system_id:
        return ""
    held = hold_on(trough=to)
    strain = balance.strain_form.strain
    if tray.use != Tray.Use.KEPT:
        return f"{to.code} is on hold ({held.code}): {tray.code} would be held too." if held else ""
    others = Balance.objects.filter(strain_form__strain=strain, lot__state="kept", pieces__gt=0)
    others = others.exclude(tray=tray).select_related("tray__trough__system")
    clean = {
        row.tray.trough.system.code
        for row in others
        if hold_on(trough=row.tray.trough, tray=row.tray) is None
    }
    systems = {row.tray.trough.system.code for row in others} | {to.system.code}
    if held and not clean:
        return f"No mother of {strain.key} would be left in clean water: {to.code} is on hold."
    if len(systems) == 1 and tray.trough.system.code not in systems:
        return f"Every mother of {strain.key} would stand in system {to.system.code}."
    return ""


@transaction.atomic
def carry_tray(
    *, tray: Tray, to_code: str, at: datetime, user: User, is_sure: bool = False
) -> TrayMove:
    """Carry a tray to the first free slot of another trough. Its history keeps both places.

    Raises Unknown, TrayStandsThere, TrayUnderHold, SpreadAtRisk (unless ``is_sure``),
    TroughIsFull.
    """
    user.must("walk")
    to = Trough.objects.select_related("system").filter(code=to_code).first()
    if to is None:
        raise Unknown(kind="trough", name=to_code or "(none)")
    tray = (
        Tray.objects.select_for_update(of=("self",))
        .select_related("trough__system")
        .get(pk=tray.pk)
    )
    if to.pk == tray.trough_id:
        raise TrayStandsThere(tray=tray.code, trough=to.code)
    held = hold_on(trough=tray.trough, tray=tray)
    if held is not None and to.system_id != tray.trough.system_id:
        raise TrayUnderHold(tray=tray.code, hold=held.code, reason=held.reason)
    words = spread_words(tray=tray, to=to)
    if words and not is_sure:
        raise SpreadAtRisk(words=words, tray=tray.code, trough=to.code)
    return _place(tray, to, free_slot(to), at, user)


def free_slot(trough: Trough) -> int:
    """The first free slot of a trough. Raises TroughIsFull."""
    taken = set(Tray.objects.filter(trough=trough).values_list("slot", flat=True))
    free = [slot for slot in range(1, trough.slots + 1) if slot not in taken]
    if not free:
        raise TroughIsFull(trough=trough.code, slots=trough.slots)
    return free[0]


def _place(tray: Tray, to: Trough, slot: int, at: datetime, user: User) -> TrayMove:
    move = TrayMove.objects.create(
        tray=tray,
        from_trough=tray.trough,
        from_slot=tray.slot,
        to_trough=to,
        to_slot=slot,
        at=at,
        user=user,
    )
    was = tray.trough.code
    ledger.place_tray(tray=tray, trough=to, slot=slot)
    balance = Balance.objects.filter(tray=tray, pieces__gt=0).first()
    if balance is not None:
        reason = f"carried from {was} to {to.code}"
        facts = {"tray": tray.code, "strain_form": balance.strain_form_id, "reason": reason}
        Happening.objects.create(kind="tray.shifted", at=at, facts=facts)
    return move


@transaction.atomic
def carry_back(*, move: TrayMove, at: datetime, user: User) -> TrayMove:
    """Carry a tray back to where a move took it from, into its old slot where that is free."""
    tray = Tray.objects.select_related("trough").get(pk=move.tray_id)
    if tray.trough_id != move.to_trough_id:
        raise TrayStandsThere(tray=tray.code, trough=tray.trough.code)
    back = move.from_trough
    is_free = not Tray.objects.filter(trough=back, slot=move.from_slot).exists()
    slot = move.from_slot if is_free else free_slot(back)
    return _place(tray, back, slot, at, user)


@transaction.atomic
def draw_shade(*, trough: Trough, share: Decimal, from_on: date, days: int) -> ShadeLog:
    """Draw the cloth over one trough for some days, from a day on; share 0 takes it off.

    A row of the trough's own that still runs ends the day before: no two overlap. A row for all
    troughs stays; the trough's own weighs more.
    """
    to_on = from_on + timedelta(days=days - 1)
    running = ShadeLog.objects.filter(trough=trough, from_on__lte=to_on, to_on__gte=from_on)
    running.filter(from_on__gte=from_on).update(fraction=share)
    running.filter(from_on__lt=from_on).update(to_on=from_on - timedelta(days=1))
    same_day = running.filter(from_on=from_on).first()
    if same_day is not None:
        same_day.to_on = max(to_on, same_day.to_on)
        same_day.save(update_fields=["to_on"])
        return same_day
    return ShadeLog.objects.create(trough=trough, from_on=from_on, to_on=to_on, fraction=share)
