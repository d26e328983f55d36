"""What every page shows: who is here, where they may go, and what the farm's clock says."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.utils import timezone

from config.contents import PageGroup, contents_for, daily_links
from inventory.clock import farm_now
from inventory.models import Alarm, Clock


@dataclass(frozen=True, slots=True)
class ClockWords:
    words: str
    is_demo: bool


def page(request: HttpRequest) -> dict[str, Any]:
    """The masthead above every sheet. A page's own context would hide shorter names."""
    now = farm_now()
    user = getattr(request, "user", None)
    contents: tuple[PageGroup, ...] = ()
    alarms: list[Alarm] = []
    if user is not None and user.is_authenticated:
        contents = contents_for(request=request, is_staff=user.is_staff_member)
        if user.is_staff_member:
            # Until somebody has answered: whoever opens any page next has to see it.
            rows = Alarm.objects.filter(answered_at__isnull=True)
            alarms = list(rows.select_related("note__user"))
    local = timezone.localtime(now)
    is_demo = Clock.objects.filter(demo_now_at__isnull=False).exists()
    return {
        "masthead_clock": ClockWords(f"{local:%a %-d %b %Y, %H:%M %Z}", is_demo),
        "masthead_contents": contents,
        "masthead_links": daily_links(contents),
        "alarms": alarms,
        "outdoor": request.COOKIES.get("theme") == "outdoor",
    }
