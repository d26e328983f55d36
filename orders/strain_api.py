"""One strain as a retailer's system mirrors it: what it is, its colour, and how it stands offered.

Thin: what a list says is read from the newest version of each open list.
"""

from typing import Any

from django.http import HttpResponse
from django.utils import timezone
from rest_framework.request import Request

from inventory.clock import farm_now
from inventory.errors import Unknown
from inventory.models import ColourState, Listing, Strain
from orders.api import line_record
from orders.api_answers import LIST_MAX_AGE_S, FeedView, reply_json
from orders.feeding import photo_address
from orders.law_api import LawFor
from orders.models import ListLine, ListVersion, ShipWeek
from orders.quantities import told_of


class StrainView(FeedView):
    """A strain that is made, by its key, with its lines on every open list."""

    def get(self, request: Request, key: str) -> HttpResponse:
        made = Strain.objects.select_related("strain_class").filter(is_making=True)
        strain = made.filter(key=key).first()
        if strain is None:
            raise Unknown(kind="strain", name=key)
        tier = self.client.customer.tier_on(timezone.localdate(farm_now()))
        body = strain_record(strain) | {
            "offered": _offered(strain, tier, LawFor(request, self.client.customer))
        }
        return reply_json(request, body, max_age_s=LIST_MAX_AGE_S)


def strain_record(strain: Strain) -> dict[str, Any]:
    """What a web shop prints of a strain. What the farm keeps and how much of it is its own."""
    listings = Listing.objects.filter(strain_form__strain=strain).order_by("name")
    return {
        "strain": strain.key,
        "name": strain.name,
        "taxon": strain.taxon,
        "class": strain.strain_class_id,
        "class_name": strain.strain_class.name,
        "level": strain.level,
        "sting": strain.sting,
        "needs_gloves_and_goggles": strain.toxin >= 2,
        "cites_appendix": strain.cites_appendix or None,
        "colour": strain.colour,
        "colour_state": _colour_record(strain),
        "listings": [
            {
                "listing": row.name,
                "title": row.title,
                "look": row.look or "colour",
                "photo": photo_address(row),
                "photo_on": row.photo_on.isoformat() if row.photo and row.photo_on else None,
                "photo_light": row.photo_light or None,
            }
            for row in listings
        ],
    }


def _colour_record(strain: Strain) -> dict[str, Any] | None:
    """Where its colour stands since the last look; none for a strain that keeps its colour."""
    if not strain.is_colour_strain:
        return None
    state = ColourState.objects.filter(strain=strain).first()
    if state is None:
        return None
    days = {
        name: getattr(state, name)
        for name in ("rested_on", "returned_on", "back_likely_on", "back_from_on", "back_to_on")
    }
    return {
        "state": state.state,
        "looked_on": state.looked_on.isoformat(),
        **{name: day.isoformat() if day else None for name, day in days.items()},
    }


def _offered(strain: Strain, tier: int, law: LawFor) -> list[dict[str, Any]]:
    """Its lines on the newest version of each open list, the nearest week first."""
    weeks = ShipWeek.objects.filter(published_at__isnull=False, closed_at__isnull=True)
    newest: dict[int, ListVersion] = {}
    versions = ListVersion.objects.filter(week__in=weeks).defer("snapshot").order_by("number")
    for version in versions:
        newest[version.week_id] = version
    lines = ListLine.objects.filter(
        version__in=newest.values(), listing__strain_form__strain=strain
    ).select_related("version__week", "listing__strain_form__strain", "listing__strain_form__form")
    told = {week.pk: told_of(week=week) for week in weeks}
    return [
        {
            "week": line.version.week.name,
            "version": line.version.number,
            **line_record(
                line,
                tier,
                told[line.version.week_id],
                law.of(strain, line.version.week.first_ship_on),
            ),
        }
        for line in lines.order_by("version__week__monday", "position")
    ]
