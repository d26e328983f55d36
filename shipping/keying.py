"""HOP 8b key in: what the pencil wrote -> moves tray to bench, shorts, finds.

Call from: shipping/pages.py, shipping/bench_pages.py, config/scene_acts.py.
Locks: the sheet's row, then strain-forms in the ledger.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from inventory import ledger
from inventory.errors import FarmError, ForbiddenMove, ReasonMissing, Unknown
from inventory.models import Balance, Happening, Place, Tray
from inventory.people import User
from orders.models import Order, Promise
from orders.promising import change_promise
from shipping.models import PickSheet, PickTask
from shipping.picked import refuse_bagged
from shipping.picking import held_tray_codes
from shipping.refilling import end_refill
from shipping.shortfalls import check_stock


class SheetStale(FarmError):
    code = "sheet_stale"
    title = "That sheet is stale"
    message = (
        "Sheet {stamp} is stale: {reason}. {differences} Compare with sheet {newer} and key in "
        "that one."
    )


class TrayNotPickable(FarmError):
    code = "tray_not_pickable"
    title = "Nothing may be picked there"
    message = "Tray {tray} is {why}. Put the pieces back and tell the lead."


class MoreThanAsked(FarmError):
    code = "more_than_asked"
    status = 422
    title = "More than the sheet asks"
    message = (
        "{tray} for order {order}: {picked} keyed in, the sheet asks {asked}. Key in {asked} or "
        "less."
    )


@dataclass(frozen=True, slots=True)
class Keyed:
    """One written row: picked, and of what is short why; pieces found beyond the sheet."""

    task_id: int
    picked: int
    short_reason: str = ""
    found: int = 0


@transaction.atomic
def key_in(*, stamp: str, rows: Sequence[Keyed], user: User, now: datetime) -> PickSheet:
    """Key in a picked sheet by its stamp. A row not named was picked in full.

    Raises Unknown, SheetStale with the differences, ForbiddenMove when keyed in already,
    TrayNotPickable, MoreThanAsked.
    """
    user.must("pick")
    sheet = PickSheet.objects.select_for_update().filter(stamp=stamp).first()
    if sheet is None:
        raise Unknown(kind="sheet with stamp", name=stamp)
    if sheet.state == PickSheet.State.STALE:
        raise _stale(sheet)
    if sheet.state in (PickSheet.State.KEYED_IN, PickSheet.State.CLOSED):
        raise ForbiddenMove(
            kind="Sheet",
            name=stamp,
            state=sheet.get_state_display(),
            wanted="keyed in",
            why="somebody keyed it in before",
        )
    keyed = {row.task_id: row for row in rows}
    tasks = list(
        sheet.tasks.select_related(
            "tray__trough__system",
            "lot",
            "refill",
            "promise__line__order",
            "promise__line__listing",
        )
    )
    unknown = keyed.keys() - {task.pk for task in tasks}
    if unknown:
        raise Unknown(kind="row on this sheet", name=str(min(unknown)))
    for task in tasks:
        _key_task(task, keyed.get(task.pk) or Keyed(task.pk, task.pieces), user, now)
        if task.refill is not None:
            why = f"{task.picked_pieces} of {task.pieces} picked, sheet {sheet.stamp}"
            end_refill(refill=task.refill, now=now, why=why)
    _settle_promises(tasks, sheet, now)
    sheet.state, sheet.keyed_at, sheet.keyed_by = PickSheet.State.KEYED_IN, now, user
    sheet.save(update_fields=["state", "keyed_at", "keyed_by"])
    return sheet


def _stale(sheet: PickSheet) -> SheetStale:
    newer = PickSheet.objects.filter(replaces=sheet).first()
    while newer is not None and newer.state == PickSheet.State.STALE:
        following = PickSheet.objects.filter(replaces=newer).first()
        if following is None:
            break
        newer = following
    differences = sheet_differences(old=sheet, new=newer) if newer else []
    return SheetStale(
        stamp=sheet.stamp,
        reason=sheet.stale_reason or "something changed",
        newer=newer.stamp if newer else "that is drawn next",
        differences=" ".join(differences[:5]) or "Draw the sheets again.",
        rows=differences,
    )


def sheet_differences(*, old: PickSheet, new: PickSheet) -> list[str]:
    """What a newer sheet says differently, a sentence a row."""
    before, after = _rows_of(old), _rows_of(new)
    words = []
    for key in sorted(before.keys() | after.keys()):
        was, now = before.get(key, 0), after.get(key, 0)
        if was != now:
            tray, order, listing = key
            words.append(f"{tray}, order {order}, {listing}: {was} before, {now} now.")
    return words


def _rows_of(sheet: PickSheet) -> dict[tuple[str, str, str], int]:
    rows: dict[tuple[str, str, str], int] = {}
    tasks = sheet.tasks.values_list(
        "tray__code", "promise__line__order__number", "promise__line__listing__name", "pieces"
    )
    for tray, order, listing, pieces in tasks:
        rows[tray, order, listing] = rows.get((tray, order, listing), 0) + pieces
    return rows


def refuse_unpickable(*, tray: Tray) -> None:
    """Refuse a tray under an open hold, and one whose pieces are kept as mothers."""
    if tray.use == Tray.Use.KEPT:
        raise TrayNotPickable(tray=tray.code, why="kept for mothers")
    if tray.code in held_tray_codes():
        raise TrayNotPickable(tray=tray.code, why="on hold")


def _key_task(task: PickTask, row: Keyed, user: User, now: datetime) -> None:
    order = task.promise.line.order
    if not 0 <= row.picked <= task.pieces:
        raise MoreThanAsked(
            tray=task.tray.code, order=order.number, picked=row.picked, asked=task.pieces
        )
    if row.picked:
        refuse_unpickable(tray=task.tray)
        task.movement = ledger.move_pieces(
            lot=task.lot,
            from_place=ledger.tray_place(task.tray),
            to_place=ledger.end_place(Place.End.BENCH),
            pieces=row.picked,
            reason="pull",
            at=now,
            user=user,
            client_key=f"pick:{task.pk}",
            note=f"sheet {task.sheet.stamp}, order {order.number}",
        )
    if row.found:
        _note_found(task, row.found, user, now)
    task.picked_pieces, task.short_reason = row.picked, row.short_reason[:120]
    task.save(update_fields=["picked_pieces", "short_reason", "movement"])


def _note_found(task: PickTask, pieces: int, user: User, now: datetime) -> None:
    """Pieces seen beyond what the sheet knew of: they enter the count by a move of their own."""
    ledger.move_pieces(
        lot=task.lot,
        from_place=ledger.end_place(Place.End.FOUND),
        to_place=ledger.tray_place(task.tray),
        pieces=pieces,
        reason="recount",
        at=now,
        user=user,
        client_key=f"found:{task.pk}",
        note=f"found at the pick, sheet {task.sheet.stamp}",
    )


def _settle_promises(tasks: Sequence[PickTask], sheet: PickSheet, now: datetime) -> None:
    """Move each promise on once all its tasks are keyed in, and record what is missing."""
    short: set[int] = set()
    for promise_id in dict.fromkeys(task.promise_id for task in tasks):
        promise = Promise.objects.select_related("line__order").get(pk=promise_id)
        mine = _live_tasks(promise)
        if any(task.picked_pieces is None for task in mine):
            continue
        picked = sum(task.picked_pieces or 0 for task in mine)
        was_picked = promise.state != Promise.State.INKED
        if picked > promise.pieces_out or not was_picked:
            change_promise(promise_id=promise.pk, state=Promise.State.PULLED, pieces_out=picked)
        if picked < promise.pieces:
            # What was put back after the first pick stands in its tray and is not lost.
            _write_off_short([row for row in mine if not was_picked or row.sheet == sheet], now)
            short.add(promise.strain_form_id)
        if picked < promise.pieces or was_picked:
            facts = {"order": promise.line.order.number, "reason": f"sheet {sheet.stamp}"}
            Happening.objects.create(kind="pick.differs", at=now, facts=facts)
        _start_pick(promise.line.order)
    for strain_form_id in sorted(short):
        check_stock(
            strain_form_id=strain_form_id,
            week=sheet.week,
            cause=f"short at the pick, sheet {sheet.stamp}",
            now=now,
        )


def _live_tasks(promise: Promise) -> list[PickTask]:
    tasks = PickTask.objects.filter(promise=promise).exclude(sheet__state=PickSheet.State.STALE)
    return list(tasks.select_related("tray", "lot", "sheet"))


def _write_off_short(tasks: Sequence[PickTask], now: datetime) -> None:
    """What the picker did not find is lost from its tray; a count puts it back if it was there."""
    for task in tasks:
        missing = task.pieces - (task.picked_pieces or 0)
        there = Balance.objects.filter(tray=task.tray, lot=task.lot).first()
        if missing and there is not None and there.pieces and task.short_reason:
            ledger.move_pieces(
                lot=task.lot,
                from_place=ledger.tray_place(task.tray),
                to_place=ledger.end_place(Place.End.LOST),
                pieces=min(missing, there.pieces),
                reason="recount",
                at=now,
                client_key=f"short:{task.pk}",
                note=task.short_reason,
            )


def _start_pick(order: Order) -> None:
    Order.objects.filter(pk=order.pk, state=Order.State.PROMISED).update(state=Order.State.IN_PICK)


@transaction.atomic
def put_back(*, promise_id: int, user: User, now: datetime, reason: str) -> Promise:
    """Return the pulled pieces of a promise to the trays they came from; the promise is freed.

    Raises NotAllowed, ReasonMissing, ForbiddenMove once they are in bags, and what the ledger
    raises.
    """
    user.must("pick")
    if not reason.strip():
        raise ReasonMissing(what="putting pieces back")
    promise = Promise.objects.select_for_update().get(pk=promise_id)
    if promise.state != Promise.State.PULLED:
        raise ForbiddenMove(
            kind="Promise",
            name=str(promise.line),
            state=promise.get_state_display(),
            wanted="put back",
            why="only pulled pieces lie on the bench",
        )
    refuse_bagged(promise=promise)
    for task in _live_tasks(promise):
        if task.picked_pieces:
            ledger.move_pieces(
                lot=task.lot,
                from_place=ledger.end_place(Place.End.BENCH),
                to_place=ledger.tray_place(task.tray),
                pieces=task.picked_pieces,
                reason="return",
                at=now,
                user=user,
                client_key=f"return:{task.pk}:{task.picked_pieces}",
                note=reason[:200],
            )
    promise = change_promise(promise_id=promise.pk, state=Promise.State.FREED, reason=reason)
    facts: dict[str, Any] = {
        "promise": promise.pk,
        "strain_form": promise.strain_form_id,
        "order": promise.line.order.number,
        "customer": promise.line.order.customer.code,
        "reason": reason,
        "was": "pulled",
    }
    Happening.objects.create(kind="promise.freed", at=now, facts=facts)
    return promise
