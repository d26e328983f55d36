"""Walk cards over HTTP: print them, print tray marks, key a card in."""

import hashlib
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from inventory.clock import farm_now
from inventory.door import signed_in, staff_only
from inventory.errors import FarmError, Unknown
from inventory.models import User
from inventory.people import RIGHTS
from inventory.walk_papers import CardSystem, card_systems, tray_marks_pdf, walk_cards_pdf
from inventory.walk_rows import TrayRow, TroughRow
from inventory.walk_sync import ASIDE, ASKED, MOST_NOTES, take_batch
from inventory.walking import KNOWN, STORED, Taken, Via


class CardTimeUnreadable(FarmError):
    code = "card_time_unreadable"
    status = 422
    title = "The card's time cannot be read"
    message = "{field} reads {text}: type the day as 2026-11-25 and times as 07:40."


def _pdf(pdf: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(pdf, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer


def _system(request: HttpRequest) -> str:
    return request.GET.get("system", "")[:2].upper()


@login_required
@require_GET
def walk_cards_page(request: HttpRequest) -> HttpResponse:
    """Walk cards of the house, or of one system, as PDF."""
    staff_only(request)
    return _pdf(walk_cards_pdf(now=farm_now(), system=_system(request)), "walk-cards")


@login_required
@require_GET
def tray_marks_page(request: HttpRequest) -> HttpResponse:
    """Tray marks as PDF; their addresses are those of this page."""
    staff_only(request)
    base = request.build_absolute_uri("/")
    return _pdf(tray_marks_pdf(base=base, system=_system(request)), "tray-marks")


@login_required
def keying_page(request: HttpRequest) -> HttpResponse:
    """Key a walk card in: the same order as on paper, a whole card at a time."""
    user = signed_in(request)
    user.must("key_walk_cards")
    systems = card_systems(now=farm_now(), system=_system(request))
    context: dict[str, Any] = {
        "systems": systems,
        "system": _system(request),
        "walkers": User.objects.filter(role__in=RIGHTS["walk"], is_active=True).order_by("name"),
        "day": f"{timezone.localtime(farm_now()):%Y-%m-%d}",
        "amount_names": ("light", "flow"),
        "amounts": ("low", "right", "too much"),
        "typed": {},
        "answers": [],
    }
    if request.method == "POST":
        answers = _key_in(request.POST, systems, user)
        stored = sum(1 for _, answer in answers if answer.outcome in (STORED, KNOWN))
        left = [
            (field, answer) for field, answer in answers if answer.outcome not in (STORED, KNOWN)
        ]
        messages.success(request, f"{stored} notes of the card are in.")
        if not left:
            return redirect(f"{request.path}?system={_system(request)}")
        # What was refused keeps its place on the page; what is in is cleared from it.
        refused = {field for field, answer in left if answer.outcome not in (ASKED, ASIDE)}
        head = ("walker", "day", "time")
        context |= {
            "typed": {
                name: value
                for name, value in request.POST.items()
                if name in refused or name in head or name.startswith("at-")
            },
            "day": request.POST.get("day", ""),
            "answers": [
                {"field": field, "sentence": answer.sentence, "is_kept": field not in refused}
                for field, answer in left
            ],
        }
    return render(request, "inventory/walk_keying.html", context)


def _key_in(form: QueryDict, systems: list[CardSystem], user: User) -> list[tuple[str, Taken]]:
    walker = User.objects.filter(code=form.get("walker", "")).first()
    if walker is None:
        raise Unknown(kind="walker", name=form.get("walker") or "(none)")
    day = _day(form.get("day", ""))
    found = list(_notes(form, systems, day))
    answers: list[tuple[str, Taken]] = []
    for start in range(0, len(found), MOST_NOTES):
        part = found[start : start + MOST_NOTES]
        batch = take_batch(
            raws=[raw for _, raw in part],
            received_at=farm_now(),
            user=walker,
            via=Via(keyed_by=user),
        )
        answers += [(field, taken) for (field, _), taken in zip(part, batch.taken, strict=True)]
    return answers


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise CardTimeUnreadable(field="The day", text=repr(text[:20])) from None


def _at(form: QueryDict, day: date, trough: str) -> str:
    text = form.get(f"at-{trough}", "").strip() or form.get("time", "").strip()
    try:
        hour = time.fromisoformat(text)
    except ValueError:
        raise CardTimeUnreadable(field=f"The time at {trough}", text=repr(text[:20])) from None
    return timezone.make_aware(datetime.combine(day, hour.replace(tzinfo=None))).isoformat()


def _notes(
    form: QueryDict, systems: list[CardSystem], day: date
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every box that was filled, as a note, with the name of its field."""
    for system in systems:
        for trough in system.troughs:
            boxes = list(_trough_boxes(form, trough))
            if not boxes:
                continue
            at = _at(form, day, trough.code)
            for field, raw in boxes:
                # The same card keyed in twice is the same notes; a box mended is another.
                parts = f"{field}|{at}|{sorted(raw.items())}|{form.get('walker')}"
                raw["looked_at"] = at
                raw["client_id"] = f"card-{hashlib.sha256(parts.encode()).hexdigest()[:40]}"
                yield field, raw


def _trough_boxes(form: QueryDict, trough: TroughRow) -> Iterator[tuple[str, dict[str, Any]]]:
    code = trough.code
    if form.get(f"looked-{code}"):
        yield f"looked-{code}", {"kind": "look", "place": code}
    amounts = {name: form.get(f"{name}-{code}", "") for name in ("light", "flow")}
    if any(amounts.values()):
        yield f"light-{code}", {"kind": "look", "place": code, **amounts}
    if text := form.get(f"text-{code}", "").strip():
        yield f"text-{code}", {"kind": "look", "place": code, "text": text}
    for strain in trough.strains:
        field = f"grade-{code}-{strain.key}"
        if grade := form.get(field, "").strip().replace(",", ".").replace("½", ".5"):
            yield field, {"kind": "grade", "place": code, "strain": strain.key, "grade": grade}
    for tray in trough.trays:
        yield from _tray_boxes(form, tray)


def _tray_boxes(form: QueryDict, tray: TrayRow) -> Iterator[tuple[str, dict[str, Any]]]:
    code = tray.code
    if count := form.get(f"count-{code}", "").strip():
        yield f"count-{code}", {"kind": "count", "place": code, "pieces": count}
    if dead := form.get(f"dead-{code}", "").strip():
        yield f"dead-{code}", {"kind": "dead", "place": code, "dead": dead}
    # Two notes: what cannot be read of the one keeps its box, and the other is in.
    for look in ("polyp", "growth"):
        if number := form.get(f"{look}-{code}", "").strip():
            raw = {"kind": "look", "place": code, "strain": tray.strain, look: number}
            yield f"{look}-{code}", raw
    if form.get(f"ready-{code}"):
        yield f"ready-{code}", {"kind": "ready", "place": code}
