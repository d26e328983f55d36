"""The walk's book over HTTP: the notes of a day, their photos, and their voices to play."""

from datetime import date, timedelta

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.kept_files import file_answer, kept_file
from inventory.models import VoiceNote, WalkNote
from inventory.voices import FOLDER
from inventory.walk_book import MOST_LETTERS, walk_book


@login_required
@require_GET
def book_page(request: HttpRequest) -> HttpResponse:
    """What the walk noted, newest first; by day, by place or by strain."""
    staff_only(request)
    typed = request.GET.get("day", "").strip()
    of = request.GET.get("of", "").strip().upper()
    fault = ""
    try:
        on = date.fromisoformat(typed) if typed else None
    except ValueError:
        on, fault = None, f"The day reads “{typed[:20]}”: type it as 2026-11-25."
    try:
        book = walk_book(on=on, of=of)
    except Unknown:
        book = walk_book(on=on)
        fault = (
            f"No system, trough, tray or strain is called “{of[:MOST_LETTERS]}”. Its code stands "
            "on its front; a strain has three letters."
        )
    context = {
        "book": book,
        "typed_day": typed or (f"{book.on:%Y-%m-%d}" if book.on else ""),
        "typed_of": of,
        "fault": fault,
        "before": book.on - timedelta(days=1) if book.on else None,
        "after": book.on + timedelta(days=1) if book.on else None,
    }
    return render(request, "inventory/walk_book.html", context, status=422 if fault else 200)


@login_required
@require_GET
def note_photo_view(request: HttpRequest, note_id: int) -> HttpResponse:
    """The photo of one note, for staff."""
    staff_only(request)
    name = WalkNote.objects.filter(pk=note_id).values_list("photo", flat=True).first()
    path = kept_file(name=name or "", folder="photos", what="photo of note")
    return file_answer(request, path=path, media_type="image/jpeg")


@login_required
@require_GET
def voice_view(request: HttpRequest, voice_id: int) -> HttpResponse:
    """One recording, for staff."""
    staff_only(request)
    voice = VoiceNote.objects.filter(pk=voice_id).first()
    path = kept_file(name=voice.path if voice else "", folder=FOLDER, what="voice note")
    assert voice is not None
    return file_answer(request, path=path, media_type=voice.media_type)
