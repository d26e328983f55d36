"""The walk's first page: where a look matters most today, who has looked where, and the troughs."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET

from inventory.clock import farm_now
from inventory.walk_door import walker_of
from inventory.walk_pages import form_context
from inventory.walk_rows import walk_rows
from orders.shortness import places_to_look_first

# The page of a tray as the phone fills it in: one sheet for all of them keeps the walk small.
BLANK_TRAY = {
    "code": "@code@",
    "strain": "@strain@",
    "strain_name": "@name@",
    "form": "@form@",
    "state": "@state@",
    "pieces": "@pieces@",
    "positions": "@positions@",
    "counted_words": "@counted@",
    "cohort": "@cohort@",
    "organ": "@organ@",
    "look_words": "@look@",
    "may_be_ready": True,
}


@require_GET
def walk_page(request: HttpRequest) -> HttpResponse:
    """The whole walk on one page, so that a phone has it once and needs no signal after."""
    walker = walker_of(request)
    if walker is None:
        return redirect(f"{reverse('login')}?next={reverse('walk')}")
    now = farm_now()
    troughs = walk_rows(now=now)
    looked = sum(1 for row in troughs if row.looked)
    context: dict[str, Any] = form_context(walker) | {
        "revoked": walker.revoked,
        "troughs": troughs,
        "order": [row.code for row in troughs],
        "looked": looked,
        "missing": len(troughs) - looked,
        "trays": sum(len(row.trays) for row in troughs),
        "day_words": f"{timezone.localtime(now):%A %-d %B}",
        "blank_tray": BLANK_TRAY,
        "first": places_to_look_first(now=now),
    }
    return render(request, "walk.html", context)
