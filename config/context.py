"""What every page shows: who is here, where they may go, and what the farm's clock says."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone

from inventory.clock import farm_now
from inventory.models import Alarm, Clock
from orders.models import ShipWeek


@dataclass(frozen=True, slots=True)
class PageLink:
    name: str
    url: str
    is_here: bool


@dataclass(frozen=True, slots=True)
class ClockWords:
    words: str
    is_demo: bool


def page(request: HttpRequest) -> dict[str, Any]:
    """The strip above every sheet."""
    now = farm_now()
    user = getattr(request, "user", None)
    links: list[PageLink] = []
    alarms: list[Alarm] = []
    if user is not None and user.is_authenticated:
        links = _links(request, user.is_staff_member)
        if user.is_staff_member:
            # Until somebody has answered: whoever opens any page next has to see it.
            rows = Alarm.objects.filter(answered_at__isnull=True)
            alarms = list(rows.select_related("note__user"))
    local = timezone.localtime(now)
    is_demo = Clock.objects.filter(demo_now_at__isnull=False).exists()
    return {
        "clock": ClockWords(f"{local:%a %-d %b %Y, %H:%M %Z}", is_demo),
        "links": links,
        "alarms": alarms,
        "outdoor": request.COOKIES.get("theme") == "outdoor",
    }


def _links(request: HttpRequest, is_staff: bool) -> list[PageLink]:
    week = ShipWeek.objects.filter(published_at__isnull=False).order_by("-monday").first()
    names = [("Orders", reverse("orders"))]
    if week is not None:
        names.insert(0, ("List", reverse("list", args=[week.name])))
    if week is not None and is_staff:
        names += [
            (title, reverse(name, args=[week.name]))
            for title, name in (
                ("Who ordered", "who-ordered"),
                ("Numbers", "numbers"),
                ("Sharing", "sharing"),
                ("Sheets", "sheets"),
                ("Packing", "packing"),
            )
        ]
        names.append(("Holds", reverse("holds")))
    if is_staff:
        names.append(("What if", reverse("what-if")))
        names.append(("Messages", reverse("messages")))
        names.append(("Walk", reverse("walk")))
    return [PageLink(name, url, request.path == url) for name, url in names]
