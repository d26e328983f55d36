"""HOP 2h cutting: parents, mounts and a tray -> a new Lot with its history.

Call from: config/cut_page.py.
Locks: strain-forms in the ledger; base batches and plugs as their hops do.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils import timezone

from inventory import ledger
from inventory.bases import take_bases
from inventory.carrying import TrayUnderHold, free_slot, hold_on
from inventory.errors import FarmError, Unknown
from inventory.models import (
    Balance,
    BaseBatch,
    Form,
    Happening,
    Lot,
    Movement,
    Place,
    Strain,
    StrainForm,
    Tray,
    Trough,
)
from inventory.mothers import kept_and_floor
from inventory.people import User
from inventory.plugs import take_plugs
from inventory.setting_book import SettingBook

CUTTABLE = (Lot.State.READY, Lot.State.GROWING, Lot.State.KEPT)
NOT_CUT = frozenset({"CLAM", "MANG"})


class CutBelowFloor(FarmError):
    code = "cut_below_floor"
    title = "The mothers would be too few"
    message = (
        "{strain} would keep {left} mother pieces, and its floor is {floor}. Take {most} at most, "
        "or cut pieces that are for sale."
    )


class CutUnbelievable(FarmError):
    code = "cut_unbelievable"
    status = 422
    title = "That cut cannot be"
    message = "{pieces} pieces from {parents} of tray {tray}: {why}."


@dataclass(frozen=True, slots=True)
class Cut:
    """What is cut: parents that are used up, and the pieces they become."""

    from_tray: str
    parents: int
    pieces: int
    to_place: str
    form: str = ""
    base_batch: str = ""


@transaction.atomic
def record_cut(*, cut: Cut, user: User, at: datetime) -> Lot:
    """Record a cut of today: the parents leave their tray, a healing lot stands in another.

    ``to_place`` is an empty tray, or a trough in whose first free slot a tray is set up. Raises
    NotAllowed, Unknown, CutUnbelievable, CutBelowFloor, BasesNotUsable, PlugsMissing,
    TrayUnderHold, TroughIsFull, and what the ledger raises.
    """
    user.must("record_cut")
    on = timezone.localdate(at)
    source = Tray.objects.select_related("trough__system").filter(code=cut.from_tray).first()
    balance = _standing(source, cut)
    assert source is not None
    # The lock first, what stands there in a second statement.
    ledger.lock_strain_forms([balance.strain_form_id])
    balance.refresh_from_db(fields=["pieces"])
    parent, strain = balance.lot, balance.strain_form.strain
    _refuse_unbelievable(cut, balance, strain)
    if parent.state == Lot.State.KEPT:
        _refuse_below_floor(cut, strain, user)
    strain_form = _form_of(balance, cut)
    target = _target(cut, strain_form.form, source)
    ledger.refuse_quarantined(lot=parent, from_tray=source, to_tray=target)
    batch = _take_mounts(cut, strain_form, on)
    lot = Lot.objects.create(
        code=_lot_code(strain, on, target),
        strain_form=strain_form,
        state=Lot.State.HEALING,
        cut_on=on,
        cut_pieces=cut.pieces,
        parent=parent,
        generation=parent.generation + 1,
        origin=parent.origin,
        paper=parent.paper,
        base_batch=batch,
    )
    _write_moves(lot, parent, source, target, cut, user, at)
    facts = {
        "tray": source.code,
        "strain_form": balance.strain_form_id,
        "reason": f"{cut.parents} cut up for {lot.code}",
    }
    Happening.objects.create(kind="stock.counted", at=at, facts=facts)
    return lot


def _standing(source: Tray | None, cut: Cut) -> Balance:
    balance = (
        Balance.objects.select_related("lot", "strain_form__strain", "strain_form__form")
        .filter(tray=source, pieces__gt=0, lot__state__in=CUTTABLE)
        .first()
        if source
        else None
    )
    if balance is None:
        raise Unknown(kind="tray with pieces to cut", name=cut.from_tray or "(none)")
    return balance


def _refuse_unbelievable(cut: Cut, balance: Balance, strain: Strain) -> None:
    why = ""
    if strain.strain_class_id in NOT_CUT:
        why = f"{strain.key} is not cut"
    elif not (cut.parents >= 1 and cut.pieces >= 1):
        why = "both are at least one"
    elif cut.parents > balance.pieces:
        why = f"{balance.pieces} stand there"
    if why:
        raise CutUnbelievable(pieces=cut.pieces, parents=cut.parents, tray=cut.from_tray, why=why)


def _refuse_below_floor(cut: Cut, strain: Strain, user: User) -> None:
    """Mothers are a lead's down to the floor, and the owner's down to the hard floor."""
    user.must("take_from_kept")
    there, floor = kept_and_floor(strain=strain, user=user)
    if there - cut.parents < floor:
        raise CutBelowFloor(
            strain=strain.key, left=there - cut.parents, floor=floor, most=max(0, there - floor)
        )


def _form_of(balance: Balance, cut: Cut) -> StrainForm:
    """The form of the new pieces: as asked, else the parents' own unless they are minis."""
    forms = {row.form.key: row for row in _made_forms(balance.strain_form.strain)}
    wanted = cut.form or balance.strain_form.form.key
    if not cut.form and wanted not in forms and len(forms) == 1:
        [wanted] = forms
    if wanted not in forms:
        name = f"{balance.strain_form.strain.key} {wanted}"
        raise Unknown(kind="form that is made of it", name=name)
    return forms[wanted]


