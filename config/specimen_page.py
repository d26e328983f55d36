"""Every part of the look once, on one page, for whoever builds or prints the next one."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.clock import farm_now
from inventory.door import staff_only
from orders.models import ShipWeek
from orders.weeks import week_line


@login_required
def specimen_page(request: HttpRequest) -> HttpResponse:
    """The parts, drawn with the newest week's own marks where a part shows a week."""
    staff_only(request)
    week = ShipWeek.objects.order_by("-monday").first()
    zone = timezone.get_current_timezone_name()
    line = week_line(week=week, now=farm_now(), zone=zone) if week else None
    return render(request, "specimens.html", {"week": week, "week_line": line})
