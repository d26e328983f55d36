"""HOP 1i surges: a clock for a surge that stands still -> a hold once it stood too long.

Call from: inventory/walk_acts.py, config/ticking.py, inventory/pages.py.
Locks: the clock's row, so that a restart and the hold that is due do not both win.
"""

from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from inventory.holds import raise_hold
from inventory.models import Alarm, Happening, Hold, SurgeStop, WalkNote
from inventory.setting_book import SettingBook


def most_minutes(*, at: datetime) -> int:
    """How long water may stand before it is a hold. [min]"""
    return SettingBook.read(on=timezone.localdate(at)).whole("stalled_surge_min")


def start_clock(*, note: WalkNote) -> SurgeStop:
    """A surge was found standing still: its clock runs from the look on. One a trough."""
    running = SurgeStop.objects.filter(trough=note.trough, ended_at__isnull=True).first()
    if running is not None:
        return running
    due_at = note.looked_at + timedelta(minutes=most_minutes(at=note.looked_at))
    return SurgeStop.objects.create(
        trough=note.trough, note=note, stopped_at=note.looked_at, hold_due_at=due_at
    )


def stop_clock(*, note: WalkNote) -> None:
    """The surge runs again, or a hold acts already: the clock of its trough ends."""
    SurgeStop.objects.filter(
        trough=note.trough, ended_at__isnull=True, stopped_at__lte=note.looked_at
    ).update(ended_at=note.looked_at)


def hold_when_due(*, now: datetime) -> int:
    """Raise a hold on every trough whose surge stood too long. Safe to run late or twice."""
    due = SurgeStop.objects.filter(ended_at__isnull=True, hold_due_at__lt=now)
    raised = 0
    for pk in due.order_by("hold_due_at").values_list("pk", flat=True):
        raised += _hold(pk)
    return raised


@transaction.atomic
def _hold(stop_id: int) -> int:
    stop = (
        SurgeStop.objects.select_for_update(of=("self",))
        .select_related("trough", "note__user")
        .get(pk=stop_id)
    )
    if stop.ended_at is not None:
        return 0
    minutes = int((stop.hold_due_at - stop.stopped_at).total_seconds()) // 60
    words = f"surge stalled at {stop.trough} for more than {minutes} min"
    stop.hold = Hold.objects.filter(state__in=Hold.OPEN, trough=stop.trough).first() or raise_hold(
        scope_kind="trough",
        scope=stop.trough.code,
        reason=words,
        grade=Hold.Grade.SUSPECTED,
        at=stop.hold_due_at,
        user=stop.note.user,
    )
    stop.ended_at = stop.hold_due_at
    stop.save(update_fields=["hold", "ended_at"])
    alarm, is_new = Alarm.objects.get_or_create(
        note=stop.note,
        defaults={"words": f"{stop.hold}: {words}"[:200], "raised_at": stop.hold_due_at},
    )
    if is_new:
        facts = {
            "alarm": alarm.pk,
            "hold": stop.hold.code,
            "scope": stop.hold.scope,
            "reason": words,
            "by": stop.note.user.name,
        }
        Happening.objects.create(kind="alarm.raised", at=stop.hold_due_at, facts=facts)
    return 1


def running_words(*, now: datetime) -> list[str]:
    """Every clock that runs, in a sentence, the one due first first."""
    running = SurgeStop.objects.filter(ended_at__isnull=True).select_related("trough")
    return [
        f"{stop.trough}: the surge stands since {timezone.localtime(stop.stopped_at):%H:%M}, "
        f"{max(0, int((now - stop.stopped_at).total_seconds()) // 60)} min; a hold acts at "
        f"{timezone.localtime(stop.hold_due_at):%H:%M} unless it runs again."
        for stop in running.order_by("hold_due_at")
    ]
