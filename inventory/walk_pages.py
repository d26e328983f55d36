"""The walk over HTTP: notes in, one trough or one tray on a page. Thin callers of the hops."""

import hashlib
import json
import secrets
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import SafeString
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_GET, require_POST

from inventory.clock import farm_now
from inventory.errors import FarmError, Unknown
from inventory.kept_files import file_answer, kept_file
from inventory.models import Clock, Count, KeptAside, Listing, Phone, Tray, Trough, User, WalkNote
from inventory.voices import MOST_BYTES, MOST_SECONDS
from inventory.walk_acts import answer_alarm
from inventory.walk_door import KEY_COOKIE, Walker, keep_key, known_walker, walker_of
from inventory.walk_photos import FileKept, add_photo
from inventory.walk_rows import TroughRow, walk_rows, walk_troughs
from inventory.walk_sync import ASIDE, PROBLEM, Batch, keep_revoked, take_batch
from inventory.walk_voices import add_voice
from inventory.walk_words import GROWTH_WORDS, POLYP_WORDS
from inventory.walking import KNOWN, STORED

WALK_HEADER = "application/json"
MOST_BODY_BYTES = 1024 * 1024
SHADES = (
    {"value": "0", "name": "off"},
    {"value": "0.20", "name": "20 %"},
    {"value": "0.30", "name": "30 %"},
    {"value": "0.40", "name": "40 %"},
    {"value": "0.50", "name": "50 %"},
)


class BatchUnreadable(FarmError):
    code = "batch_unreadable"
    status = 400
    title = "That batch cannot be read"
    message = "The notes came in a form that cannot be read: {why}. They stay on the phone."


@csrf_exempt
@require_POST
def notes_view(request: HttpRequest) -> HttpResponse:
    """A phone's batch as JSON. Answers note by note; a refusal of the whole is a problem body.

    Another site cannot send here: JSON needs its own content type, which no form can claim, and
    the key and the log-in are cookies that only this site's pages carry.
    """
    try:
        walker = known_walker(request)
        body = _body(request)
        batch = _take(walker, body["notes"], _phone_now(body))
    except FarmError as error:
        problem = {"code": error.code, "title": error.title, "detail": error.sentence}
        answer: HttpResponse = JsonResponse(problem, status=error.status)
    else:
        answer = JsonResponse(_answers(walker, batch))
        _renew(request, walker, answer)
    answer["Cache-Control"] = "no-store"
    return answer


def _body(request: HttpRequest) -> dict[str, Any]:
    if request.content_type != WALK_HEADER:
        raise BatchUnreadable(why=f"send it as {WALK_HEADER}")
    if len(request.body) > MOST_BODY_BYTES:
        raise BatchUnreadable(why="it is larger than 1 MB; send fewer notes at once")
    try:
        body = json.loads(request.body)
    except ValueError:
        raise BatchUnreadable(why="it is no JSON") from None
    if not isinstance(body, dict) or not isinstance(body.get("notes"), list):
        raise BatchUnreadable(why="it has no list of notes")
    return body


def _phone_now(body: dict[str, Any]) -> datetime | None:
    try:
        at = datetime.fromisoformat(body["phone_now"])
        return at if at.tzinfo and 1970 <= at.year <= 2200 else None
    except (KeyError, TypeError, ValueError):
        return None


def _take(walker: Walker, raws: list[Any], phone_now: datetime | None) -> Batch:
    now = farm_now()
    if walker.revoked is not None:
        return keep_revoked(raws=raws, received_at=now, phone=walker.revoked)
    is_demo = Clock.objects.filter(demo_now_at__isnull=False).exists()
    for is_last in (False, True):
        try:
            return take_batch(
                raws=raws,
                received_at=now,
                user=walker.user,
                via=walker.via,
                phone_now=phone_now,
                is_demo_clock=is_demo,
            )
        except IntegrityError:
            # The same batch came twice at once; the second look finds the first one's rows.
            if is_last:
                raise
    raise AssertionError("the loop above returns or raises")


def _answers(walker: Walker, batch: Batch) -> dict[str, Any]:
    return {
        "answers": [
            {
                "client_id": row.client_id,
                "outcome": row.outcome,
                "code": row.code,
                "sentence": row.sentence,
            }
            for row in batch.taken
        ],
        "clock": batch.clock_words,
        "server_now": timezone.now().isoformat(),
        "notes_of_phone": _notes_of(walker.phone or walker.revoked),
    }


