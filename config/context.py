"""What every page shows: who is here, where they may go, and what the farm's clock says."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.http import HttpRequest
from django.utils import timezone

from config.contents import PageGroup, contents_for, daily_links
from inventory.models import Alarm, Clock
from orders.list_read import Who
from orders.models import ShipWeek


@dataclass(frozen=True, slots=True)
class ClockWords:
    words: str
    is_demo: bool


@dataclass(frozen=True, slots=True)
class Read:
    """What the masthead reads where the page has not read it already."""

    now: datetime
    is_demo: bool
    newest_week: str


def _read() -> Read:
    demo_now_at = Clock.objects.values_list("demo_now_at", flat=True).first()
    out = ShipWeek.objects.filter(published_at__isnull=False).order_by("-monday")
    newest = out.values_list("name", flat=True).first() or ""
    return Read(demo_now_at or timezone.now(), demo_now_at is not None, newest)


def page(request: HttpRequest) -> dict[str, Any]:
    """The masthead above every sheet. A page's own context would hide shorter names."""
    read: Read | Who = getattr(request, "masthead_read", None) or _read()
    user = getattr(request, "user", None)
    contents: tuple[PageGroup, ...] = ()
    alarms: list[Alarm] = []
    if user is not None and user.is_authenticated:
        contents = contents_for(request=request, user=user, week_name=read.newest_week)
        if user.is_staff_member:
            # Until somebody has answered: whoever opens any page next has to see it.
            rows = Alarm.objects.filter(answered_at__isnull=True)
            alarms = list(rows.select_related("note__user", "note__trough"))
    local = timezone.localtime(read.now)
    return {
        "masthead_clock": ClockWords(f"{local:%a %-d %b %Y, %H:%M %Z}", read.is_demo),
        "masthead_contents": contents,
        "masthead_links": daily_links(contents),
        "alarms": alarms,
        "outdoor": request.COOKIES.get("theme") == "outdoor",
    }
