"""HOP 1 look and count: walk notes and counts -> WalkNote, Count, Movement, ColourState.

Call from: inventory/walk_sync.py, config/playing.py.
A note lands once by its client id and is ordered by when it was looked at, not by when it arrived.
Locks: the tray's strain-form through the ledger; the strain's row for its colour.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory import ledger
from inventory.colouring import follow_grade
from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.models import (
    Balance,
    Count,
    Happening,
    Lot,
    Phone,
    Place,
    Tray,
    WalkNote,
)
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.walk_ground import Ground

CLOCK_SLACK = timedelta(minutes=5)


class GradeUnreadable(FarmError):
    code = "grade_unreadable"
    status = 422
    title = "That is no grade"
    message = "{grade} is not a grade. Grades go from 0 to 4 in half steps."


class LookedInFuture(FarmError):
    code = "looked_in_future"
    status = 422
    title = "The look lies in the future"
    message = "Looked at {looked}, received at {received}: the phone's clock is fast. Set it right."


class CountUnbelievable(FarmError):
    code = "count_unbelievable"
    status = 422
    title = "That count cannot be"
    message = "{pieces} in tray {tray}: it has {positions} positions. Count it again."


class TrayIsEmpty(FarmError):
    code = "tray_is_empty"
    status = 422
    title = "No lot stands there"
    message = "No lot is known in tray {tray}. Move one in before it is counted."


class SampleUnbelievable(FarmError):
    code = "sample_unbelievable"
    status = 422
    title = "That sample cannot be"
    message = "{rooted} rooted of {sampled} looked at. Type both numbers of the sample again."


@dataclass(frozen=True, slots=True)
class Note:
    """One note as a phone sends it. ``is_sure`` answers a question that was asked back."""

    client_id: str
    looked_at: datetime
    place: str
    kind: str = WalkNote.Kind.LOOK
    strain: str = ""
    cohort: str = ""
    grade: Decimal | None = None
    is_signed: bool = False
    growth: int | None = None
    light: str = ""
    flow: str = ""
    is_pest: bool = False
    sampled_pieces: int | None = None
    rooted_pieces: int | None = None
    stalled_min: int | None = None
    text: str = ""
    photo: str = ""
    pieces: int | None = None
    dead_pieces: int | None = None
    to_trough: str = ""
    shade_share: Decimal | None = None
    shade_days: int | None = None
    scope_kind: str = ""
    undoes: str = ""
    is_sure: bool = False
    sent_looked_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Via:
    """How notes came in: from a paired phone, keyed in from a card, or neither."""

    phone: Phone | None = None
    keyed_by: User | None = None


BY_HAND = Via()


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one note: stored, already there, asked back, kept aside, or a problem with
    its code and sentence."""

    client_id: str
    outcome: str
    code: str = ""
    sentence: str = ""


STORED, KNOWN, PROBLEM = "stored", "already have it", "problem"


@transaction.atomic
def take_note(
    *,
    note: Note,
    received_at: datetime,
    user: User,
    via: Via = BY_HAND,
    ground: Ground | None = None,
) -> tuple[WalkNote, bool]:
    """Store one look. The second value says that it was there already.

    A graded look of a colour strain runs the strain's colour state again. Raises GradeUnreadable,
    LookedInFuture, StrainNotThere, Unknown.
    """
    user.must("walk")
    known = WalkNote.objects.filter(client_id=note.client_id).first()
    if known is not None:
        return known, True
    ground = ground or Ground.read()
    stored = look_row(note=note, received_at=received_at, user=user, via=via, ground=ground)
    stored.save()
    if stored.grade is not None and stored.strain is not None and stored.strain.is_colour_strain:
        follow_grade(strain=stored.strain, at=note.looked_at)
    return stored, False


