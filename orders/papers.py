"""The availability list on paper."""

from django.template.loader import render_to_string
from django.utils import timezone

from inventory.models import Site
from inventory.printing import render_pdf
from orders.calc.weeks import time_text
from orders.list_rows import list_groups
from orders.models import ListVersion
from orders.weeks import week_line


def availability_pdf(*, version: ListVersion, tier: int) -> bytes:
    """The list of one version at one tier's prices, as PDF."""
    week = version.week
    zone = timezone.get_current_timezone_name()
    site = Site.objects.filter(is_origin=True).first()
    context = {
        "week": week,
        "week_number": week.name[-2:],
        "version": version,
        "tier": tier,
        "groups": list_groups(version=version, tier=tier),
        "farm_name": site.name if site else "The farm",
        "week_line": week_line(week=week, now=None, zone=zone),
        "out_words": time_text(at=week.publish_at, zone=zone),
        "cut_off_words": time_text(at=week.cut_off_at, zone=zone),
        "published_words": time_text(at=version.published_at, zone=zone),
        "ship_words": " and ".join(f"{day:%a %-d %b}" for day in week.ship_days),
    }
    return render_pdf(render_to_string("orders/list_paper.html", context), "paper.css")
