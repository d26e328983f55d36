"""HOP 1d acts of the walk: notes that do something -> deaths, carried trays, shade, holds, undoing.

Call from: inventory/walk_sync.py.
Each act and its note are one transaction: neither is ever stored without the other.
"""

from collections.abc import Callable
from datetime import datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory import carrying, ledger, surges
from inventory.colouring import follow_grade
from inventory.errors import FarmError
from inventory.holds import raise_hold
from inventory.models import (
    Alarm,
    Balance,
    Count,
    Happening,
    Hold,
    Lot,
    Movement,
    Tray,
    WalkNote,
)
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.walk_ground import Ground
from inventory.walking import (
    Note,
    TrayIsEmpty,
    TrayNeeded,
    Via,
    grade_ready,
    look_row,
)

Kind = WalkNote.Kind
FLAG_WORDS = {Kind.PEST: "pest seen", Kind.BLEACH: "bleach seen", Kind.SURGE: "surge stalled"}


class NothingToTakeBack(FarmError):
    code = "nothing_to_take_back"
    title = "That cannot be taken back"
    message = "{what} cannot be taken back: {why}."


@transaction.atomic
def take_act(
    *, note: Note, received_at: datetime, user: User, via: Via, ground: Ground
) -> WalkNote:
    """Store one note that does something, and do it. Raises what the act's own hop raises."""
    user.must("walk")
    row = look_row(note=note, received_at=received_at, user=user, via=via, ground=ground)
    ACTS[row.kind](row, note)
    return row


def _tray(row: WalkNote) -> Tray:
    if row.tray is None:
        raise TrayNeeded(place=row.trough.code)
    return row.tray


def _move(row: WalkNote, note: Note) -> None:
    row.tray_move = carrying.carry_tray(
        tray=_tray(row),
        to_code=note.to_trough,
        at=row.looked_at,
        user=row.user,
        is_sure=note.is_sure,
    )
    row.save()


def _shade(row: WalkNote, note: Note) -> None:
    row.shade = carrying.draw_shade(
        trough=row.trough,
        share=note.shade_share or Decimal(0),
        from_on=timezone.localdate(row.looked_at),
        days=note.shade_days or 1,
    )
    row.save()


def _ready(row: WalkNote, note: Note) -> None:
    grade_ready(tray_code=_tray(row).code, user=row.user, at=row.looked_at)
    row.save()


def _flag(row: WalkNote, note: Note) -> None:
    """A pest, a bleach, a stalled surge: the hold acts now, and somebody is called."""
    place = row.tray or row.trough
    words = f"{FLAG_WORDS[Kind(row.kind)]} at {place}"
    if row.kind == Kind.SURGE and row.stalled_min is not None:
        words += f" for {row.stalled_min} min"
    if row.strain is not None:
        words += f" ({row.strain.key})"
    if row.text:
        words += f": {row.text}"
    row.is_pest = row.is_pest or row.kind == Kind.PEST
    if note.scope_kind and not _is_short_stall(row):
        row.hold = _standing_hold(row, note.scope_kind) or raise_hold(
            scope_kind=note.scope_kind,
            scope=_scope_code(row, note.scope_kind),
            reason=words[:200],
            grade=Hold.Grade.SUSPECTED,
            at=row.received_at,
            user=row.user,
        )
    row.save()
    if row.hold is not None:
        _call(row, words)
    if row.kind == Kind.SURGE:
        _follow_surge(row)


def _follow_surge(row: WalkNote) -> None:
    """No minute yet: it has just stopped, its clock runs. Any other surge note ends the clock."""
    if row.stalled_min == 0:
        surges.start_clock(note=row)
    else:
        surges.stop_clock(note=row)


def _is_short_stall(row: WalkNote) -> bool:
    if row.kind != Kind.SURGE or row.stalled_min is None:
        return False
    book = SettingBook.read(on=timezone.localdate(row.looked_at))
    return row.stalled_min <= book.whole("stalled_surge_min")


def _scope_code(row: WalkNote, scope_kind: str) -> str:
    codes = {"system": row.trough.system.code, "trough": row.trough.code}
    return codes.get(scope_kind) or _tray(row).code


def _standing_hold(row: WalkNote, scope_kind: str) -> Hold | None:
    """A hold on the same place that is open already: a second one would say nothing new."""
    code = _scope_code(row, scope_kind)
    return Hold.objects.filter(state__in=Hold.OPEN, **{f"{scope_kind}__code": code}).first()


def _call(row: WalkNote, words: str) -> None:
    assert row.hold is not None
    alarm = Alarm.objects.create(
        note=row, words=f"{row.hold}: {words}"[:200], raised_at=row.received_at
    )
    facts = {
        "alarm": alarm.pk,
        "hold": row.hold.code,
        "scope": row.hold.scope,
        "reason": words,
        "by": row.user.name,
    }
    Happening.objects.create(kind="alarm.raised", at=row.received_at, facts=facts)


@transaction.atomic
def answer_alarm(*, alarm_id: int, user: User, at: datetime) -> Alarm | None:
    """Say that an alarm was heard. The first answer is kept; a second changes nothing."""
    user.must("see_staff_pages")
    Alarm.objects.filter(pk=alarm_id, answered_at__isnull=True).update(
        answered_at=at, answered_by=user
    )
    return Alarm.objects.select_related("answered_by").filter(pk=alarm_id).first()


