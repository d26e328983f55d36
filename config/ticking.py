"""What the farm does by itself, driven by one function: tick(now).

A live farm calls it every few seconds, the demo after each of its events. Every part is safe to
run late or twice. Happenings are handed on in the order they were left, each in one transaction
with the work it causes, so that a crash between two loses nothing and repeats nothing.
"""

from collections.abc import Callable
from datetime import datetime

from django.db import transaction

from config import base_plan, edit_waiting
from inventory import ready_dates, surges, walk_messages
from inventory.models import Happening
from orders import (
    basket,
    change_messages,
    feeding,
    likely,
    list_guard,
    listing,
    order_messages,
    pricing,
    quantities,
    rest_messages,
    resting,
    watches,
)
from orders.shortness import places_to_look_first
from shipping import following, losses, ship_messages

# More than any farm has: the letters choose among all of them.
EVERY_PLACE = 100_000

READERS: tuple[Callable[..., None], ...] = (
    listing.follow_happening,
    following.follow_happening,
    feeding.follow_happening,
    quantities.follow_happening,
    basket.follow_happening,
    likely.follow_happening,
    walk_messages.follow_happening,
    order_messages.follow_happening,
    resting.follow_happening,
    rest_messages.follow_happening,
    watches.follow_happening,
    ship_messages.follow_happening,
)


def tick(now: datetime) -> int:
    """Do all that is due at a time. Returns how many happenings were handed on."""
    surges.hold_when_due(now=now)
    handed_on = hand_on_happenings(now=now)
    ready_dates.refresh_when_due(now=now)
    edit_waiting.write_due(now=now)
    pricing.leave_starts(now=now)
    list_guard.publish_due_lists(now=now)
    listing.close_due_lists(now=now)
    likely.refresh_when_due(now=now)
    quantities.tell_when_due(now=now)
    resting.settle_due(now=now)
    losses.close_windows(now=now)
    walk_messages.write_due(now=now, look=lambda: places_to_look_first(now=now, most=EVERY_PLACE))
    base_plan.write_due(now=now)
    order_messages.write_due(now=now)
    change_messages.write_due(now=now)
    return handed_on + hand_on_happenings(now=now)


def hand_on_happenings(*, now: datetime) -> int:
    """Give each waiting happening to whoever reads its kind, oldest first, until none waits."""
    handed_on = 0
    while (waiting := _next_waiting()) is not None:
        _hand_on(waiting, now)
        handed_on += 1
    return handed_on


def _next_waiting() -> int | None:
    waiting = Happening.objects.filter(handled_at__isnull=True).order_by("id")
    return waiting.values_list("pk", flat=True).first()


@transaction.atomic
def _hand_on(happening_id: int, now: datetime) -> None:
    # Claimed by the conditional update: of two loops only one goes on, the other waits and skips.
    claimed = Happening.objects.filter(pk=happening_id, handled_at__isnull=True).update(
        handled_at=now
    )
    if claimed != 1:
        return
    happening = Happening.objects.get(pk=happening_id)
    for read in READERS:
        read(happening, now=now)
