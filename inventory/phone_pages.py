"""Phones on the office screen: pair one, take one off the list, settle the notes kept aside."""

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory import pairing
from inventory.clock import farm_now
from inventory.door import signed_in
from inventory.errors import Unknown
from inventory.models import KeptAside, Phone, User
from inventory.people import RIGHTS
from inventory.printing import qr_code
from inventory.walk_book import Voice, voices_of
from inventory.walk_door import keep_key
from inventory.walk_sync import settle_kept_note


@dataclass(frozen=True, slots=True)
class PhoneRow:
    id: int
    name: str
    walker: str
    paired: str
    seen: str
    revoked: str


@login_required
def phones_page(request: HttpRequest) -> HttpResponse:
    """Every phone, a form to pair one, and the notes that wait for a word."""
    user = signed_in(request)
    user.must("pair_phones")
    context: dict[str, Any] = {}
    if request.method == "POST":
        context = _offer(request, user)
    walkers = User.objects.filter(role__in=RIGHTS["walk"], is_active=True).order_by("name")
    phones = Phone.objects.select_related("user", "revoked_by")
    kept = KeptAside.objects.filter(outcome=KeptAside.Outcome.WAITING)
    voices = voices_of(row.client_id for row in kept)
    context |= {
        "walkers": walkers,
        "phones": [_phone_row(phone) for phone in phones],
        "kept": [_kept_row(row, voices) for row in kept.select_related("user", "phone")],
    }
    return render(request, "inventory/phones.html", context)


def _offer(request: HttpRequest, by: User) -> dict[str, Any]:
    code = request.POST.get("walker", "")
    walker = User.objects.filter(code=code).first()
    if walker is None:
        raise Unknown(kind="walker", name=code or "(none)")
    name = request.POST.get("name", "").strip()
    offer = pairing.offer_pairing(walker=walker, name=name, by=by, now=timezone.now())
    address = request.build_absolute_uri(reverse("pair", args=[offer.code]))
    return {
        "offer": offer.row,
        "address": address,
        "picture": qr_code(text=address).uri,
        "good_words": f"{timezone.localtime(offer.row.good_until):%H:%M}",
    }


def _when(at: Any) -> str:
    return f"{timezone.localtime(at):%a %-d %b %H:%M}" if at else ""


def _phone_row(phone: Phone) -> PhoneRow:
    revoked = ""
    if phone.revoked_at and phone.revoked_by:
        revoked = f"taken off {_when(phone.revoked_at)} by {phone.revoked_by.name}"
    return PhoneRow(
        id=phone.pk,
        name=phone.name,
        walker=phone.user.name,
        paired=_when(phone.paired_at),
        seen=_when(phone.seen_at),
        revoked=revoked,
    )


def _kept_row(row: KeptAside, voices: dict[str, Voice]) -> dict[str, Any]:
    note = row.note if isinstance(row.note, dict) else {}
    shown = (
        "place", "kind", "strain", "grade", "polyp", "growth", "pieces", "dead", "to_trough",
        "text", "looked_at",
    )  # fmt: skip
    return {
        "id": row.pk,
        "who": f"{row.user.name}{f', {row.phone.name}' if row.phone else ''}",
        "received": _when(row.received_at),
        "words": ", ".join(f"{name} {note[name]}" for name in shown if note.get(name)),
        "sentence": row.sentence,
        "place": note.get("place", "a note"),
        "voice": voices.get(row.client_id),
    }


@login_required
@require_POST
def phone_revoke_page(request: HttpRequest, phone_id: int) -> HttpResponse:
    """Take a phone off the list."""
    user = signed_in(request)
    phone = pairing.revoke_phone(phone_id=phone_id, by=user, now=timezone.now())
    messages.success(
        request, f"{phone} is off the list. What it still sends is kept aside and shown here."
    )
    return redirect("phones")


@login_required
@require_POST
def kept_note_page(request: HttpRequest, kept_id: int) -> HttpResponse:
    """Store a note that was kept aside as its walker's, or leave it out."""
    answer = settle_kept_note(
        kept_id=kept_id,
        is_wanted=request.POST.get("word") == "store",
        user=signed_in(request),
        at=farm_now(),
    )
    say = messages.error if answer.outcome == "problem" else messages.success
    say(request, answer.sentence or "That note is here already.")
    return redirect("phones")


def pair_page(request: HttpRequest, code: str) -> HttpResponse:
    """What the QR opens on the phone: one button that pairs it. The code is used up by the press,
    not by the look: a preview of the address must not spend it."""
    now = timezone.now()
    offer = pairing.find_offer(code=code, now=now)
    if request.method != "POST":
        return render(request, "inventory/pair.html", {"offer": offer})
    paired = pairing.pair_phone(code=code, now=now)
    answer = redirect("walk")
    keep_key(answer, key=paired.key, is_secure=settings.IS_HTTPS)
    return answer
