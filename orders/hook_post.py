"""HOP 5f calls: what is due to an address -> a signed POST, tried again later where it fails.

Call from: config/calling.py, by the machine's clock.
Locks: none while a server is spoken to. A call is claimed by a guarded update that is committed
first. What a server has taken without our hearing so is called again under the same id.
"""

import http.client
import logging
import socket
import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from inventory.setting_book import SettingBook
from orders.calc.signing import sign
from orders.hooks import is_open_address, live_keys, stop_hook
from orders.models import HookCall

AT_ONCE = 100
GONE = 410
log = logging.getLogger(__name__)

# Sends headers and a body to an address within some seconds and returns the status it answered.
Send = Callable[[str, Mapping[str, str], bytes, float], int]


class AddressNotOpen(OSError):
    """The name points at this machine or a private net; nothing is sent there."""


@dataclass(slots=True)
class Called:
    """What one round of calls did."""

    answered: int = 0
    later: int = 0
    parked: int = 0


def call_due(*, now: datetime, send: Send) -> Called:
    """Call every address that something is due to. Safe beside another caller."""
    done = Called()
    if not HookCall.objects.filter(state__in=["waiting", "calling"]).exists():
        return done
    book = SettingBook.read(on=timezone.localdate(now))
    _take_over(now, book)
    # An address that fails once in a round is left alone until the next: it is gone, not slow.
    failed: set[int] = set()
    for call_id in list(HookCall.objects.due(now).values_list("pk", flat=True)[:AT_ONCE]):
        call = _claim(call_id, now)
        if call is None:
            continue
        if call.hook_id in failed:
            _leave(call)
        elif not _call(call, now, send, book, done):
            failed.add(call.hook_id)
    return done


def _take_over(now: datetime, book: SettingBook) -> None:
    """A caller that was killed leaves its claim; after a while the call waits again."""
    old = now - timedelta(seconds=book.whole("hook_claim_s"))
    HookCall.objects.filter(state=HookCall.State.CALLING, claimed_at__lt=old).update(
        state=HookCall.State.WAITING, last_error="its caller ended half-way"
    )


def _claim(call_id: int, now: datetime) -> HookCall | None:
    with transaction.atomic(durable=True):
        claimed = HookCall.objects.filter(pk=call_id, state=HookCall.State.WAITING).update(
            state=HookCall.State.CALLING, claimed_at=now, tries=F("tries") + 1
        )
    calls = HookCall.objects.select_related("hook__client", "event")
    return calls.get(pk=call_id) if claimed == 1 else None


def _leave(call: HookCall) -> None:
    """Put a claimed call back as it was: it was not tried."""
    HookCall.objects.filter(pk=call.pk).update(state=HookCall.State.WAITING, tries=F("tries") - 1)


def _call(call: HookCall, now: datetime, send: Send, book: SettingBook, done: Called) -> bool:
    body = call.event.body
    error = ""
    try:
        headers = headers_of(call=call, now=now)
        status = send(call.hook.url, headers, body.encode(), book.number("hook_timeout_s"))
        error = "" if 200 <= status < 300 else f"answered {status}"
    except (OSError, http.client.HTTPException) as failure:
        status, error = 0, f"{type(failure).__name__}: {failure}"
    if not error:
        HookCall.objects.filter(pk=call.pk).update(
            state=HookCall.State.ANSWERED, answered_at=now, next_try_at=None, last_error=""
        )
        done.answered += 1
        return True
    _put_back(call, now, book, done, error)
    if status == GONE:
        # The standard's way for a reader to say that an address is given up.
        stop_hook(hook=call.hook, why="it answered 410: gone")
    return False


def headers_of(*, call: HookCall, now: datetime) -> dict[str, str]:
    """The standard's three headers, signed by every live key over the raw body."""
    stamp = int(now.timestamp())
    signature = sign(
        keys=live_keys(hook=call.hook, now=now),
        message_id=call.message_id,
        timestamp=stamp,
        body=call.event.body,
    )
    return {
        "content-type": "application/json",
        "webhook-id": call.message_id,
        "webhook-timestamp": str(stamp),
        "webhook-signature": signature,
    }


def _put_back(call: HookCall, now: datetime, book: SettingBook, done: Called, error: str) -> None:
    """Let a call wait longer each time; park it for a person once every wait is used up."""
    waits = [int(part) for part in book.text("hook_waits").split()]
    is_parked = call.tries > len(waits)
    HookCall.objects.filter(pk=call.pk, state=HookCall.State.CALLING).update(
        state=HookCall.State.PARKED if is_parked else HookCall.State.WAITING,
        next_try_at=None if is_parked else now + timedelta(seconds=waits[call.tries - 1]),
        last_error=error[:300],
    )
    done.parked += is_parked
    done.later += not is_parked


def send_https(url: str, headers: Mapping[str, str], body: bytes, timeout_s: float) -> int:
    """POST over TLS to the address a name points to now, if that is of the open net.

    The address is looked up once and that very one is called, so that a name cannot point
    elsewhere between the check and the call. Redirects are not followed.
    """
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port or 443
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    addresses = [str(row[4][0]) for row in found]
    if not addresses or not all(is_open_address(address) for address in addresses):
        raise AddressNotOpen(f"{host} points at this machine or a private net")
    line = _Line(addresses[0], host, port, timeout_s)
    try:
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        line.request("POST", path, body=body, headers=dict(headers))
        return line.getresponse().status
    finally:
        line.close()


class _Line(http.client.HTTPSConnection):
    """A TLS line to one numeric address that must prove to be the host of that name."""

    def __init__(self, address: str, host: str, port: int, timeout_s: float) -> None:
        super().__init__(host, port, timeout=timeout_s, context=ssl.create_default_context())
        self._address = address

    def connect(self) -> None:
        plain = socket.create_connection((self._address, self.port), self.timeout)
        self.sock = ssl.create_default_context().wrap_socket(plain, server_hostname=self.host)
