"""Letters of the growing side: holds, recounts, and the last look that a hold waits for.

Call from: config/ticking.py. Each letter is written in the transaction of its cause, once.
"""

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Sum
from django.urls import reverse
from django.utils import timezone

from inventory.clock import is_done, is_first
from inventory.holds import held_balances
from inventory.looking_first import PLACES, LookFirst
from inventory.messaging import Action, Letter, write_messages
from inventory.models import Balance, Happening, Hold
from inventory.people import Role, User
from inventory.setting_book import SettingBook


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """A hold is told to the leads and the office at once, less whoever raised it."""
    if happening.kind != "hold.raised":
        return
    hold = Hold.objects.select_related("raised_by").get(code=happening.facts["hold"])
    held = held_balances(hold)
    context = {
        "hold": hold,
        "pieces": held.aggregate(Sum("pieces"))["pieces__sum"] or 0,
        "trays": held.count(),
        "raised_words": f"{timezone.localtime(hold.raised_at):%a %-d %b %H:%M}",
    }
    letters = [
        Letter(
            key=f"hold:{hold.code}",
            kind="hold raised",
            user=user,
            subject=f"Hold on {hold.scope}: {hold.reason}",
            why="a hold was raised, and you look after holds",
            action=Action(f"Look at {hold.code}", reverse("holds")),
            template="hold_raised",
            context=context,
        )
        for user in people(Role.LEAD, Role.OFFICE).exclude(pk=hold.raised_by_id)
    ]
    write_messages(letters, now=now)


def people(*roles: Role) -> Any:
    """The people of some roles who may log in."""
    return User.objects.filter(role__in=roles, is_active=True).order_by("pk")


def write_due(*, now: datetime, look: Callable[[], Sequence[LookFirst]]) -> None:
    """The morning's letters, once a farm day. Safe to run late or twice.

    ``look`` finds every place worth a look, weightiest first; it is asked only by whoever writes.
    """
    local = timezone.localtime(now)
    key = f"morning letters {local:%Y-%m-%d}"
    if is_done(key=key):
        return
    book = SettingBook.read(on=local.date())
    if local.hour < book.whole("morning_letters_h"):
        return
    with transaction.atomic():
        if is_first(key=key, now=now):
            _write_recounts(local.date(), now, look(), book.whole("old_count_days"))
            _write_last_looks(local.date(), now)


def _write_recounts(on: date, now: datetime, places: Sequence[LookFirst], old_days: int) -> None:
    """To each grower, where a fresh count would give the list most. None where none would."""
    counts = [row for row in places if row.gain_pieces > 0]
    if not counts:
        return
    first = counts[0]
    old = Balance.objects.filter(pieces__gt=0, counted_on__lt=on - timedelta(days=old_days))
    context = {
        "first": first,
        "rows": [row for row in places[:PLACES] if row is not first],
        "old_trays": old.count(),
        "after_days": old_days + 1,
    }
    letters = [
        Letter(
            key=f"recount:{on}",
            kind="recount me",
            user=user,
            subject=f"Count {first.place} first: +{first.gain_pieces} likely",
            why="you walk the troughs",
            action=Action(f"Count tray {first.place}", tray_path(first.place)),
            template="recount",
            context=context,
        )
        for user in people(Role.GROWER)
    ]
    write_messages(letters, now=now)


def tray_path(code: str) -> str:
    """Where a tray is counted."""
    return reverse("tray-mark", args=[code])


def _write_last_looks(on: date, now: datetime) -> None:
    """To the leads, on the day on which one more clean look earns a hold off."""
    for hold in Hold.objects.filter(state__in=Hold.OPEN).prefetch_related("looks"):
        counted = len(hold.counted_looks())
        if hold.needs_looks - counted != 1 or hold.earliest_lift_on() != on:
            continue
        letters = [
            Letter(
                key=f"last look:{hold.code}:{on}",
                kind="last clean look due",
                user=user,
                subject=f"Last look due today for {hold.code} on {hold.scope}",
                why="you look after holds",
                action=Action(f"Note the look for {hold.code}", reverse("holds")),
                template="last_look",
                context={"hold": hold, "counted": counted, "needs": hold.needs_looks},
            )
            for user in people(Role.LEAD)
        ]
        write_messages(letters, now=now)