def look_row(
    *, note: Note, received_at: datetime, user: User, via: Via, ground: Ground
) -> WalkNote:
    """The row of one note, looked through and not yet saved. Raises as take_note does."""
    refuse_future(note, received_at)
    trough, tray = ground.place(code=note.place, at=note.looked_at)
    strain = ground.strain(key=note.strain) if note.strain else None
    if strain is not None and note.grade is not None:
        ground.must_stand(strain=strain, trough=trough, tray=tray, at=note.looked_at)
    cohort = ground.cohort(code=note.cohort) if note.cohort else None
    _refuse_grade(note.grade)
    _refuse_sample(note)
    return WalkNote(
        client_id=note.client_id,
        kind=note.kind,
        trough=trough,
        tray=tray,
        strain=strain,
        cohort=cohort,
        looked_at=note.looked_at,
        sent_looked_at=note.sent_looked_at,
        received_at=received_at,
        user=user,
        phone=via.phone,
        keyed_by=via.keyed_by,
        grade=note.grade,
        is_signed=note.is_signed and user.may("rest_strain"),
        growth=note.growth,
        light=note.light,
        flow=note.flow,
        is_pest=note.is_pest,
        sampled_pieces=note.sampled_pieces,
        rooted_pieces=note.rooted_pieces,
        stalled_min=note.stalled_min,
        dead_pieces=note.dead_pieces,
        text=note.text[:300],
        photo=note.photo,
    )


def refuse_future(note: Note, received_at: datetime) -> None:
    """Raise LookedInFuture for a look that lies ahead of the farm's clock."""
    if note.looked_at > received_at + CLOCK_SLACK:
        words = "%a %-d %b %H:%M"
        raise LookedInFuture(
            looked=timezone.localtime(note.looked_at).strftime(words),
            received=timezone.localtime(received_at).strftime(words),
        )


def _refuse_grade(grade: Decimal | None) -> None:
    if grade is not None and not (0 <= grade <= 4 and (grade * 2) % 1 == 0):
        raise GradeUnreadable(grade=grade)


def _refuse_sample(note: Note) -> None:
    sampled, rooted = note.sampled_pieces, note.rooted_pieces
    if rooted is not None and (sampled is None or rooted > sampled):
        raise SampleUnbelievable(rooted=rooted, sampled=sampled or 0)


def newest_note(*, trough_code: str, strain_key: str = "") -> WalkNote | None:
    """The newest look at a trough, or at one strain in it, by when it was looked at."""
    notes = WalkNote.objects.filter(trough__code=trough_code)
    if strain_key:
        notes = notes.filter(strain__key=strain_key)
    return notes.order_by("-looked_at", "-id").first()


@transaction.atomic
def take_count(
    *, note: Note, received_at: datetime, user: User, via: Via = BY_HAND
) -> tuple[Count, bool]:
    """Store a count sent from a phone; ``note.place`` is the tray."""
    known = Count.objects.filter(client_id=note.client_id).first()
    if known is not None:
        return known, True
    refuse_future(note, received_at)
    count = count_tray(
        tray_code=note.place,
        pieces=note.pieces or 0,
        looked_at=note.looked_at,
        received_at=received_at,
        user=user,
        client_id=note.client_id,
        via=via,
        sent_looked_at=note.sent_looked_at,
    )
    return count, False


@transaction.atomic
def count_tray(
    *,
    tray_code: str,
    pieces: int,
    looked_at: datetime,
    received_at: datetime,
    user: User,
    client_id: str,
    is_sample: bool = False,
    sure_share: Decimal = Decimal(1),
    via: Via = BY_HAND,
    sent_looked_at: datetime | None = None,
) -> Count:
    """Count one tray: the difference becomes a move of its own and the count's clock starts anew.

    A count that would raise the stock by more than the farm's share waits for a second pair of
    eyes; downward it acts at once. One looked at before the newest count is kept and changes
    nothing. Raises Unknown, CountUnbelievable, TrayIsEmpty.
    """
    user.must("count_at_pick")
    known = Count.objects.filter(client_id=client_id).first()
    if known is not None:
        return known
    tray = Tray.objects.select_related("trough").filter(code=tray_code).first()
    if tray is None:
        raise Unknown(kind="tray", name=tray_code or "(none)")
    if not 0 <= pieces <= tray.positions:
        raise CountUnbelievable(pieces=pieces, tray=tray.code, positions=tray.positions)
    balance = Balance.objects.select_related("lot").filter(tray=tray).first()
    if balance is None:
        raise TrayIsEmpty(tray=tray.code)
    ledger.lock_strain_forms([balance.strain_form_id])
    balance.refresh_from_db(fields=["pieces", "counted_on", "is_sample"])
    counts = Count.objects.filter(tray=tray, undone_by__isnull=True)
    newest = counts.filter(is_waiting=False).order_by("-looked_at").first()
    is_late = newest is not None and looked_at < newest.looked_at
    count = Count(
        client_id=client_id,
        tray=tray,
        lot=balance.lot,
        pieces=pieces,
        pieces_before=balance.pieces,
        is_sample=is_sample,
        sure_share=sure_share,
        looked_at=looked_at,
        received_at=received_at,
        user=user,
        phone=via.phone,
        keyed_by=via.keyed_by,
        sent_looked_at=sent_looked_at,
        counted_on_before=balance.counted_on,
        was_sample_before=balance.is_sample,
        is_waiting=not is_late
        and _needs_second_look(tray, balance.pieces, pieces, user, timezone.localdate(received_at)),
    )
    if not count.is_waiting and not is_late:
        count.movement = _correct(tray, balance, count)
    count.save()
    return count


