"""The page where a list is looked at, signed and corrected. Thin: list_guard.py judges."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from inventory.clock import farm_now
from inventory.door import staff_only
from inventory.errors import FarmError
from orders.calc.weeks import time_text
from orders.list_guard import (
    KINDS,
    Fault,
    correct_list,
    differences_now,
    faults_now,
    mark_of,
    sign_list,
    unsigned_faults,
)
from orders.models import ShipWeek
from orders.weeks import week_line, week_named


@login_required
def publish_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """What is old or missing, what differs from the newest version, and who ordered it."""
    user, now, week = staff_only(request), farm_now(), week_named(name=week_name)
    error, status = None, 200
    typed = request.POST.get("reason", "")
    if request.method == "POST":
        mark = request.POST.get("mark", "")
        try:
            if request.POST.get("act") == "correct":
                version = correct_list(week=week, mark=mark, reason=typed, now=now, user=user)
                messages.success(request, f"Version {version.number} of {week.name} is out.")
            else:
                sign_list(week=week, mark=mark, now=now, user=user)
                messages.success(request, f"Signed: {week.name} goes out at its hour.")
            return redirect("publish", week.name)
        except FarmError as refused:
            error, status = refused, refused.status
    zone = timezone.get_current_timezone_name()
    context: dict[str, Any] = {
        "week": week,
        "error": error,
        "typed": typed,
        "state_words": _state_words(week, zone),
        "week_line": week_line(week=week, now=now, zone=zone),
        "may_publish": user.may("publish_list") and week.closed_at is None,
        **_looked_at(week, now),
    }
    return render(request, "orders/publish.html", context, status=status)


def _looked_at(week: ShipWeek, now: Any) -> dict[str, Any]:
    faults = faults_now(week=week, now=now) if week.closed_at is None else []
    differences = differences_now(week=week, now=now) if week.closed_at is None else []
    unsigned = unsigned_faults(week=week, faults=faults)
    return {
        "kinds": _by_kind(faults, unsigned),
        "unsigned": len(unsigned),
        "differences": differences,
        "mark": mark_of(week, faults, differences if week.published_at else ()),
        "signatures": week.signatures.select_related("user"),
    }


def _by_kind(faults: list[Fault], unsigned: list[Fault]) -> list[dict[str, Any]]:
    open_keys = {fault.key for fault in unsigned}
    return [
        {
            "words": KINDS[kind],
            "names": [fault.listing for fault in faults if fault.kind == kind],
            "unsigned": sum(fault.kind == kind and fault.key in open_keys for fault in faults),
        }
        for kind in KINDS
        if any(fault.kind == kind for fault in faults)
    ]


def _state_words(week: ShipWeek, zone: str) -> str:
    if week.closed_at:
        return f"closed {time_text(at=week.closed_at, zone=zone)}"
    if week.published_at:
        return f"out since {time_text(at=week.published_at, zone=zone)}"
    return f"goes out {time_text(at=week.publish_at, zone=zone)}, once nothing is left to sign"
