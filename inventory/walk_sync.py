"""HOP 1e sync: a phone's batch -> each note stored, known, asked back, kept aside or refused.

Call from: inventory/walk_pages.py, inventory/card_pages.py.
One transaction a batch: a line that breaks half-way has stored nothing, and the phone sends it
again. A bad note is refused alone, in its own savepoint.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory.colouring import follow_grade
from inventory.errors import FarmError, Unknown
from inventory.models import Count, KeptAside, Phone, WalkNote
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.walk_acts import ACTS, COUNTED_TWICE_WITHIN, take_act
from inventory.walk_ground import Ground
from inventory.walk_reading import read_note
from inventory.walk_words import count_words, note_words, state_words
from inventory.walking import (
    BY_HAND,
    CLOCK_SLACK,
    KNOWN,
    PROBLEM,
    STORED,
    Note,
    Taken,
    Via,
    look_row,
    take_count,
)

ASKED, ASIDE = "asked", "kept aside"
MOST_NOTES = 500


class BatchTooLong(FarmError):
    code = "batch_too_long"
    status = 413
    title = "Too many notes at once"
    message = "{sent} notes came at once. Send at most {most} and the rest after them."


class CountedJustNow(FarmError):
    code = "counted_just_now"
    title = "Same tray?"
    message = (
        "{tray} was counted {pieces} by {who} at {when}; this count says {now}. Is it the same "
        "tray? Then store it; if not, leave it out and count the other one."
    )


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
    known: set[str]
    aside: dict[str, KeptAside]
    raws: dict[str, Any]
    oldest_at: datetime
    most_days: int


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
    looks: list[int] = []
    for index in order:
        note = notes[index]
        kept = desk.aside.get(note.client_id)
        if note.client_id in desk.known:
            answers[index] = Taken(note.client_id, KNOWN)
        elif kept is not None and not (note.is_sure and kept.is_waiting):
            answers[index] = _answer_aside(kept)
        elif _is_plain(note):
            looks.append(index)
            desk.known.add(note.client_id)
        else:
            # What was seen before an act is stored before it: an undoing may name it.
            answers |= _store_looks([(at, notes[at]) for at in looks], desk)
            looks = []
            answers[index] = _take_one(note, desk)
            desk.known.add(note.client_id)
    answers |= _store_looks([(at, notes[at]) for at in looks], desk)
    return [answers[index] for index in range(len(notes))]


def _desk(notes: Sequence[Note], received_at: datetime, user: User, via: Via) -> _Desk:
    ids = [note.client_id for note in notes]
    aside = {row.client_id: row for row in KeptAside.objects.filter(client_id__in=ids)}
    known = set(WalkNote.objects.filter(client_id__in=ids).values_list("client_id", flat=True))
    known |= set(Count.objects.filter(client_id__in=ids).values_list("client_id", flat=True))
    book = SettingBook.read(on=timezone.localdate(received_at))
    most_days = book.whole("walk_note_most_days")
    return _Desk(
        received_at=received_at,
        user=user,
        via=via,
        ground=Ground.read(),
        known=known,
        aside=aside,
        raws={},
        oldest_at=received_at - timedelta(days=most_days),
        most_days=most_days,
    )


def _is_plain(note: Note) -> bool:
    """A look that only says what was seen."""
    return note.pieces is None and note.kind not in ACTS


def _refuse_old(note: Note, desk: _Desk) -> None:
    if note.looked_at < desk.oldest_at:
        looked = f"{timezone.localtime(note.looked_at):%-d %b %Y}"
        raise LookTooOld(looked=looked, days=desk.most_days)


def _store_looks(looks: Iterable[tuple[int, Note]], desk: _Desk) -> dict[int, Taken]:
    """Plain looks in one insert, then each graded strain's colour once."""
    answers: dict[int, Taken] = {}
    rows: dict[int, WalkNote] = {}
    for index, note in looks:
        try:
            _refuse_old(note, desk)
            rows[index] = look_row(
                note=note,
                received_at=desk.received_at,
                user=desk.user,
                via=desk.via,
                ground=desk.ground,
            )
        except FarmError as error:
            answers[index] = _refused(note, error, desk)
    WalkNote.objects.bulk_create(rows.values())
    graded = {
        row.strain_id: row
        for row in rows.values()
        if row.grade is not None and row.strain is not None and row.strain.is_colour_strain
    }
    now: dict[int | None, str] = {}
    for row in graded.values():
        assert row.strain is not None
        state = follow_grade(strain=row.strain, at=row.looked_at)
        now[row.strain_id] = f" {state_words(state).capitalize()}."
    for index, row in rows.items():
        after = now.get(row.strain_id, "") if row.grade is not None else ""
        answers[index] = Taken(row.client_id, STORED, sentence=note_words(row) + after)
    return answers


def _take_one(note: Note, desk: _Desk) -> Taken:
    """A note that does something, in a savepoint of its own."""
    kept = desk.aside.get(note.client_id)
    if kept is not None:
        # The time stands as it was read when the note came first.
        note = replace(note, looked_at=datetime.fromisoformat(kept.note["looked_at"]))
    try:
        with transaction.atomic():
            _refuse_old(note, desk)
            words = _do(note, desk)
    except FarmError as error:
        return _refused(note, error, desk)
    if kept is not None:
        _settle(kept, KeptAside.Outcome.STORED, desk.user, desk.received_at)
    if note.kind == WalkNote.Kind.MOVE or note.undoes:
        desk.ground = Ground.read()
    return Taken(note.client_id, STORED, sentence=words)


def _do(note: Note, desk: _Desk) -> str:
    if note.pieces is not None:
        _refuse_second_count(note, desk)
        count, _ = take_count(note=note, received_at=desk.received_at, user=desk.user, via=desk.via)
        return count_words(count)
    row = take_act(
        note=note,
        received_at=desk.received_at,
        user=desk.user,
        via=desk.via,
        ground=desk.ground,
    )
    return note_words(row)


def _refuse_second_count(note: Note, desk: _Desk) -> None:
    """Two counts of one tray within two hours ask whether it was the same tray.

    Not where the first waits for just this second look, and not where both say the same.
    """
    if note.is_sure:
        return
    near = Count.objects.filter(
        tray__code=note.place,
        undone_by__isnull=True,
        looked_at__range=(
            note.looked_at - COUNTED_TWICE_WITHIN,
            note.looked_at + COUNTED_TWICE_WITHIN,
        ),
    )
    for count in near.exclude(pieces=note.pieces).select_related("user"):
        if count.is_waiting and count.user_id != desk.user.pk:
            continue
        raise CountedJustNow(
            tray=note.place,
            pieces=count.pieces,
            who=count.user.name,
            when=f"{timezone.localtime(count.looked_at):%H:%M}",
            now=note.pieces,
        )


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
    answer = _store_looks([(0, note)], desk)[0] if _is_plain(note) else _take_one(note, desk)
    if answer.outcome == STORED:
        _settle(row, KeptAside.Outcome.STORED, user, at)
    return answer
