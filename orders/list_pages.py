"""Pages of the week's list: what is offered, ordering from it, and the numbers behind it."""

import secrets
from datetime import date
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from inventory.clock import farm_now, farm_today
from inventory.errors import FarmError, Unknown
from inventory.models import Site, User
from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text
from orders.intake import Asked, send_order
from orders.list_rows import list_groups
from orders.listing import draft_list, newest_version
from orders.models import (
    Customer,
    ListVersion,
    Order,
    ShipTo,
)
from orders.pages import customer_of, signed_in, staff_only
from orders.papers import availability_pdf
from orders.weeks import week_line, week_named


class CountUnreadable(FarmError):
    code = "count_unreadable"
    status = 422
    title = "A number cannot be read"
    message = "Nothing was ordered: {first}. Type whole numbers only."


@login_required
def list_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """The week's list, with a count beside each offered line for whoever may order."""
    user = signed_in(request)
    if request.method == "POST":
        return _send_from_page(request, user, week_name)
    week = week_named(name=week_name)
    versions = list(week.versions.all())
    version = _version_shown(request, versions)
    if version is None:
        raise Unknown(kind="list for", name=week_name)
    customer = customer_of(user)
    ship_tos = _ship_tos_for(user, customer)
    ship_to = _chosen_ship_to(request, ship_tos) if customer else None
    tier = customer.tier_on(farm_today()) if customer else 1
    zone = ship_to.time_zone if ship_to else timezone.get_current_timezone_name()
    groups = list_groups(version=version, tier=tier)
    context = {
        "week": week,
        "week_number": week.name[-2:],
        "version": version,
        "versions": versions,
        "farm_name": _farm_name(),
        "ship_to": ship_to,
        "ship_tos": ship_tos,
        "tier": tier,
        "groups": groups,
        "is_staff": user.is_staff_member,
        "can_order": week.closed_at is None
        and version == versions[-1]
        and bool(customer or user.may("order_for_customer")),
        "is_open": week.closed_at is None,
        "order_key": secrets.token_urlsafe(16),
        "ship_days": [
            {"value": day.isoformat(), "words": f"{day:%a %-d %b}"} for day in week.ship_days
        ],
        "published_words": time_text(at=version.published_at, zone=zone),
        "cut_off_words": time_text(at=week.cut_off_at, zone=zone),
        "week_line": week_line(week=week, now=farm_now(), zone=zone),
        "has_toxic": any(row.is_toxic for group in groups for row in group.rows),
    }
    return render(request, "orders/list.html", context)


def _version_shown(request: HttpRequest, versions: list[ListVersion]) -> ListVersion | None:
    """The version asked for by number, else the newest."""
    wanted = request.GET.get("version", "")
    asked = [row for row in versions if str(row.number) == wanted]
    shown = asked or versions[-1:]
    return shown[0] if shown else None


def _farm_name() -> str:
    return Site.objects.filter(is_origin=True).values_list("name", flat=True).first() or "The farm"


def _ship_tos_for(user: User, customer: Customer | None) -> list[ShipTo]:
    if customer is not None:
        return list(customer.ship_tos.select_related("customer"))
    if user.may("order_for_customer"):
        return list(ShipTo.objects.select_related("customer"))
    return []


def _chosen_ship_to(request: HttpRequest, ship_tos: list[ShipTo]) -> ShipTo | None:
    wanted = request.GET.get("ship_to")
    return next((row for row in ship_tos if row.code == wanted), ship_tos[0] if ship_tos else None)


def _send_from_page(request: HttpRequest, user: User, week_name: str) -> HttpResponse:
    customer = customer_of(user)
    ship_to_code = request.POST.get("ship_to", "")
    if customer is None:
        user.must("order_for_customer")
        ship_to = ShipTo.objects.select_related("customer").filter(code=ship_to_code).first()
        if ship_to is None:
            raise Unknown(kind="ship-to", name=ship_to_code or "(none)")
        customer = ship_to.customer
    source = Order.Source.PHONE if user.is_staff_member else Order.Source.PAGE
    order = send_order(
        customer=customer,
        ship_to_code=ship_to_code,
        week=week_named(name=week_name),
        ship_on=_posted_day(request, "ship_on"),
        rows=_posted_rows(request, takes_now=request.POST.get("takes_now") == "on"),
        source=source,
        idempotency_key=request.POST.get("key") or secrets.token_urlsafe(16),
        now=farm_now(),
        user=user,
        version_seen=_posted_whole(request, "version"),
    )
    messages.success(request, f"Order {order.number} is sent.")
    return redirect("order", order.number)


def _posted_day(request: HttpRequest, name: str) -> date:
    try:
        return date.fromisoformat(request.POST.get(name, ""))
    except ValueError:
        raise CountUnreadable(first="the ship day is missing", rows=[]) from None


def _posted_whole(request: HttpRequest, name: str) -> int | None:
    text = request.POST.get(name, "")
    return int(text) if text.isascii() and text.isdigit() else None


def _posted_rows(request: HttpRequest, *, takes_now: bool) -> list[Asked]:
    """The rows that were filled in. Anything but a whole number is named, nothing is guessed."""
    rows: list[Asked] = []
    problems: list[dict[str, Any]] = []
    posted = ((name, str(text).strip()) for name, text in request.POST.items())
    asked = ((name[4:], text) for name, text in posted if name[:4] == "ask:")
    for index, (listing, text) in enumerate(((name, text) for name, text in asked if text), 1):
        if not (text.isascii() and text.isdigit()):
            detail = f"{text!r} is not a whole number"
            problems.append({"row": index, "listing": listing, "detail": detail})
        else:
            rows.append(Asked(listing=listing, asked=int(text), takes_now=takes_now))
    if problems:
        first = f"{problems[0]['listing']}: {problems[0]['detail']}"
        raise CountUnreadable(first=first, rows=problems)
    return rows


@login_required
def list_pdf(request: HttpRequest, week_name: str) -> HttpResponse:
    """The list on paper, at the reader's own prices."""
    week = week_named(name=week_name)
    version = newest_version(week=week)
    if version is None:
        raise Unknown(kind="list for", name=week_name)
    customer = customer_of(signed_in(request))
    tier = customer.tier_on(farm_today()) if customer else 1
    answer = HttpResponse(
        availability_pdf(version=version, tier=tier), content_type="application/pdf"
    )
    answer["Content-Disposition"] = f'inline; filename="availability-{week.name}.pdf"'
    return answer


@login_required
def numbers_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """Every listing's can-promise with its terms, as of now."""
    staff_only(request)
    week = week_named(name=week_name)
    now = farm_now()
    rows = [
        {
            "name": line.listing.name,
            "title": line.listing.title,
            "status": line.status,
            "state_slug": line.status.replace(" ", "-"),
            "reason": line.reason or line.note,
            "total": line.total,
            "unit_word": line.listing.strain_form.form.unit_word,
            "terms": line.terms,
            "promised": (line.gross - line.total) or "",
        }
        for line in draft_list(week=week, now=now, book=SettingBook.read(on=farm_today()))
    ]
    zone = timezone.get_current_timezone_name()
    context = {
        "week": week,
        "rows": rows,
        "now_words": time_text(at=now, zone=zone),
        "week_line": week_line(week=week, now=now, zone=zone),
    }
    return render(request, "orders/numbers.html", context)