def _undo(row: WalkNote, note: Note) -> None:
    count = Count.objects.select_related("tray", "movement").filter(client_id=note.undoes).first()
    if count is not None:
        _undo_count(row, count)
        return
    other = WalkNote.objects.select_related("strain", "tray").filter(client_id=note.undoes).first()
    if other is None:
        raise NothingToTakeBack(what="That note", why="it never came in; leave it out instead")
    _refuse_others(row.user, other.user, str(other.get_kind_display()))
    if WalkNote.objects.filter(undoes=other).exists():
        raise NothingToTakeBack(what="That note", why="it has been taken back already")
    row.undoes, row.trough, row.tray, row.strain = other, other.trough, other.tray, other.strain
    row.hold = other.hold
    undo = UNDOINGS.get(Kind(other.kind))
    if undo is not None:
        undo(row, other)
    row.save()
    if other.grade is not None and other.strain is not None and other.strain.is_colour_strain:
        follow_grade(strain=other.strain, at=row.looked_at)


def _refuse_others(user: User, other: User, what: str) -> None:
    if user.pk != other.pk and not user.may("confirm_hold"):
        raise NothingToTakeBack(
            what=f"“{what}”", why=f"{other.name} noted it; ask {other.name} or the lead"
        )


def _undo_count(row: WalkNote, count: Count) -> None:
    """The counter-move, and the tray's count as it was. A later count of the tray stands."""
    what = f"The count of {count.tray}"
    _refuse_others(row.user, count.user, what)
    if WalkNote.objects.filter(undoes_count=count).exists():
        raise NothingToTakeBack(what=what, why="it has been taken back already")
    later = Count.objects.filter(
        tray=count.tray, looked_at__gt=count.looked_at, undone_by__isnull=True
    )
    if later.exists():
        raise NothingToTakeBack(what=what, why="the tray has been counted again since")
    row.undoes_count, row.tray, row.trough = count, count.tray, count.tray.trough
    if count.movement is not None:
        row.movement = _counter_move(row, count.movement, Movement.Reason.RECOUNT)
    if count.counted_on_before is not None and not count.is_waiting:
        Balance.objects.filter(tray=count.tray, lot=count.lot).update(
            counted_on=count.counted_on_before, is_sample=count.was_sample_before
        )
    Count.objects.filter(pk=count.pk).update(is_waiting=False)
    row.save()
    balance = Balance.objects.get(tray=count.tray)
    facts = {
        "tray": count.tray.code,
        "strain_form": balance.strain_form_id,
        "reason": f"the count of {count.pieces} is taken back",
    }
    Happening.objects.create(kind="stock.counted", at=row.looked_at, facts=facts)


def _counter_move(row: WalkNote, movement: Movement, reason: str) -> Movement:
    return ledger.move_pieces(
        lot=movement.lot,
        from_place=movement.to_place,
        to_place=movement.from_place,
        pieces=movement.pieces,
        reason=reason,
        at=row.looked_at,
        user=row.user,
        client_key=f"undo:{row.client_id}",
        note="taken back",
    )


def _undo_dead(row: WalkNote, other: WalkNote) -> None:
    assert other.movement is not None and other.tray is not None
    row.movement = _counter_move(row, other.movement, Movement.Reason.RECOUNT)
    facts = {
        "tray": other.tray.code,
        "strain_form": other.movement.lot.strain_form_id,
        "reason": f"{other.movement.pieces} dead taken back",
    }
    Happening.objects.create(kind="stock.counted", at=row.looked_at, facts=facts)


def _undo_move(row: WalkNote, other: WalkNote) -> None:
    assert other.tray_move is not None
    row.tray_move = carrying.carry_back(move=other.tray_move, at=row.looked_at, user=row.user)


def _undo_shade(row: WalkNote, other: WalkNote) -> None:
    """The row stays as history; from today on it shades nothing."""
    assert other.shade is not None
    row.shade = carrying.draw_shade(
        trough=other.trough,
        share=Decimal(0),
        from_on=timezone.localdate(row.looked_at),
        days=max(1, (other.shade.to_on - timezone.localdate(row.looked_at)).days + 1),
    )


def _undo_ready(row: WalkNote, other: WalkNote) -> None:
    balance = Balance.objects.filter(tray=other.tray).first()
    if balance is None:
        raise TrayIsEmpty(tray=str(other.tray))
    why = "its grade is taken back"
    ledger.change_lot_state(lot_id=balance.lot_id, state=Lot.State.GROWING, why=why)
    facts = {"tray": str(other.tray), "strain_form": balance.strain_form_id, "reason": why}
    Happening.objects.create(kind="stock.graded", at=row.looked_at, facts=facts)


ACTS: dict[str, Callable[[WalkNote, Note], None]] = {
    Kind.MOVE: _move,
    Kind.SHADE: _shade,
    Kind.READY: _ready,
    Kind.PEST: _flag,
    Kind.BLEACH: _flag,
    Kind.SURGE: _flag,
    Kind.UNDO: _undo,
}
UNDOINGS: dict[str, Callable[[WalkNote, WalkNote], None]] = {
    Kind.DEAD: _undo_dead,
    Kind.MOVE: _undo_move,
    Kind.SHADE: _undo_shade,
    Kind.READY: _undo_ready,
}
