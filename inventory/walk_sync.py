"""HOP 1e sync: a phone's batch -> each note stored, known, asked back, kept aside or refused.

Call from: inventory/walk_pages.py, inventory/card_pages.py.
One transaction a batch: a line that breaks half-way has stored nothing, and the phone sends it
again. A bad note is refused alone, in its own savepoint.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory.bulk import known_keys
from inventory.errors import FarmError, Unknown
from inventory.models import Count, KeptAside, Phone, WalkNote
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.walk_acts import take_act
from inventory.walk_bulk import is_swift, store_run
from inventory.walk_ground import Ground, Named
from inventory.walk_reading import read_note
from inventory.walk_words import note_words
from inventory.walking import (
    BY_HAND,
    CLOCK_SLACK,
    KNOWN,
    PROBLEM,
    STORED,
    Note,
    Taken,
    Via,
)

ASKED, ASIDE = "asked", "kept aside"
MOST_NOTES = 500


class BatchTooLong(FarmError):
    code = "batch_too_long"
    status = 413
    title = "Too many notes at once"
    message = "{sent} notes came at once. Send at most {most} and the rest after them."


class LookTooOld(FarmError):
    code = "look_too_old"
    status = 422
    title = "The look is very old"
    message = (
        "Looked at {looked}, more than {days} days ago: the phone's clock may have been wrong. It "
        "is kept aside for the office to look at."
    )


class PhoneRevoked(FarmError):
    code = "phone_revoked"
    status = 403
    title = "This phone was taken off the list"
    message = (
        "{phone} was taken off the list of phones on {when}. Its notes are kept aside for the "
        "office to look at; none is lost. Ask the office to pair it again."
    )


# Refusals that are questions: the note waits here and on the phone for a yes or a no.
QUESTIONS = frozenset({"counted_just_now", "spread_at_risk"})
KEPT = frozenset({"look_too_old"})


@dataclass(frozen=True, slots=True)
class Batch:
    """What became of a batch. ``clock_words`` says that the phone's clock was set right here."""

    taken: list[Taken]
    clock_words: str = ""


@dataclass(slots=True)
class _Desk:
    """What is at hand while one batch is taken."""

    received_at: datetime
    user: User
    via: Via
    ground: Ground
    named: Named
    known: set[str]
    aside: dict[str, KeptAside]
    raws: dict[str, Any]
    oldest_at: datetime
    most_days: int
    book: SettingBook


def take_batch(
    *,
    raws: Sequence[Any],
    received_at: datetime,
    user: User,
    via: Via = BY_HAND,
    phone_now: datetime | None = None,
    is_demo_clock: bool = False,
) -> Batch:
    """Take a batch as it was sent; answers stand in the order of the notes.

    A phone whose clock is off by more than five minutes has every time of the batch set right by
    the difference; what it sent is kept beside. Raises BatchTooLong, NotAllowed.
    """
    if len(raws) > MOST_NOTES:
        raise BatchTooLong(sent=len(raws), most=MOST_NOTES)
    off = received_at - phone_now if phone_now is not None else timedelta(0)
    shift = off if abs(off) > CLOCK_SLACK else timedelta(0)
    answers: dict[int, Taken] = {}
    read: list[tuple[int, Note]] = []
    for index, raw in enumerate(raws):
        try:
            read.append((index, read_note(raw, shift=shift)))
        except FarmError as error:
            client_id = raw.get("client_id") if isinstance(raw, dict) else None
            name = client_id if isinstance(client_id, str) else ""
            answers[index] = Taken(name, PROBLEM, error.code, error.sentence)
    taken = take_notes(
        notes=[note for _, note in read],
        received_at=received_at,
        user=user,
        via=via,
        raws=[raws[index] for index, _ in read],
    )
    answers |= {index: row for (index, _), row in zip(read, taken, strict=True)}
    words = "" if is_demo_clock or not shift else _clock_words(shift)
    return Batch([answers[index] for index in sorted(answers)], words)


def _clock_words(shift: timedelta) -> str:
    is_fast = shift < timedelta(0)
    minutes = int(abs(shift).total_seconds()) // 60
    days, rest = divmod(minutes, 24 * 60)
    hours, minutes = divmod(rest, 60)
    parts = [(days, "day"), (hours, "h"), (minutes, "min")]
    length = " ".join(
        f"{number} {unit}{'s' if unit == 'day' and number > 1 else ''}"
        for number, unit in parts
        if number
    )
    way = "fast" if is_fast else "slow"
    return f"This phone's clock is {length} {way}: the times of its notes were set right here."


