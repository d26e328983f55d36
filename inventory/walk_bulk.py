"""HOP 1g a walk's run: looks, counts and deaths between two acts -> all their rows at once.

Call from: inventory/walk_sync.py.
Each note is weighed in the order of its look; a bad one is refused alone and has written nothing,
since nothing is written before the last is weighed.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from inventory.bulk import insert_rows, number_value, time_value
from inventory.colouring import follow_grade
from inventory.counting import CountBook, CountRow
from inventory.errors import FarmError
from inventory.models import Cohort, Strain, WalkNote
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.walk_ground import Ground, Spot
from inventory.walk_words import MOST_TEXT, count_words, look_words, state_words
from inventory.walking import (
    STORED,
    Note,
    Taken,
    TrayNeeded,
    Via,
    count_book,
    places_of,
    refuse_future,
)

DEAD = WalkNote.Kind.DEAD.value
SWIFT = frozenset({WalkNote.Kind.LOOK.value, WalkNote.Kind.GRADE.value, DEAD})


def is_swift(note: Note) -> bool:
    """A look, a count or a death: what is weighed in memory and written with its whole run."""
    return note.pieces is not None or note.kind in SWIFT


@dataclass(slots=True)
class LookSeen:
    """A note that stands, as its row and its words need it."""

    note: Note
    trough: Spot
    tray: Spot | None
    strain: Strain | None
    cohort: Cohort | None
    is_signed: bool

    @property
    def graded_id(self) -> int:
        """The colour strain that was graded, else 0."""
        if self.note.grade is None or self.strain is None or not self.strain.is_colour_strain:
            return 0
        return self.strain.pk

    def words(self) -> str:
        """The note read back."""
        place = self.tray or self.trough
        return look_words(place=place.code, strain=self.strain, note=self.note)


@dataclass(slots=True)
class Run:
    """What one run of swift notes leads to."""

    received_at: datetime
    user: User
    via: Via
    ground: Ground
    book: SettingBook
    may_sign: bool
    counts: CountBook | None = None
    seen: dict[int, LookSeen] = field(default_factory=dict)
    counted: dict[int, CountRow] = field(default_factory=dict)

    def take(self, index: int, note: Note) -> None:
        """Weigh one note. Raises what a note, a count or a death raises."""
        if note.pieces is not None:
            self._count(index, note)
        else:
            self._look(index, note)

    def _count(self, index: int, note: Note) -> None:
        assert self.counts is not None
        refuse_future(note, self.received_at)
        self.counted[index] = self.counts.count(
            code=note.place,
            pieces=note.pieces or 0,
            looked_at=note.looked_at,
            client_id=note.client_id,
            sent_looked_at=note.sent_looked_at,
            asks_twice=not note.is_sure,
        )

    def _look(self, index: int, note: Note) -> None:
        trough, tray, strain, cohort = places_of(
            note=note, received_at=self.received_at, ground=self.ground
        )
        if note.kind == DEAD:
            assert self.counts is not None
            if tray is None:
                raise TrayNeeded(place=trough.code)
            self.counts.dead(
                code=tray.code,
                pieces=note.dead_pieces or 0,
                at=note.looked_at,
                client_key=f"dead:{note.client_id}",
            )
        is_signed = note.is_signed and self.may_sign
        self.seen[index] = LookSeen(note, trough, tray, strain, cohort, is_signed)

    def write(self) -> dict[int, str]:
        """Write every row, run each graded strain's colour once, and answer note by note."""
        moved = self.counts.write() if self.counts is not None else {}
        phone_id = self.via.phone.pk if self.via.phone else None
        keyed_by_id = self.via.keyed_by.pk if self.via.keyed_by else None
        received_at = time_value(self.received_at)
        sent_by = (received_at, self.user.pk, phone_id, keyed_by_id)
        insert_rows(
            model=WalkNote,
            columns=NOTE_COLUMNS,
            rows=[_note_row(seen, sent_by, moved) for seen in self.seen.values()],
        )
        now = self._follow_grades()
        answers = {
            index: count_words(
                tray=row.tray.code,
                pieces=row.pieces,
                pieces_before=row.pieces_before,
                is_waiting=row.is_waiting,
                is_late=row.is_late,
            )
            for index, row in self.counted.items()
        }
        for index, seen in self.seen.items():
            answers[index] = seen.words() + now.get(seen.graded_id, "")
        return answers

    def _follow_grades(self) -> dict[int, str]:
        graded = {seen.graded_id: seen for seen in self.seen.values() if seen.graded_id}
        now = {}
        for pk, seen in graded.items():
            assert seen.strain is not None
            state = follow_grade(strain=seen.strain, at=seen.note.looked_at, book=self.book)
            now[pk] = f" {state_words(state).capitalize()}."
        return now


NOTE_COLUMNS = (
    "client_id", "looked_at", "sent_looked_at", "received_at", "user_id", "phone_id",
    "keyed_by_id", "kind", "trough_id", "tray_id", "strain_id", "cohort_id", "grade", "is_signed",
    "polyp", "growth", "light", "flow", "is_pest", "sampled_pieces", "rooted_pieces",
    "stalled_min", "text", "photo", "dead_pieces", "movement_id",
)  # fmt: skip


def _note_row(seen: LookSeen, sent_by: Sequence[Any], moved: dict[str, int]) -> tuple[Any, ...]:
    note = seen.note
    sent_at = note.sent_looked_at
    return (
        note.client_id,
        time_value(note.looked_at),
        time_value(sent_at) if sent_at is not None else None,
        *sent_by,
        note.kind,
        seen.trough.pk,
        seen.tray.pk if seen.tray else None,
        seen.strain.pk if seen.strain else None,
        seen.cohort.pk if seen.cohort else None,
        None if note.grade is None else number_value(note.grade, digits=2, places=1),
        seen.is_signed,
        note.polyp,
        note.growth,
        note.light,
        note.flow,
        note.is_pest,
        note.sampled_pieces,
        note.rooted_pieces,
        note.stalled_min,
        note.text[:MOST_TEXT],
        note.photo,
        note.dead_pieces,
        moved.get(f"dead:{note.client_id}"),
    )


def store_run(
    *,
    notes: Iterable[tuple[int, Note]],
    received_at: datetime,
    user: User,
    via: Via,
    ground: Ground,
    book: SettingBook,
    check: Callable[[Note], None],
    refused: Callable[[Note, FarmError], Taken],
) -> dict[int, Taken]:
    """Weigh the notes in their order, then write what stands. Answers by index.

    ``check`` may raise for a note before it is weighed; ``refused`` answers for one that was.
    """
    rows = list(notes)
    if not rows:
        return {}
    run = Run(received_at, user, via, ground, book, user.may("rest_strain"))
    codes = [note.place for _, note in rows if note.pieces is not None or note.kind == DEAD]
    if codes:
        run.counts = count_book(
            codes=codes,
            looked_at=rows[0][1].looked_at,
            until=rows[-1][1].looked_at,
            received_at=received_at,
            user=user,
            via=via,
            book=book,
        )
    answers = {}
    names = {index: note.client_id for index, note in rows}
    for index, note in rows:
        try:
            check(note)
            run.take(index, note)
        except FarmError as error:
            answers[index] = refused(note, error)
    for index, words in run.write().items():
        answers[index] = Taken(names[index], STORED, sentence=words)
    return answers
