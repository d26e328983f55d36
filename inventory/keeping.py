"""HOP 2k keeping: pieces for sale become mothers, or mothers are let go, by a lead's signature.

Call from: inventory/house_pages.py.
Locks: the line's strain-form, then what the ledger locks. Mothers that were let go are sold within
the week: the floor stands between a slip of the hand and the end of a line.
"""

from dataclasses import dataclass
from datetime import date, datetime
from functools import partial

from django.db import transaction
from django.utils import timezone

from inventory import ledger
from inventory.carrying import TrayUnderHold, free_slot, hold_on
from inventory.errors import FarmError, ReasonMissing, Unknown
from inventory.models import Balance, Happening, Lot, Movement, Place, StrainForm, Tray, Trough
from inventory.mothers import kept_and_floor
from inventory.people import User

KEEPABLE = (Lot.State.READY, Lot.State.GROWING)


class NothingToKeep(FarmError):
    code = "nothing_to_keep"
    title = "There is nothing of that kind there"
    message = "Tray {tray} holds no {what}. Name the tray where they stand."


class KeptBelowFloor(FarmError):
    code = "kept_below_floor"
    title = "The mothers would be too few"
    message = (
        "{strain} would keep {left} mother pieces, and its floor is {floor}. Let {most} go at most."
    )


class TrayInOtherUse(FarmError):
    code = "tray_in_other_use"
    title = "That tray is in other use"
    message = (
        "{tray} holds {there} pieces of {lot}. Name an empty tray, a trough with a free slot, or "
        "a tray of the same lot."
    )


@dataclass(frozen=True, slots=True)
class Keep:
    """Pieces of one tray that change their use. ``to_place`` is a tray, or a trough in whose first
    free slot one is set up; the tray itself where all of it changes."""

    from_tray: str
    to_place: str
    pieces: int
    reason: str


@transaction.atomic
def keep_pieces(*, keep: Keep, user: User, at: datetime) -> Lot:
    """Make mothers of pieces that are for sale or growing. Returns the kept lot.

    Raises NotAllowed, ReasonMissing, NothingToKeep, TrayInOtherUse, TrayUnderHold,
    StillInQuarantine, Unknown, and what the ledger raises.
    """
    standing = _standing(keep, user, KEEPABLE, "pieces for sale or growing")
    return _change_use(keep, standing, Lot.State.KEPT, Tray.Use.KEPT, user, at)


@transaction.atomic
def release_mothers(*, keep: Keep, user: User, at: datetime) -> Lot:
    """Let mothers go for sale: a lead down to the floor, the owner down to the hard floor.

    Returns the lot that is ready now. Raises as keep_pieces does, and KeptBelowFloor.
    """
    standing = _standing(keep, user, (Lot.State.KEPT,), "mothers")
    _refuse_below_floor(keep, standing, user)
    return _change_use(keep, standing, Lot.State.READY, Tray.Use.SALE, user, at)


def _standing(keep: Keep, user: User, states: tuple[Lot.State, ...], what: str) -> Balance:
    user.must("take_from_kept")
    if not keep.reason.strip():
        raise ReasonMissing(what="keeping mothers or letting them go")
    found = Balance.objects.filter(
        tray__code=keep.from_tray, pieces__gt=0, lot__state__in=states
    ).select_related("lot", "strain_form__strain", "strain_form__form", "tray__trough__system")
    standing = found.first()
    if standing is None:
        raise NothingToKeep(tray=keep.from_tray or "(none)", what=what)
    # The lock first, what stands there in a second statement. The floor is one of all forms.
    forms = StrainForm.objects.filter(strain=standing.strain_form.strain)
    ledger.lock_strain_forms(forms.values_list("pk", flat=True))
    standing.refresh_from_db(fields=["pieces"])
    if not 1 <= keep.pieces <= standing.pieces:
        raise ledger.NotEnoughInTray(tray=keep.from_tray, there=standing.pieces, asked=keep.pieces)
    return standing


def _refuse_below_floor(keep: Keep, standing: Balance, user: User) -> None:
    strain = standing.strain_form.strain
    there, floor = kept_and_floor(strain=strain, user=user)
    if there - keep.pieces < floor:
        raise KeptBelowFloor(
            strain=strain.key, left=there - keep.pieces, floor=floor, most=max(0, there - floor)
        )


