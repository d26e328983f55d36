"""HOP 1 look and count: walk notes and counts -> WalkNote, Count, Movement, ColourState.

Call from: inventory/walk_sync.py, config/playing.py.
A note lands once by its client id and is ordered by when it was looked at, not by when it arrived.
Locks: the tray's strain-form through the ledger; the strain's row for its colour.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory import ledger
from inventory.colouring import follow_grade
from inventory.counting import CountBook
from inventory.counting import CountUnbelievable as CountUnbelievable
from inventory.counting import TrayIsEmpty as TrayIsEmpty
from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.models import (
    Balance,
    Cohort,
    Count,
    Happening,
    Lot,
    Movement,
    Phone,
    Strain,
    WalkNote,
)
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.walk_ground import Ground, Spot
from inventory.walk_words import MOST_TEXT, organ_of

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


class TrayNeeded(FarmError):
    code = "tray_needed"
    status = 422
    title = "Which tray?"
    message = "{place} is a trough. Say which tray of it: its code is printed on its front."


class SampleUnbelievable(FarmError):
    code = "sample_unbelievable"
    status = 422
    title = "That sample cannot be"
    message = "{rooted} rooted of {sampled} looked at. Type both numbers of the sample again."


class StrainNeeded(FarmError):
    code = "strain_needed"
    status = 422
    title = "Which strain?"
    message = "Colour, polyps or growth were noted at {place} without a strain. Say which one."


class NoPolypsThere(FarmError):
    code = "no_polyps_there"
    status = 422
    title = "That has no polyps"
    message = "{strain} is a mangrove: it has no polyps. Leave them out; its growth can be noted."


# Not frozen: five hundred of them are made at a time, and freezing doubles the making.
@dataclass(slots=True)
class Note:
    """One note as a phone sends it. ``is_sure`` answers a question that was asked back."""

    client_id: str
    looked_at: datetime
    place: str = ""
    kind: str = WalkNote.Kind.LOOK
    strain: str = ""
    cohort: str = ""
    grade: Decimal | None = None
    is_signed: bool = False
    polyp: int | None = None
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
    trough, tray, strain, cohort = places_of(note=note, received_at=received_at, ground=ground)
    return WalkNote(
        client_id=note.client_id,
        kind=note.kind,
        trough_id=trough.pk,
        tray_id=tray.pk if tray else None,
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
        polyp=note.polyp,
        growth=note.growth,
        light=note.light,
        flow=note.flow,
        is_pest=note.is_pest,
        sampled_pieces=note.sampled_pieces,
        rooted_pieces=note.rooted_pieces,
        stalled_min=note.stalled_min,
        dead_pieces=note.dead_pieces,
        text=note.text[:MOST_TEXT],
        photo=note.photo,
    )


def places_of(
    *, note: Note, received_at: datetime, ground: Ground
) -> tuple[Spot, Spot | None, Strain | None, Cohort | None]:
    """Look a note through: its trough, tray, strain and cohort. Raises as take_note does."""
    refuse_future(note, received_at)
    trough, tray = ground.place(code=note.place, at=note.looked_at)
    strain = ground.strain(key=note.strain) if note.strain else None
    if note.grade is not None or note.polyp is not None or note.growth is not None:
        if strain is None:
            raise StrainNeeded(place=note.place)
        ground.must_stand(strain=strain, trough=trough, tray=tray, at=note.looked_at)
        if note.polyp is not None and not organ_of(strain.strain_class_id):
            raise NoPolypsThere(strain=strain)
    cohort = ground.cohort(code=note.cohort) if note.cohort else None
    _refuse_grade(note.grade)
    _refuse_sample(note)
    return trough, tray, strain, cohort


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
    book = count_book(
        codes=[tray_code], looked_at=looked_at, received_at=received_at, user=user, via=via
    )
    book.count(
        code=tray_code,
        pieces=pieces,
        looked_at=looked_at,
        client_id=client_id,
        is_sample=is_sample,
        sure_share=sure_share,
        sent_looked_at=sent_looked_at,
    )
    book.write()
    return Count.objects.select_related("tray", "lot", "movement").get(client_id=client_id)


def count_book(
    *,
    codes: Sequence[str],
    looked_at: datetime,
    received_at: datetime,
    user: User,
    via: Via = BY_HAND,
    until: datetime | None = None,
    book: SettingBook | None = None,
) -> CountBook:
    """The trays of those codes, locked and read, for counts and deaths seen from then on."""
    book = book or SettingBook.read(on=timezone.localdate(received_at))
    return CountBook.read(
        codes=codes,
        first_at=looked_at,
        last_at=until or looked_at,
        received_at=received_at,
        user=user,
        second_look_share=book.decimal("second_look_share"),
        phone_id=via.phone.pk if via.phone else None,
        keyed_by_id=via.keyed_by.pk if via.keyed_by else None,
    )


@transaction.atomic
def record_deaths(
    *, tray_code: str, pieces: int, at: datetime, user: User, client_key: str
) -> Balance:
    """Write dead pieces off a tray. Its count keeps its day: nobody counted the rest."""
    user.must("walk")
    book = count_book(codes=[tray_code], looked_at=at, received_at=at, user=user)
    if not Movement.objects.filter(client_key=client_key).exists():
        book.dead(code=tray_code, pieces=pieces, at=at, client_key=client_key)
        book.write()
    return Balance.objects.select_related("lot", "tray").get(tray__code=tray_code)


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
