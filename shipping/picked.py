"""HOP 8e picked: promises that were picked and lack pieces all the same -> what may be done of it.

A piece was not found at its tray, or lies on the bench and its tray is on hold since.

Call from: shipping/settling.py, shipping/shortfalls.py, shipping/following.py.
Locks: strain-forms in the ledger, then the promise's row.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from inventory import ledger
from inventory.models import Hold, Place
from inventory.people import User
from orders.models import Line, Promise, ShipWeek
from orders.promising import change_promise
from shipping.models import PickSheet, PickTask
from shipping.road_checks import hold_on

PICKED = (Promise.State.PULLED, Promise.State.BAGGED, Promise.State.MISSED)


@dataclass(frozen=True, slots=True)
class Lacking:
    """A promise that was picked, and how many of its pieces cannot go. [pieces]"""

    promise: Promise
    missing_pieces: int

    @property
    def missing_units(self) -> int:
        """Sale units that are not whole. On the bench what would be left must be whole units of
        the line and at least the least that is accepted; what is in bags goes as it is."""
        promise, line = self.promise, self.promise.line
        a_unit = promise.pieces // promise.units
        units = -(-self.missing_pieces // a_unit)
        if promise.state == Promise.State.PULLED:
            units = -(-units // line.unit) * line.unit
            if promise.units - units < line.least:
                units = promise.units
        return min(units, promise.units)


def lacking(*, strain_form_id: int, week: ShipWeek) -> list[Lacking]:
    """Picked promises of a strain-form that lack pieces, who was inked last first."""
    rows = Promise.objects.filter(
        strain_form_id=strain_form_id, week=week, state__in=PICKED, line__state=Line.State.OPEN
    ).select_related(
        "line__order__customer", "line__order__week", "line__order__ship_to__customer",
        "line__listing__strain_form__strain",
    )  # fmt: skip
    holds = list(Hold.objects.filter(state__in=Hold.OPEN))
    found = []
    for promise in rows.order_by("-inked_at", "-line__order__number"):
        out = promise.pieces_out if promise.state != Promise.State.MISSED else 0
        missing = promise.pieces - out + _held_pieces(promise, holds)
        if missing > 0:
            found.append(Lacking(promise, missing))
    return found


def held_on_bench(*, strain_form_id: int, week: ShipWeek) -> int:
    """Picked pieces that may not be bagged: their tray has come on hold since. [pieces]"""
    holds = list(Hold.objects.filter(state__in=Hold.OPEN))
    rows = Promise.objects.filter(
        strain_form_id=strain_form_id, week=week, state=Promise.State.PULLED
    )
    return sum(_held_pieces(promise, holds) for promise in rows)


def forms_on_bench() -> set[int]:
    """The strain-forms of which picked pieces lie on the bench in no bag."""
    rows = Promise.objects.filter(state=Promise.State.PULLED)
    return set(rows.values_list("strain_form", flat=True))


def _held_pieces(promise: Promise, holds: Sequence[Hold]) -> int:
    if promise.state != Promise.State.PULLED or not holds:
        return 0
    return sum(task.picked_pieces or 0 for task in _tasks(promise) if _is_held(task, holds))


def _is_held(task: PickTask, holds: Sequence[Hold]) -> bool:
    hold = hold_on(holds=holds, tray=task.tray, system_id=task.sheet.system_id, lot_id=task.lot_id)
    return hold is not None


def _tasks(promise: Promise) -> list[PickTask]:
    tasks = PickTask.objects.filter(promise=promise).exclude(sheet__state=PickSheet.State.STALE)
    return list(tasks.select_related("tray__trough", "lot", "sheet").order_by("pk"))


def make_way(*, promise: Promise, units: int, user: User, now: datetime, note: str) -> None:
    """Before some units of a promise go another way: what of them lies on the bench goes back to
    its tray, held pieces first."""
    if promise.state != Promise.State.PULLED:
        return
    stays = (promise.units - units) * (promise.pieces // promise.units)
    left = promise.pieces_out - stays
    if left <= 0:
        return
    for task, pieces in _to_return(promise, left):
        ledger.move_pieces(
            lot=task.lot,
            from_place=ledger.end_place(Place.End.BENCH),
            to_place=ledger.tray_place(task.tray),
            pieces=pieces,
            reason="return",
            at=now,
            user=user,
            client_key=f"return:{task.pk}:{task.picked_pieces}",
            note=note[:200],
        )
        task.picked_pieces = (task.picked_pieces or 0) - pieces
        task.short_reason = "put back"
        task.save(update_fields=["picked_pieces", "short_reason"])
    change_promise(promise_id=promise.pk, state=promise.state, pieces_out=stays)


def _to_return(promise: Promise, pieces: int) -> Iterator[tuple[PickTask, int]]:
    holds = list(Hold.objects.filter(state__in=Hold.OPEN))
    for task in sorted(_tasks(promise), key=lambda task: not _is_held(task, holds)):
        some = min(task.picked_pieces or 0, pieces)
        if some:
            pieces -= some
            yield task, some