def _notes_of(phone: Phone | None) -> int | None:
    """How many notes of a phone are here. Fewer than the phone knows of: a backup was restored."""
    if phone is None:
        return None
    kept = KeptAside.objects.filter(phone=phone).exclude(outcome=KeptAside.Outcome.STORED)
    stored = (
        WalkNote.objects.filter(phone=phone).count() + Count.objects.filter(phone=phone).count()
    )
    return stored + kept.count()


@csrf_exempt
@require_POST
def missing_view(request: HttpRequest) -> HttpResponse:
    """Which of the notes a phone once got a yes for are not here any more."""
    try:
        known_walker(request)
        body = _body(request)
        ids = [one for one in body["notes"] if isinstance(one, str)][:5000]
    except FarmError as error:
        return JsonResponse({"code": error.code, "detail": error.sentence}, status=error.status)
    here: set[str] = set()
    for table in (WalkNote, Count, KeptAside):
        for start in range(0, len(ids), 500):
            part = table.objects.filter(client_id__in=ids[start : start + 500])
            here |= set(part.values_list("client_id", flat=True))
    return JsonResponse({"missing": [one for one in ids if one not in here]})


@csrf_exempt
@require_POST
def photo_view(request: HttpRequest) -> HttpResponse:
    """One photo from a phone, after its note. A form of another site carries no such cookie."""
    return _file_in(request, "photo", _add_photo)


@csrf_exempt
@require_POST
def voice_in_view(request: HttpRequest) -> HttpResponse:
    """One recording from a phone, after its note, at the same door as photos."""
    return _file_in(request, "recording", _add_voice)


def _file_in(
    request: HttpRequest, what: str, add: Callable[[HttpRequest, Walker, str], FileKept]
) -> HttpResponse:
    try:
        walker = known_walker(request)
        if walker.revoked is not None:
            kept = FileKept(False, f"This phone is off the list: its {what}s are not kept.")
        else:
            kept = add(request, walker, request.POST.get("client_id", "")[:60])
    except FarmError as error:
        return JsonResponse({"code": error.code, "detail": error.sentence}, status=error.status)
    return JsonResponse({"outcome": "stored" if kept.is_kept else "none", "detail": kept.sentence})


def _add_photo(request: HttpRequest, walker: Walker, client_id: str) -> FileKept:
    upload = request.FILES.get("photo")
    return add_photo(client_id=client_id, upload=upload, user=walker.user, phone=walker.phone)


def _add_voice(request: HttpRequest, walker: Walker, client_id: str) -> FileKept:
    return add_voice(
        client_id=client_id,
        upload=request.FILES.get("voice"),
        seconds=request.POST.get("seconds", ""),
        received_at=farm_now(),
        user=walker.user,
        phone=walker.phone,
    )


@login_required
@require_POST
def alarm_heard_page(request: HttpRequest, alarm_id: int) -> HttpResponse:
    """Somebody on the staff says that an alarm was heard."""
    assert isinstance(request.user, User)
    alarm = answer_alarm(alarm_id=alarm_id, user=request.user, at=farm_now())
    if alarm is None or alarm.answered_by is None:
        raise Unknown(kind="alarm", name=str(alarm_id))
    messages.success(request, f"{alarm.words}: heard by {alarm.answered_by.name}.")
    return redirect("holds")


@require_GET
def worker_view(request: HttpRequest) -> HttpResponse:
    """The walk's service worker, at the root so that it may answer for a tray's mark as well."""
    path = Path(settings.BASE_DIR) / "config" / "static" / "js" / "worker.js"
    answer = HttpResponse(path.read_bytes(), content_type="text/javascript; charset=utf-8")
    answer["Cache-Control"] = "no-cache"
    return answer


def _renew(request: HttpRequest, walker: Walker, answer: HttpResponse) -> None:
    if walker.phone is not None:
        keep_key(answer, key=request.COOKIES[KEY_COOKIE], is_secure=request.is_secure())


@require_POST
def note_view(request: HttpRequest) -> HttpResponse:
    """One note from a plain form, for a browser without scripts. The form says where to go on."""
    walker = known_walker(request)
    raw: dict[str, Any] = {key: value for key, value in request.POST.items() if value != ""}
    raw["client_id"] = _form_id(raw)
    _multiply(raw)
    raw["looked_at"] = farm_now().isoformat()
    raw["sure"] = raw.get("sure") == "yes"
    raw["signed"] = raw.get("signed") == "yes"
    taken = _take(walker, [raw], None).taken[0]
    say = messages.error if taken.outcome in (PROBLEM, ASIDE, "asked") else messages.success
    say(request, taken.sentence or f"{raw.get('place', 'The note')}: {taken.outcome}.")
    if taken.outcome in (STORED, KNOWN):
        for name, what, add in FILES_BESIDE:
            if name not in request.FILES:
                continue
            kept = add(request, walker, raw["client_id"])
            if not kept.is_kept:
                messages.error(request, f"The note is stored without its {what}. {kept.sentence}")
    if taken.outcome == "asked":
        request.session["asked"] = raw
    return redirect(_next_address(request.POST.get("next", "")))


