"""HOP 5e hooks: a client's address -> its secret, shown once; an event -> a call that is due.

Call from: orders/hook_api.py, orders/feeding.py, orders/hook_pages.py.
Locks: the hook's row while its secret changes.
"""

import ipaddress
import secrets
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.crypto import salted_hmac

from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.calc.signing import secret_text
from orders.models import FeedClient, FeedEvent, Hook, HookCall


class HookAddressNotGood(FarmError):
    code = "hook_address_not_good"
    status = 422
    title = "That address cannot be called"
    message = "{url} {why}. Send an https address that the open net can reach."


class HookKnown(FarmError):
    code = "hook_known"
    title = "That address is called already"
    message = (
        "{url} is hook {hook} of {client}. Renew its secret with POST /api/v1/hooks/{hook}/renew/, "
        "or take it off with DELETE /api/v1/hooks/{hook}/."
    )


class TooManyHooks(FarmError):
    code = "too_many_hooks"
    title = "No more addresses"
    message = "{client} has {most} addresses, the most there may be. Take one off first."


def check_address(url: str) -> None:
    """Refuse what cannot be reached from outside, as far as its words tell.

    A name is looked up when it is called: what it points to may change. Raises HookAddressNotGood.
    """
    why = _why_not(url)
    if why:
        raise HookAddressNotGood(url=repr(url[:80]), why=why)


def _why_not(url: str) -> str:
    if len(url) > 300 or not url.isascii() or not url.isprintable() or " " in url:
        return "is too long or has characters that no address has"
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        return "cannot be read"
    host = parts.hostname or ""
    if parts.scheme != "https" or not host:
        return "is not https"
    if parts.username or parts.password or parts.fragment:
        return "carries a log-in or a mark behind #"
    if port == 0:
        return "names port 0"
    return _why_not_host(host)


def _why_not_host(host: str) -> str:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        if host == "localhost" or host.endswith((".localhost", ".local", ".internal")):
            return "names this machine or a private net"
        return "" if "." in host else "names no host of the open net"
    return "" if is_open_address(str(address)) else "names this machine or a private net"


def is_open_address(text: str) -> bool:
    """Whether a numeric address belongs to the open net (registries of RFC 6890)."""
    address = ipaddress.ip_address(text)
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped:
        address = address.ipv4_mapped
    return address.is_global and not address.is_multicast


@transaction.atomic
def make_hook(*, client: FeedClient, url: str, now: datetime) -> tuple[Hook, str]:
    """A new address and its secret, which is told this once.

    Raises HookAddressNotGood, HookKnown, TooManyHooks.
    """
    check_address(url)
    FeedClient.objects.select_for_update().get(pk=client.pk)
    active = Hook.objects.filter(client=client, is_active=True)
    known = active.filter(url=url).first()
    if known is not None:
        raise HookKnown(url=url, hook=known.pk, client=client.code)
    most = SettingBook.read(on=timezone.localdate(now)).whole("hooks_most")
    if active.count() >= most:
        raise TooManyHooks(client=client.code, most=most)
    try:
        with transaction.atomic():
            hook = Hook.objects.create(
                client=client, url=url, mark=secrets.token_hex(16), made_at=now
            )
    except IntegrityError:
        raise HookKnown(url=url, hook="?", client=client.code) from None
    return hook, secret_text(key=_key(hook, hook.mark))


@transaction.atomic
def renew_secret(*, hook: Hook, now: datetime) -> str:
    """A new secret, told this once. The old one signs beside it for a while."""
    hook = Hook.objects.select_for_update().get(pk=hook.pk)
    hours = SettingBook.read(on=timezone.localdate(now)).whole("hook_old_secret_h")
    hook.old_mark, hook.old_until = hook.mark, now + timedelta(hours=hours)
    hook.mark = secrets.token_hex(16)
    hook.save(update_fields=["mark", "old_mark", "old_until"])
    return secret_text(key=_key(hook, hook.mark))


def _key(hook: Hook, mark: str) -> bytes:
    """32 bytes from the farm's own key: of one hook, one secret, and never stored."""
    value = f"{hook.pk}:{hook.client_id}:{mark}"
    return salted_hmac("slackwater.hook", value, algorithm="sha256").digest()


def live_keys(*, hook: Hook, now: datetime) -> list[bytes]:
    """The keys that sign now: the newest first, beside it the old one until its hour."""
    keys = [_key(hook, hook.mark)]
    if hook.old_mark and hook.old_until is not None and now < hook.old_until:
        keys.append(_key(hook, hook.old_mark))
    return keys


def own_hook(*, client: FeedClient, number: int) -> Hook:
    """A client's own address by its number. Another's is unknown."""
    hook = Hook.objects.filter(client=client, pk=number, is_active=True).first()
    if hook is None:
        raise Unknown(kind="hook", name=str(number))
    return hook


@transaction.atomic
def stop_hook(*, hook: Hook, why: str) -> None:
    """Call an address no more. What waits for it stays in the client's changes."""
    Hook.objects.filter(pk=hook.pk).update(is_active=False, stopped_why=why[:200])
    HookCall.objects.filter(hook=hook, state=HookCall.State.WAITING).delete()


def call_for(*, event: FeedEvent) -> None:
    """Write the calls of an event in its own transaction: one for each address of its client."""
    hooks = Hook.objects.filter(client=event.client_id, is_active=True)
    HookCall.objects.bulk_create(HookCall(hook=hook, event=event) for hook in hooks)


@transaction.atomic
def call_again(*, call_id: int, user: User) -> HookCall:
    """Let a parked call wait anew, under its own id. Raises Unknown, ForbiddenMove, NotAllowed."""
    user.must("send_messages_again")
    call = HookCall.objects.select_for_update().filter(pk=call_id).first()
    if call is None:
        raise Unknown(kind="call", name=str(call_id))
    if call.state != HookCall.State.PARKED:
        raise ForbiddenMove(
            kind="Call",
            name=call.message_id,
            state=call.get_state_display(),
            wanted="waiting",
            why="only a parked call is tried again by hand",
        )
    call.state, call.tries, call.next_try_at = HookCall.State.WAITING, 0, None
    call.save(update_fields=["state", "tries", "next_try_at"])
    return call
