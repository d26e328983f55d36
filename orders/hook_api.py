"""The feed's hooks: addresses of a retailer's system that are called as soon as something happens.

Thin callers of orders/hooks.py. A secret is in one answer only: that of POST or of renew.
"""

from typing import Any

from django.http import HttpResponse
from django.utils import timezone
from rest_framework import serializers
from rest_framework.request import Request

from inventory.clock import machine_now
from orders.api_answers import Body, FeedView, reply_json
from orders.hooks import make_hook, own_hook, renew_secret, stop_hook
from orders.models import Hook, HookCall


class HookSerializer(Body):
    url = serializers.CharField(max_length=300)


def hook_record(hook: Hook) -> dict[str, Any]:
    """An address as its own client reads it: never with a secret."""
    calls = HookCall.objects.filter(hook=hook)
    waiting = calls.filter(state__in=[HookCall.State.WAITING, HookCall.State.CALLING])
    made = timezone.localtime(hook.made_at).isoformat(timespec="seconds")
    old = hook.old_until
    return {
        "hook": hook.pk,
        "url": hook.url,
        "made_at": made,
        "old_secret_until": timezone.localtime(old).isoformat(timespec="seconds") if old else None,
        "waiting": waiting.count(),
        "parked": calls.filter(state=HookCall.State.PARKED).count(),
    }


class HooksView(FeedView):
    """The client's addresses; POST adds one and tells its secret, once."""

    def get(self, request: Request) -> HttpResponse:
        hooks = Hook.objects.filter(client=self.client, is_active=True)
        return reply_json(request, {"hooks": [hook_record(hook) for hook in hooks]})

    def post(self, request: Request) -> HttpResponse:
        form = HookSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        hook, secret = make_hook(
            client=self.client, url=form.validated_data["url"], now=machine_now()
        )
        answer = reply_json(request, hook_record(hook) | {"secret": secret}, status=201)
        answer["Location"] = f"/api/v1/hooks/{hook.pk}/"
        return answer


class HookView(FeedView):
    """One address; DELETE takes it off."""

    def get(self, request: Request, number: int) -> HttpResponse:
        return reply_json(request, hook_record(own_hook(client=self.client, number=number)))

    def delete(self, request: Request, number: int) -> HttpResponse:
        hook = own_hook(client=self.client, number=number)
        stop_hook(hook=hook, why="taken off by its client")
        return HttpResponse(status=204)


class HookRenewView(FeedView):
    """A new secret, told once. The old one signs beside it until it is over."""

    def post(self, request: Request, number: int) -> HttpResponse:
        hook = own_hook(client=self.client, number=number)
        secret = renew_secret(hook=hook, now=machine_now())
        hook.refresh_from_db()
        return reply_json(request, hook_record(hook) | {"secret": secret})