FILES_BESIDE = (("photo", "photo", _add_photo), ("voice", "voice note", _add_voice))


def _multiply(raw: dict[str, Any]) -> None:
    """Rows x columns and the loose ones, where they were typed in place of the sum."""
    parts = [str(raw.get(name, "0")) for name in ("rows", "columns", "loose")]
    if all(part.isdecimal() and len(part) < 4 for part in parts):
        rows, columns, loose = (int(part) for part in parts)
        if rows and columns:
            raw["pieces"] = rows * columns + loose


def _form_id(raw: dict[str, Any]) -> str:
    """The same form sent twice is the same note; changed and sent again it is another."""
    parts = {key: value for key, value in raw.items() if key not in ("next", "csrfmiddlewaretoken")}
    digest = hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()
    return f"form-{digest[:32]}"


def _next_address(code: str) -> str:
    if Trough.objects.filter(code=code).exists() or Tray.objects.filter(code=code).exists():
        return f"/walk/{code}/"
    return "/walk/"


def form_context(walker: Walker) -> dict[str, Any]:
    """What every form of the walk asks for. The token tells two loadings of a page apart."""
    return {
        "walker": walker,
        "may_walk": walker.user.may("walk"),
        "may_key": walker.user.may("key_walk_cards"),
        "token": secrets.token_hex(6),
        "amounts": ("low", "right", "too much"),
        "shades": SHADES,
        "polyp_words": POLYP_WORDS,
        "growth_words": GROWTH_WORDS,
        "polyp_parts": {organ or "none": _polyp_part(organ) for organ in ("polyps", "mantle", "")},
        "voice_most_s": MOST_SECONDS,
        "voice_most_bytes": MOST_BYTES,
    }


def _polyp_part(organ: str) -> SafeString:
    """The fields of polyps and growth, drawn once for all troughs of a page."""
    words = {"organ": organ, "polyp_words": POLYP_WORDS, "growth_words": GROWTH_WORDS}
    return render_to_string("inventory/walk_polyps.html", words)


@require_GET
def place_page(request: HttpRequest, code: str) -> HttpResponse:
    """One trough, or one tray with all that can be noted of it."""
    walker = walker_of(request)
    if walker is None or walker.revoked is not None:
        return redirect("walk")
    code = code.upper()
    tray = Tray.objects.select_related("trough").filter(code=code).first()
    trough_code = tray.trough.code if tray else code
    if tray is None and not Trough.objects.filter(code=code).exists():
        raise Unknown(kind="trough or tray", name=code)
    order = [row.code for row in walk_troughs()]
    trough = walk_rows(now=farm_now(), codes=[trough_code])[0]
    context: dict[str, Any] = place_context(walker, trough, order)
    if tray is not None:
        rows = [row for row in trough.trays if row.code == code]
        context["tray"] = rows[0] if rows else None
        context["empty_tray"] = "" if rows else code
    asked = request.session.pop("asked", None) if request.session.get("asked") else None
    context["asked"] = asked
    return render(request, "inventory/walk_place.html", context)


def place_context(walker: Walker, trough: TroughRow, order: list[str]) -> dict[str, Any]:
    """What the page of one trough shows beside its rows."""
    at = order.index(trough.code)
    return form_context(walker) | {
        "trough": trough,
        "order": order,
        "before": order[at - 1] if at else "",
        "after": order[at + 1] if at + 1 < len(order) else "",
    }


@require_GET
def tray_mark_page(request: HttpRequest, code: str) -> HttpResponse:
    """What a tray's printed mark opens: the walk at that tray."""
    return redirect("walk-place", code=code.upper())


@require_GET
def strain_photo_view(request: HttpRequest, key: str) -> HttpResponse:
    """The reference photo of a strain, to hold a piece against."""
    known_walker(request)
    photos = Listing.objects.filter(strain_form__strain__key=key, look=Listing.Look.COLOUR).exclude(
        photo=""
    )
    name = photos.values_list("photo", flat=True).first() or ""
    path = kept_file(name=name, folder="photos", what="photo of a strain")
    return file_answer(request, path=path, media_type="image/jpeg")
