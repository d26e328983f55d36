"""The staff's page of messages: what was sent to whom, and why; parked ones can be tried again."""

from typing import Any

from django.contrib import messages as notes
from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.messaging import try_again
from inventory.models import Message

A_PAGE = 50


@login_required
def messages_page(request: HttpRequest) -> HttpResponse:
    """Parked messages first, then every message, newest first, of one kind where one is asked."""
    user = staff_only(request)
    kind = request.GET.get("kind", "")
    rows = Message.objects.filter(kind=kind) if kind else Message.objects.all()
    shown = rows.defer("text", "html")
    page = Paginator(shown.exclude(state=Message.State.PARKED), A_PAGE).get_page(
        request.GET.get("page")
    )
    context = {
        "parked": [_row(row) for row in shown.filter(state=Message.State.PARKED)],
        "rows": [_row(row) for row in page],
        "page": page,
        "kind": kind,
        "kinds": list(Message.objects.values("kind").annotate(count=Count("pk")).order_by("kind")),
        "waiting": Message.objects.filter(state__in=["waiting", "handing"]).count(),
        "may_send": user.may("send_messages_again"),
    }
    return render(request, "inventory/messages.html", context)


def _row(message: Message) -> dict[str, Any]:
    return {
        "id": message.pk,
        "written": f"{timezone.localtime(message.written_at):%a %-d %b %H:%M}",
        "kind": message.kind,
        "to_name": message.to_name,
        "to_address": message.to_address,
        "subject": message.subject,
        "why": message.why,
        "state": message.get_state_display(),
        "slug": {"parked": "stop", "sent": "clear"}.get(message.state, "care"),
        "tries": message.tries,
        "error": message.last_error,
        "next_try": (
            f"next try {timezone.localtime(message.next_try_at):%a %-d %b %H:%M}"
            if message.next_try_at
            else ""
        ),
    }


def _message(message_id: int) -> Message:
    message = Message.objects.filter(pk=message_id).first()
    if message is None:
        raise Unknown(kind="message", name=str(message_id))
    return message


@login_required
def message_page(request: HttpRequest, message_id: int) -> HttpResponse:
    """One message as its reader sees it: the letter, its plain text, and what goes with it."""
    staff_only(request)
    message = _message(message_id)
    context = {
        "message": message,
        "row": _row(message),
        "files": [f"{maker}: {_facts(facts)}" for maker, facts in message.attachments],
    }
    return render(request, "inventory/message.html", context)


def _facts(facts: dict[str, Any]) -> str:
    return ", ".join(f"{name} {value}" for name, value in facts.items())


@login_required
@require_POST
def message_again_page(request: HttpRequest, message_id: int) -> HttpResponse:
    """Let one parked message be tried again."""
    message = try_again(message_id=_message(message_id).pk, user=staff_only(request))
    notes.success(request, f"{message.subject}, to {message.to_address}: it is tried again now.")
    return redirect("messages")
