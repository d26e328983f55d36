"""The farm's time, read once at the edge and passed on as ``now`` or ``on``.

A demo farm runs on its own clock, one row, moved only by its next event or by the office. Log-ins
and tokens use the machine's clock, as a live farm does for everything.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError
from inventory.models import Clock, Once


class ClockRunsForward(FarmError):
    code = "clock_runs_forward"
    status = 422
    title = "The clock runs forward only"
    message = "The farm's clock stands at {now}; {to} is earlier. Choose a later time."


class ClockIsLive(FarmError):
    code = "clock_is_live"
    title = "A live farm's clock cannot be moved"
    message = "This farm runs on the machine's clock. Only a demo farm's clock can be moved."


def farm_now() -> datetime:
    """The farm's present time: the demo's row where there is one, else the machine's clock."""
    demo_now_at = Clock.objects.values_list("demo_now_at", flat=True).first()
    return demo_now_at or timezone.now()


def machine_now() -> datetime:
    """The machine's own clock: what leaves the house goes by it, from a demo farm too."""
    return timezone.now()


def farm_today() -> date:
    """The farm's present day in its own zone."""
    return timezone.localdate(farm_now())


def start_demo_clock(*, at: datetime) -> None:
    """Put the farm on a demo clock that stands at ``at``."""
    Clock.objects.update_or_create(id=1, defaults={"demo_now_at": at})


def move_clock(*, to: datetime) -> None:
    """Move the demo clock forward. Raises ClockRunsForward or ClockIsLive."""
    clock = Clock.objects.filter(demo_now_at__isnull=False).first()
    if clock is None or clock.demo_now_at is None:
        raise ClockIsLive()
    if to < clock.demo_now_at:
        stands = f"{timezone.localtime(clock.demo_now_at):%a %-d %b %H:%M}"
        raise ClockRunsForward(now=stands, to=f"{timezone.localtime(to):%a %-d %b %H:%M}")
    Clock.objects.filter(id=1).update(demo_now_at=to)


def has_waited(*, since: datetime, now: datetime, wait: timedelta) -> bool:
    """Whether so much time has passed since something.

    A demo's clock stands until its next event: nothing waits on a clock that stands.
    """
    return now == since or now - since >= wait


def is_done(*, key: str) -> bool:
    """Whether something timed has been done: a cheap look before the claim."""
    return Once.objects.filter(key=key).exists()


def is_first(*, key: str, now: datetime) -> bool:
    """Claim something timed that is done once, inside the caller's transaction.

    True for whoever comes first. A second loop waits for the first one's commit, then hears False;
    where the first one's work fails, its claim goes with it.
    """
    _, is_new = Once.objects.get_or_create(key=key, defaults={"at": now})
    return is_new


@contextmanager
def doing_once(*, key: str, now: datetime) -> Iterator[bool]:
    """Something timed, done once with its claim in one transaction: yields whether to do it.

    After it is done each later round costs one read and takes no writer's turn.
    """
    if is_done(key=key):
        yield False
        return
    with transaction.atomic():
        yield is_first(key=key, now=now)