def _made_forms(strain: Strain) -> list[StrainForm]:
    rows = StrainForm.objects.filter(strain=strain, reference_days__isnull=False)
    return list(rows.select_related("form"))


def _target(cut: Cut, form: Form, source: Tray) -> Tray:
    """The tray that takes the new pieces, set up in a free slot where a trough is named."""
    target = Tray.objects.select_related("trough__system").filter(code=cut.to_place).first()
    if target is None:
        trough = Trough.objects.select_related("system").filter(code=cut.to_place).first()
        if trough is None:
            raise Unknown(kind="tray or trough", name=cut.to_place or "(none)")
        slot = free_slot(trough)
        target = Tray(
            code=f"{trough.code}.{slot}",
            trough=trough,
            slot=slot,
            form=form,
            positions=form.positions,
            use=Tray.Use.SALE,
        )
    if target.form_id != form.pk or target.use == Tray.Use.KEPT:
        raise Unknown(kind=f"tray for {form.key} pieces for sale", name=target.code)
    if source.trough.system_id != target.trough.system_id:
        for tray in (source, target):
            held = hold_on(trough=tray.trough, tray=tray if tray.pk else None)
            if held is not None:
                raise TrayUnderHold(tray=tray.code, hold=held.code, reason=held.reason)
    target.use = Tray.Use.SALE
    target.save()
    return target


def _lot_code(strain: Strain, on: date, tray: Tray) -> str:
    code = f"{strain.key}-{on:%y%m%d}-{tray.code.replace('.', '')}"
    number = Lot.objects.filter(code__startswith=code).count()
    return f"{code}-{number + 1}" if number else code


def _write_moves(
    lot: Lot, parent: Lot, source: Tray, target: Tray, cut: Cut, user: User, at: datetime
) -> None:
    ledger.move_pieces(
        lot=parent,
        from_place=ledger.tray_place(source),
        to_place=ledger.end_place(Place.End.USED_UP),
        pieces=cut.parents,
        reason=Movement.Reason.CUT,
        at=at,
        user=user,
        client_key=f"parents:{lot.code}",
    )
    ledger.move_pieces(
        lot=lot,
        from_place=ledger.end_place(Place.End.CUT),
        to_place=ledger.tray_place(target),
        pieces=cut.pieces,
        reason=Movement.Reason.CUT,
        at=at,
        user=user,
        client_key=f"cut:{lot.code}",
    )


def _take_mounts(cut: Cut, strain_form: StrainForm, on: date) -> BaseBatch | None:
    """Use up a base or a plug for each piece. Returns the batch of the bases."""
    if strain_form.form.key == "base":
        return take_bases(pieces=cut.pieces, batch_code=cut.base_batch, on=on)
    take_plugs(pieces=cut.pieces)
    return None


@transaction.atomic
def grow_healed(*, on: date) -> int:
    """Healed lots grow from the day their healing is over. Safe to run late or twice."""
    days = SettingBook.read(on=on).whole("healing_days")
    due = Lot.objects.filter(
        state=Lot.State.HEALING, cut_on__lte=on - timedelta(days=days)
    ).order_by("strain_form_id", "pk")
    ids = list(due.values_list("pk", flat=True))
    for pk in ids:
        ledger.change_lot_state(lot_id=pk, state=Lot.State.GROWING)
    return len(ids)