def _change_use(
    keep: Keep, standing: Balance, state: Lot.State, use: Tray.Use, user: User, at: datetime
) -> Lot:
    """Out of the old lot, into one of the other use: a lot is of one use as a whole."""
    on = timezone.localdate(at)
    source, old = standing.tray, standing.lot
    target = _target(keep, standing)
    _refuse_hold(source, target)
    ledger.refuse_quarantined(lot=old, from_tray=source, to_tray=target)
    beyond = ledger.end_place(Place.End.USED_UP)
    move = partial(
        ledger.move_pieces,
        pieces=keep.pieces,
        reason=Movement.Reason.SHIFT,
        at=at,
        user=user,
        note=f"{state.label}: {keep.reason.strip()}"[:200],
    )
    move(lot=old, from_place=ledger.tray_place(source), to_place=beyond)
    lot = _lot_there(target, standing.strain_form, state) or _new_lot(old, target, state, on)
    move(lot=lot, from_place=beyond, to_place=ledger.tray_place(target))
    # A tray that gave its last piece is empty, and may take either use next.
    if source.pk != target.pk and not Balance.objects.filter(tray=source, pieces__gt=0).exists():
        Tray.objects.filter(pk=source.pk).update(use=Tray.Use.EMPTY)
    Tray.objects.filter(pk=target.pk).update(use=use)
    words = f"{keep.pieces} of {source.code} {state.label} in {target.code}: {keep.reason.strip()}"
    for tray in {source.pk: source, target.pk: target}.values():
        about = {"tray": tray.code, "strain_form": standing.strain_form_id, "reason": words}
        Happening.objects.create(kind="tray.shifted", at=at, facts=about)
    return lot


def _target(keep: Keep, standing: Balance) -> Tray:
    """The tray that takes them: their own where all of it changes, an empty one, one of the same
    use and strain-form, or one set up in a trough."""
    trays = Tray.objects.select_related("trough__system")
    target = trays.filter(code=keep.to_place).first()
    if target is None:
        return _set_up(keep, standing.strain_form)
    there = Balance.objects.filter(tray=target, pieces__gt=0).select_related("lot").first()
    is_own = target.pk == standing.tray_id and keep.pieces == standing.pieces
    if there is None or is_own:
        return target
    is_same = there.strain_form_id == standing.strain_form_id
    if target.pk == standing.tray_id or not is_same or there.lot.state in _kin(standing.lot):
        raise TrayInOtherUse(tray=target.code, there=there.pieces, lot=there.lot.code)
    return target


def _kin(lot: Lot) -> tuple[str, ...]:
    """The states that a lot's pieces are to leave."""
    return (Lot.State.KEPT,) if lot.state == Lot.State.KEPT else KEEPABLE


def _set_up(keep: Keep, strain_form: StrainForm) -> Tray:
    trough = Trough.objects.select_related("system").filter(code=keep.to_place).first()
    if trough is None:
        raise Unknown(kind="tray or trough", name=keep.to_place or "(none)")
    slot = free_slot(trough)
    return Tray.objects.create(
        code=f"{trough.code}.{slot}",
        trough=trough,
        slot=slot,
        form=strain_form.form,
        positions=strain_form.form.positions,
    )


def _refuse_hold(source: Tray, target: Tray) -> None:
    """What is held stays in its water, and nothing clean goes into water that is held."""
    if source.trough.system_id == target.trough.system_id:
        return
    for tray in (source, target):
        held = hold_on(trough=tray.trough, tray=tray)
        if held is not None:
            raise TrayUnderHold(tray=tray.code, hold=held.code, reason=held.reason)


def _lot_there(target: Tray, strain_form: StrainForm, state: Lot.State) -> Lot | None:
    there = Balance.objects.filter(
        tray=target, pieces__gt=0, lot__state=state, strain_form=strain_form
    )
    standing = there.select_related("lot").first()
    return standing.lot if standing else None


def _new_lot(old: Lot, target: Tray, state: Lot.State, on: date) -> Lot:
    """A lot of the same line and age as the one the pieces come from."""
    strain = old.strain_form.strain
    word = "kept" if state == Lot.State.KEPT else f"{on:%y%m%d}"
    code = f"{strain.key}-{word}-{target.code.replace('.', '')}"
    known = Lot.objects.filter(code__startswith=code).count()
    return Lot.objects.create(
        code=f"{code}-{known + 1}" if known else code,
        strain_form=old.strain_form,
        state=state,
        cut_on=old.cut_on,
        parent=old.parent,
        generation=old.generation,
        cohort=old.cohort,
        shell_min_cm=old.shell_min_cm,
        shell_max_cm=old.shell_max_cm,
        age_months=old.age_months,
        origin=old.origin,
        paper=old.paper,
        base_batch=old.base_batch,
        dip_due_on=old.dip_due_on,
    )