@transaction.atomic
def take_notes(
    *,
    notes: Sequence[Note],
    received_at: datetime,
    user: User,
    via: Via = BY_HAND,
    raws: Sequence[Any] = (),
) -> list[Taken]:
    """Store the good notes of a batch in the order of their looks; each bad one comes back with
    its own problem. ``raws`` is what is kept of a note that waits for a word."""
    user.must("walk")
    desk = _desk(notes, received_at, user, via)
    desk.raws = {note.client_id: raw for note, raw in zip(notes, raws, strict=False)}
    order = sorted(range(len(notes)), key=lambda index: notes[index].looked_at)
    answers: dict[int, Taken] = {}
    run: list[tuple[int, Note]] = []
    for index in order:
        note = notes[index]
        kept = desk.aside.get(note.client_id)
        if note.client_id in desk.known:
            answers[index] = Taken(note.client_id, KNOWN)
        elif kept is not None and not (note.is_sure and kept.is_waiting):
            answers[index] = _answer_aside(kept)
        elif is_swift(note) and kept is None:
            run.append((index, note))
            desk.known.add(note.client_id)
        else:
            # What was seen before an act is stored before it: an undoing may name it.
            answers |= _store_run(run, desk)
            run = []
            answers[index] = _take_one(note, desk)
            desk.known.add(note.client_id)
    answers |= _store_run(run, desk)
    return [answers[index] for index in range(len(notes))]


def _desk(notes: Sequence[Note], received_at: datetime, user: User, via: Via) -> _Desk:
    ids = [note.client_id for note in notes]
    known = known_keys(model=WalkNote, column="client_id", keys=ids)
    known |= known_keys(model=Count, column="client_id", keys=ids)
    kept = known_keys(model=KeptAside, column="client_id", keys=ids)
    rows = KeptAside.objects.filter(client_id__in=kept) if kept else ()
    aside = {row.client_id: row for row in rows}
    named = Named(
        frozenset(note.place for note in notes),
        frozenset(note.strain for note in notes if note.strain),
        frozenset(note.cohort for note in notes if note.cohort),
    )
    book = SettingBook.read(on=timezone.localdate(received_at))
    most_days = book.whole("walk_note_most_days")
    return _Desk(
        received_at=received_at,
        user=user,
        via=via,
        ground=Ground.read(named=named),
        named=named,
        known=known,
        aside=aside,
        raws={},
        oldest_at=received_at - timedelta(days=most_days),
        most_days=most_days,
        book=book,
    )


def _refuse_old(note: Note, desk: _Desk) -> None:
    if note.looked_at < desk.oldest_at:
        looked = f"{timezone.localtime(note.looked_at):%-d %b %Y}"
        raise LookTooOld(looked=looked, days=desk.most_days)


def _store_run(run: Sequence[tuple[int, Note]], desk: _Desk) -> dict[int, Taken]:
    """Looks, counts and deaths since the last act, all at once."""
    return store_run(
        notes=run,
        received_at=desk.received_at,
        user=desk.user,
        via=desk.via,
        ground=desk.ground,
        book=desk.book,
        check=lambda note: _refuse_old(note, desk),
        refused=lambda note, error: _refused(note, error, desk),
    )


def _take_one(note: Note, desk: _Desk) -> Taken:
    """A note that does something, in a savepoint of its own, or one that was asked back."""
    kept = desk.aside.get(note.client_id)
    if kept is not None:
        # The time stands as it was read when the note came first.
        note = replace(note, looked_at=datetime.fromisoformat(kept.note["looked_at"]))
    answer = _store_run([(0, note)], desk)[0] if is_swift(note) else _act(note, desk)
    if kept is not None and answer.outcome == STORED:
        _settle(kept, KeptAside.Outcome.STORED, desk.user, desk.received_at)
    return answer


def _act(note: Note, desk: _Desk) -> Taken:
    try:
        with transaction.atomic():
            _refuse_old(note, desk)
            row = take_act(
                note=note,
                received_at=desk.received_at,
                user=desk.user,
                via=desk.via,
                ground=desk.ground,
            )
    except FarmError as error:
        return _refused(note, error, desk)
    if note.kind == WalkNote.Kind.MOVE or note.undoes:
        desk.ground = Ground.read(named=desk.named)
    return Taken(note.client_id, STORED, sentence=note_words(row))


