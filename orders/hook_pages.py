"""The staff's page of the feed: who has a token, which systems are called, and what is parked."""

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Count, Max, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now, machine_now
from inventory.door import staff_only
from inventory.people import User
from orders.feed_tokens import RIGHT, give_new_token, let_in, shut_out
from orders.hooks import call_again
from orders.models import Customer, FeedClient, Hook, HookCall

SHOWN = 100


@login_required
def hooks_page(request: HttpRequest) -> HttpResponse:
    """Parked calls first, then every address. No secret is shown here, or anywhere again."""
    return _page(request, staff_only(request))


@login_required
@require_POST
def tokens_page(request: HttpRequest) -> HttpResponse:
    """Let a shop's system in, give it a new token, or shut it out. No other page shows a token."""
    user, now = staff_only(request), farm_now()
    act, code = request.POST.get("act", ""), request.POST.get("client", "")
    reason = request.POST.get("reason", "")
    if act == "out":
        client = shut_out(code=code, user=user, now=now, reason=reason)
        words = f"{client.code} is shut out: its token is good no more."
        messages.success(request, words)
        return redirect("hooks")
    if act == "new":
        client, token = give_new_token(code=code, user=user, now=now, reason=reason)
    else:
        shop = request.POST.get("customer", "")
        client, token = let_in(customer_code=shop, user=user, now=now, reason=reason)
    return _page(request, user, client=client, token=token)


def _page(
    request: HttpRequest, user: User, client: FeedClient | None = None, token: str = ""
) -> HttpResponse:
    parked = HookCall.objects.filter(state=HookCall.State.PARKED)
    calls = parked.select_related("hook__client__customer", "event").order_by("-pk")
    hooks = Hook.objects.select_related("client__customer").annotate(
        waiting=Count("calls", filter=Q(calls__state__in=["waiting", "calling"])),
        answered=Count("calls", filter=Q(calls__state="answered")),
        last_at=Max("calls__answered_at"),
    )
    context = {
        "parked": [_call_row(call) for call in calls[:SHOWN]],
        "hooks": [_hook_row(hook) for hook in hooks],
        "may_send": user.may("send_messages_again"),
        "may_let_in": user.may(RIGHT),
        "clients": list(FeedClient.objects.select_related("customer").order_by("pk")),
        "customers": list(Customer.objects.order_by("code")),
        "new_client": client,
        "new_token": token,
        "feed_address": f"{settings.FARM_ADDRESS}/api/v1/weeks/",
    }
    answer = render(request, "orders/hooks.html", context)
    if token:
        answer["Cache-Control"] = "no-store"
    return answer


def _call_row(call: HookCall) -> dict[str, Any]:
    return {
        "id": call.pk,
        "client": str(call.hook.client),
        "customer": call.hook.client.customer.name,
        "url": call.hook.url,
        "event": f"{call.event.kind} {call.event.listing}".strip(),
        "sequence": call.event.sequence,
        "tries": call.tries,
        "error": call.last_error,
    }


def _hook_row(hook: Any) -> dict[str, Any]:
    """``hook`` carries its counted calls. The hours are the machine's, as the calls are."""
    last = f"{timezone.localtime(hook.last_at):%a %-d %b %H:%M}" if hook.last_at else ""
    is_changing = hook.old_until is not None and hook.old_until > machine_now()
    until = f"{timezone.localtime(hook.old_until):%a %-d %b %H:%M}" if is_changing else ""
    return {
        "client": hook.client.code,
        "customer": hook.client.customer.name,
        "url": hook.url,
        "state": "called" if hook.is_active else "off",
        "why": hook.stopped_why,
        "waiting": hook.waiting,
        "answered": hook.answered,
        "last": last,
        "old_until": until,
    }


@login_required
@require_POST
def call_again_page(request: HttpRequest, call_id: int) -> HttpResponse:
    call = call_again(call_id=call_id, user=staff_only(request))
    messages.success(request, f"{call.message_id} is called again.")
    return redirect("hooks")