def _needs_second_look(tray: Tray, before: int, pieces: int, user: User, on: date) -> bool:
    """A large rise counts only once another person has seen it too."""
    # Exact: 115 is 15 % above 100, and binary floating point says a hair less.
    share = SettingBook.read(on=on).decimal("second_look_share")
    if pieces <= before * (1 + share):
        return False
    waiting = Count.objects.filter(tray=tray, is_waiting=True, undone_by__isnull=True)
    waiting = waiting.exclude(user=user)
    seen = waiting.order_by("-looked_at").first()
    return seen is None or seen.pieces < pieces


def _correct(tray: Tray, balance: Balance, count: Count):  # type: ignore[no-untyped-def]
    difference = count.pieces - balance.pieces
    movement = None
    if difference:
        place = ledger.tray_place(tray)
        end = ledger.end_place(Place.End.FOUND if difference > 0 else Place.End.LOST)
        source, target = (end, place) if difference > 0 else (place, end)
        movement = ledger.move_pieces(
            lot=balance.lot,
            from_place=source,
            to_place=target,
            pieces=abs(difference),
            reason="recount",
            at=count.looked_at,
            user=count.user,
            client_key=f"count:{count.client_id}",
        )
    Balance.objects.filter(pk=balance.pk).update(
        counted_on=timezone.localdate(count.looked_at), is_sample=count.is_sample
    )
    Count.objects.filter(tray=tray, is_waiting=True).update(is_waiting=False)
    facts = {
        "tray": tray.code,
        "strain_form": balance.strain_form_id,
        "before": balance.pieces,
        "after": count.pieces,
        "reason": f"counted {count.pieces}, {balance.pieces} before",
    }
    Happening.objects.create(kind="stock.counted", at=count.looked_at, facts=facts)
    return movement


@transaction.atomic
def record_deaths(
    *, tray_code: str, pieces: int, at: datetime, user: User, client_key: str
) -> Balance:
    """Write dead pieces off a tray. Its count keeps its day: nobody counted the rest."""
    user.must("walk")
    balance = Balance.objects.select_related("lot", "tray").filter(tray__code=tray_code).first()
    if balance is None:
        raise Unknown(kind="tray with a lot", name=tray_code or "(none)")
    ledger.move_pieces(
        lot=balance.lot,
        from_place=ledger.tray_place(balance.tray),
        to_place=ledger.end_place(Place.End.DEAD),
        pieces=pieces,
        reason="death",
        at=at,
        user=user,
        client_key=client_key,
    )
    facts = {
        "tray": tray_code,
        "strain_form": balance.strain_form_id,
        "reason": f"{pieces} died",
    }
    Happening.objects.create(kind="stock.died", at=at, facts=facts)
    balance.refresh_from_db()
    return balance


@transaction.atomic
def grade_ready(*, tray_code: str, user: User, at: datetime) -> Lot:
    """A grower's grade makes the lot of a tray ready; the model never does."""
    user.must("grade_ready")
    balance = Balance.objects.select_related("lot").filter(tray__code=tray_code).first()
    if balance is None:
        raise Unknown(kind="tray with a lot", name=tray_code or "(none)")
    why = "only a growing lot is graded ready"
    if balance.lot.state != Lot.State.GROWING:
        # Mothers have a way back to ready, but no grade may release them for sale.
        state = balance.lot.state
        raise ForbiddenMove(
            kind="Lot", name=balance.lot.code, state=state, wanted=Lot.State.READY, why=why
        )
    lot = ledger.change_lot_state(lot_id=balance.lot_id, state=Lot.State.READY, why=why)
    facts = {
        "tray": tray_code,
        "strain_form": balance.strain_form_id,
        "reason": f"{lot} graded ready",
    }
    Happening.objects.create(kind="stock.graded", at=at, facts=facts)
    return lot