def _refused(note: Note, error: FarmError, desk: _Desk) -> Taken:
    if error.code in QUESTIONS or error.code in KEPT:
        _keep(note, error, desk)
        outcome = ASKED if error.code in QUESTIONS else ASIDE
        return Taken(note.client_id, outcome, error.code, error.sentence)
    return Taken(note.client_id, PROBLEM, error.code, error.sentence)


def _keep(note: Note, error: FarmError, desk: _Desk) -> None:
    body = dict(desk.raws.get(note.client_id, {}))
    body["looked_at"] = note.looked_at.isoformat()
    if note.sent_looked_at is not None:
        body["sent_looked_at"] = note.sent_looked_at.isoformat()
    KeptAside.objects.update_or_create(
        client_id=note.client_id,
        defaults={
            "phone": desk.via.phone,
            "user": desk.user,
            "note": body,
            "code": error.code,
            "sentence": error.sentence[:400],
            "received_at": desk.received_at,
        },
    )


def _answer_aside(kept: KeptAside) -> Taken:
    if not kept.is_waiting:
        words = f"{kept.get_outcome_display().capitalize()} after a look at it."
        return Taken(kept.client_id, KNOWN, sentence=words)
    outcome = ASKED if kept.code in QUESTIONS else ASIDE
    return Taken(kept.client_id, outcome, kept.code, kept.sentence)


def _settle(kept: KeptAside, outcome: str, user: User, at: datetime) -> None:
    kept.outcome, kept.settled_by, kept.settled_at = outcome, user, at
    kept.save(update_fields=["outcome", "settled_by", "settled_at"])


@transaction.atomic
def keep_revoked(*, raws: Sequence[Any], received_at: datetime, phone: Phone) -> Batch:
    """Keep every note of a phone that was taken off the list; none of them acts.

    One that came in while the phone was still on the list is known as any other.
    """
    assert phone.revoked_at is not None
    error = PhoneRevoked(
        phone=phone, when=f"{timezone.localtime(phone.revoked_at):%a %-d %b %H:%M}"
    )
    ids = [str(raw.get("client_id", ""))[:60] if isinstance(raw, dict) else "" for raw in raws]
    known = set(WalkNote.objects.filter(client_id__in=ids).values_list("client_id", flat=True))
    known |= set(Count.objects.filter(client_id__in=ids).values_list("client_id", flat=True))
    taken = []
    for client_id, raw in zip(ids, raws, strict=True):
        if client_id in known:
            taken.append(Taken(client_id, KNOWN))
            continue
        if not client_id:
            taken.append(Taken("", PROBLEM, error.code, error.sentence))
            continue
        KeptAside.objects.get_or_create(
            client_id=client_id,
            defaults={
                "phone": phone,
                "user": phone.user,
                "note": raw,
                "code": error.code,
                "sentence": error.sentence[:400],
                "received_at": received_at,
            },
        )
        taken.append(Taken(client_id, ASIDE, error.code, error.sentence))
    return Batch(taken)


@transaction.atomic
def settle_kept_note(*, kept_id: int, is_wanted: bool, user: User, at: datetime) -> Taken:
    """The office's word on a note kept aside: store it as its walker's, or leave it out.

    Nothing is deleted: the row keeps the note and who decided. Raises Unknown, NotAllowed.
    """
    user.must("settle_walk_notes")
    kept = KeptAside.objects.select_for_update(of=("self",)).select_related("user", "phone")
    row = kept.filter(pk=kept_id).first()
    if row is None:
        raise Unknown(kind="note kept aside", name=str(kept_id))
    if not row.is_waiting:
        return _answer_aside(row)
    if not is_wanted:
        _settle(row, KeptAside.Outcome.LEFT_OUT, user, at)
        return Taken(row.client_id, ASIDE, sentence="Left out. The note itself is kept.")
    note = replace(read_note(row.note), is_sure=True)
    desk = _desk([note], row.received_at, row.user, Via(phone=row.phone, keyed_by=user))
    desk.oldest_at = note.looked_at
    desk.aside = {}
    answer = _take_one(note, desk)
    if answer.outcome == STORED:
        _settle(row, KeptAside.Outcome.STORED, user, at)
    return answer
