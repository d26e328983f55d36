"""HOP 1l the walk's book: what was noted on a day, or of one place or strain, to read and to hear.

Call from: inventory/book_pages.py, inventory/phone_pages.py (voices of notes kept aside).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import Q, QuerySet
from django.utils import timezone

from inventory.errors import Unknown
from inventory.models import Count, Strain, Tray, Trough, VoiceNote, WalkNote, WaterSystem
from inventory.walk_words import count_words, note_words

MOST_ROWS = 300
MOST_LETTERS = 8
# A look with nothing said: the book counts the troughs and does not list them.
ALL_WELL = Q(
    kind=WalkNote.Kind.LOOK, strain=None, cohort=None, light="", flow="", text="", photo=""
)


@dataclass(frozen=True, slots=True)
class Voice:
    """A recording as a page plays it."""

    id: int
    length_words: str
    suffix: str


@dataclass(frozen=True, slots=True)
class BookRow:
    """One note or count as it is read. ``photo_id`` is the note whose photo is kept."""

    at: datetime
    place: str
    words: str
    who: str
    photo_id: int | None
    voice: Voice | None
    is_taken_back: bool

    @property
    def when(self) -> str:
        return f"{timezone.localtime(self.at):%a %-d %b %H:%M}"


@dataclass(frozen=True, slots=True)
class Book:
    """What was noted. ``on`` is empty where every day is asked for."""

    on: date | None
    of: str
    of_words: str
    rows: list[BookRow]
    left_out: int
    all_well: int


def walk_book(*, on: date | None, of: str = "") -> Book:
    """The notes and counts of a day, or of one system, trough, tray or strain, newest first.

    Without either: the newest day of the walk. Raises Unknown for a place or strain not here.
    """
    about, in_words = _about(of)
    if on is None and not of:
        newest = WalkNote.objects.order_by("-looked_at").values_list("looked_at", flat=True).first()
        on = timezone.localdate(newest) if newest else None
    notes: QuerySet[WalkNote] = WalkNote.objects.all()
    counts: QuerySet[Count] = Count.objects.all()
    if about is not None:
        notes, counts = notes.filter(about), counts.filter(_of_counts(of))
    if on is not None:
        span = {"looked_at__gte": _midnight(on), "looked_at__lt": _midnight(on + timedelta(days=1))}
        notes, counts = notes.filter(**span), counts.filter(**span)
    said = VoiceNote.objects.values("client_id")
    well = notes.filter(ALL_WELL).exclude(client_id__in=said)
    told = notes.exclude(pk__in=well.values("pk"))
    rows = [*_note_rows(told), *_count_rows(counts)]
    rows.sort(key=lambda row: row.at, reverse=True)
    total = told.count() + counts.count()
    return Book(
        on=on,
        of=of,
        of_words=in_words,
        rows=rows[:MOST_ROWS],
        left_out=max(0, total - MOST_ROWS),
        all_well=well.filter(undone_by=None).values("trough").distinct().count(),
    )


def _midnight(on: date) -> datetime:
    return timezone.make_aware(datetime.combine(on, time.min))


def _about(of: str) -> tuple[Q | None, str]:
    """Which notes are about a code, and what it is in words. Raises Unknown."""
    if not of:
        return None, ""
    if WaterSystem.objects.filter(code=of).exists():
        return Q(trough__system__code=of), f"system {of}"
    if Trough.objects.filter(code=of).exists():
        return Q(trough__code=of), f"trough {of}"
    if Tray.objects.filter(code=of).exists():
        return Q(tray__code=of), f"tray {of}"
    if strain := Strain.objects.filter(key=of).first():
        return Q(strain=strain), str(strain)
    raise Unknown(kind="system, trough, tray or strain", name=of)


def _of_counts(of: str) -> Q:
    places = Q(tray__code=of) | Q(tray__trough__code=of) | Q(tray__trough__system__code=of)
    return places | Q(lot__strain_form__strain__key=of)


def _note_rows(notes: QuerySet[WalkNote]) -> Iterable[BookRow]:
    found = list(
        notes.select_related(
            "trough", "tray", "strain", "user", "phone", "shade", "undone_by",
            "hold__system", "hold__trough", "hold__tray", "hold__lot",
            "tray_move__from_trough", "tray_move__to_trough",
        ).order_by("-looked_at", "-id")[:MOST_ROWS]
    )  # fmt: skip
    voices = voices_of(note.client_id for note in found)
    for note in found:
        voice = voices.get(note.client_id)
        beside = ["a photo"] if note.photo else []
        beside += ["in the walker's own voice"] if voice else []
        yield BookRow(
            at=note.looked_at,
            place=note.tray.code if note.tray else note.trough.code,
            words=note_words(note, beside=beside),
            who=_who(note),
            photo_id=note.pk if note.photo else None,
            voice=voice,
            is_taken_back=getattr(note, "undone_by", None) is not None,
        )


def _count_rows(counts: QuerySet[Count]) -> Iterable[BookRow]:
    rows = counts.select_related("tray", "user", "phone", "undone_by")
    for count in rows.order_by("-looked_at", "-id")[:MOST_ROWS]:
        words = count_words(
            tray=count.tray.code,
            pieces=count.pieces,
            pieces_before=count.pieces_before,
            is_waiting=count.is_waiting,
            is_late=False,
        )
        undone = getattr(count, "undone_by", None) is not None
        yield BookRow(count.looked_at, count.tray.code, words, _who(count), None, None, undone)


def _who(row: Any) -> str:
    return f"{row.user.name}, {row.phone.name}" if row.phone else str(row.user.name)


def voices_of(client_ids: Iterable[str]) -> dict[str, Voice]:
    """The recordings of some notes, by their client id."""
    rows = VoiceNote.objects.filter(client_id__in=list(client_ids))
    return {
        row.client_id: Voice(
            row.pk,
            f"{row.seconds} s" if row.seconds else f"{max(1, row.size_bytes // 1024)} kB",
            row.path.rpartition(".")[2],
        )
        for row in rows
    }
