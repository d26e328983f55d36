"""The page that counts down what a farm just set up still lacks. Thin: rows are read."""

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from config.missing import how_many, whats_missing
from inventory.clock import farm_now
from inventory.door import staff_only
from orders.models import ShipWeek


@login_required
def missing_page(request: HttpRequest) -> HttpResponse:
    """What stops the first list, part by part, then what is only worth a look."""
    staff_only(request)
    now = farm_now()
    parts = whats_missing(now=now)
    following = ShipWeek.objects.filter(published_at__isnull=True, cut_off_at__gt=now)
    context = {
        "stops": [part for part in parts if part.stops and part.lacks],
        "looks": [part for part in parts if not part.stops and part.lacks],
        "whole": [part.name for part in parts if not part.lacks],
        "left": how_many(parts=parts),
        "next_week": following.order_by("monday").first(),
        "farm_zone": settings.FARM_TIME_ZONE,
    }
    return render(request, "missing.html", context)
