"""Pages of the selling side. Thin: each reads its form, calls a hop, and prepares rows to print."""

import json
import secrets
from datetime import date
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now, farm_today
from inventory.errors import FarmError, NotAllowed, Unknown
from inventory.models import Site, User
from inventory.setting_book import SettingBook
from orders import exporting, sharing
from orders.calc.weeks import time_text
from orders.intake import Asked, confirm_line, send_order, withdraw_order
from orders.list_rows import list_groups
from orders.listing import draft_list, newest_version
from orders.models import (
    Customer,
    ExportTick,
    Line,
    ListLine,
    ListVersion,
    Order,
    Promise,
    Seat,
    ShareLine,
    ShipTo,
)
from orders.papers import availability_pdf
from orders.weeks import week_line, week_named


class CountUnreadable(FarmError):
    code = "count_unreadable"
    status = 422
    title = "A number cannot be read"
    message = "Nothing was ordered: {first}. Type whole numbers only."


def signed_in(request: HttpRequest) -> User:
    """The person at the page; the log-in decorator has seen to it that there is one."""
    assert isinstance(request.user, User)
    return request.user


def staff_only(request: HttpRequest) -> User:
    user = signed_in(request)
    user.must("see_staff_pages")
    return user


def customer_of(user: User) -> Customer | None:
    """The customer a buyer orders for; none for staff."""
    seat = Seat.objects.select_related("customer").filter(user=user).first()
    return seat.customer if seat else None


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
    return (asked or versions[-1:] or [None])[0]


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
    asked = ((name[4:], text.strip()) for name, text in request.POST.items() if name[:4] == "ask:")
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


def visible_orders(user: User) -> Any:
    """The orders a person may see: staff all, a buyer only the own customer's."""
    orders = Order.objects.select_related("week", "customer", "ship_to__customer")
    if user.is_staff_member:
        return orders
    customer = customer_of(user)
    return orders.filter(customer=customer) if customer else orders.none()


def order_for(user: User, number: str) -> Order:
    order = visible_orders(user).filter(number=number).first()
    if order is None:
        raise Unknown(kind="order", name=number)
    return order


@login_required
def orders_page(request: HttpRequest) -> HttpResponse:
    """Orders by week, newest week first."""
    user = signed_in(request)
    groups: dict[str, list[dict[str, Any]]] = {}
    for order in visible_orders(user).order_by("-week__monday", "number").prefetch_related("lines"):
        groups.setdefault(order.week.name, []).append(_order_summary(order))
    customer = customer_of(user)
    context = {
        "groups": [{"week": week, "rows": rows} for week, rows in groups.items()],
        "whose": customer.name if customer else "all customers",
    }
    return render(request, "orders/orders.html", context)


def _order_summary(order: Order) -> dict[str, Any]:
    waiting = [row for row in order.lines.all() if row.state in ("needs person", "needs paper")]
    return {
        "number": order.number,
        "ship_to": str(order.ship_to),
        "sent": f"{timezone.localtime(order.sent_at):%a %-d %b %H:%M}",
        "ships": f"{order.ship_on:%a %-d %b}",
        "state": order.get_state_display(),
        "lines": len(order.lines.all()),
        "needs": f"{len(waiting)} lines wait for a word" if waiting else "",
    }


@login_required
def order_page(request: HttpRequest, number: str) -> HttpResponse:
    """One order with what was decided on each line, and why."""
    user = signed_in(request)
    order = order_for(user, number)
    zone = order.ship_to.time_zone if not user.is_staff_member else None
    rows = [_order_row(line, user.is_staff_member) for line in _lines_of(order)]
    context = {
        "order": order,
        "rows": rows,
        "goods": sum((row["money"] for row in rows), Decimal(0)),
        "is_staff": user.is_staff_member,
        "ship_words": f"{order.ship_on:%a %-d %b}",
        "sent_words": f"{timezone.localtime(order.sent_at):%a %-d %b %H:%M}",
        "ticks": _tick_rows(order),
        "may_withdraw": Order.State.WITHDRAWN in Order.MOVES[order.state],
        "may_report": order.state in (Order.State.ON_THE_ROAD, Order.State.ARRIVED),
        "week_line": week_line(
            week=order.week,
            now=farm_now(),
            zone=zone or timezone.get_current_timezone_name(),
            ship_on=order.ship_on,
        ),
    }
    return render(request, "orders/order.html", context)


def _lines_of(order: Order) -> Any:
    return order.lines.select_related("listing", "promise").prefetch_related("shares__run")


def _order_row(line: Line, is_staff: bool) -> dict[str, Any]:
    promise: Promise | None = getattr(line, "promise", None)
    live = promise is not None and promise.state not in ("freed", "missed")
    units = promise.units if promise is not None and live else 0
    share = next((row for row in line.shares.all() if row.run.is_signed), None)
    state, slug = _line_words(line, promise)
    return {
        "id": line.pk,
        "position": line.position,
        "name": line.listing.name,
        "title": line.listing.title,
        "unit": line.unit,
        "asked": line.asked,
        "promised": units if promise or line.state == Line.State.REFUSED else None,
        "unit_price": line.unit_price,
        "money": units * line.unit_price,
        "state": state,
        "state_slug": slug,
        "needs_person": line.state == Line.State.NEEDS_PERSON,
        "sentence": _line_sentence(line, share, is_staff),
    }


def _line_sentence(line: Line, share: ShareLine | None, is_staff: bool) -> str:
    if share is None:
        return line.reason
    return share.sentence if is_staff else share.buyer_sentence


def _line_words(line: Line, promise: Promise | None) -> tuple[str, str]:
    if line.state != Line.State.OPEN:
        return line.get_state_display(), "refused" if line.state == "refused" else "care"
    if promise is None:
        return "asked", "asked"
    slug = "short" if promise.units < line.asked else "offered"
    return promise.get_state_display(), slug


def _tick_rows(order: Order) -> list[dict[str, str]]:
    done = {tick.kind: tick for tick in order.export_ticks.select_related("user")}
    rows = []
    for kind, words in ExportTick.Kind.choices:
        tick = done.get(kind)
        when = f"{timezone.localtime(tick.at):%a %-d %b %H:%M}" if tick else ""
        by = tick.user.name if tick else ""
        rows.append({"kind": kind, "words": words, "by": by, "when": when})
    return rows


@login_required
@require_POST
def confirm_line_page(request: HttpRequest, line_id: int) -> HttpResponse:
    line = confirm_line(line_id=line_id, user=staff_only(request), now=farm_now())
    messages.success(request, f"{line.listing.name} of order {line.order.number} is confirmed.")
    return redirect("order", line.order.number)


@login_required
@require_POST
def export_tick_page(request: HttpRequest, number: str, kind: str) -> HttpResponse:
    user = staff_only(request)
    exporting.tick_export(order_number=number, kind=kind, user=user, now=farm_now())
    return redirect("order", number)


@login_required
@require_POST
def withdraw_page(request: HttpRequest, number: str) -> HttpResponse:
    user = signed_in(request)
    order = order_for(user, number)
    if user.is_staff_member and not user.may("free_promise"):
        raise NotAllowed(role=user.get_role_display(), act="withdraw an order", who="the office")
    reason = f"withdrawn by {user.name}"
    withdraw_order(order_id=order.pk, now=farm_now(), user=user, reason=reason)
    messages.success(request, f"Order {number} is withdrawn.")
    return redirect("order", number)


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


@login_required
def sharing_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """Every short listing with what each rule would give; share out, then ink."""
    user = staff_only(request)
    week = week_named(name=week_name)
    now = farm_now()
    if request.method == "POST":
        if request.POST.get("act") == "ink":
            inked = sharing.ink_promises(week=week, now=now, user=user)
            messages.success(request, f"{inked} promises are inked.")
        else:
            run = sharing.share_out(week=week, now=now, user=user)
            short = run.lines.filter(is_short=True).count()
            messages.success(request, f"Shared out: {short} lines end below what was asked.")
        return redirect("sharing", week_name)
    shown = sharing.signed_listings(week=week) or sharing.preview(week=week, now=now)
    zone = timezone.get_current_timezone_name()
    context = {
        "week": week,
        "listings": [_shared_listing(row) for row in shown if row.is_short],
        "may_share": user.may("share_out") and week.inked_at is None,
        "is_shared": week.shared_at is not None,
        "state_words": _sharing_words(week, zone),
        "ink_words": "14:30 on the day of the cut-off",
        "week_line": week_line(week=week, now=now, zone=zone),
    }
    return render(request, "orders/sharing.html", context)


def _sharing_words(week: Any, zone: str) -> str:
    if week.inked_at:
        return f"inked {time_text(at=week.inked_at, zone=zone)}"
    if week.shared_at:
        return f"shared out {time_text(at=week.shared_at, zone=zone)}, not inked yet"
    if week.closed_at:
        return "closed; not shared out yet"
    return f"open until {time_text(at=week.cut_off_at, zone=zone)}; shares as they would be now"


def _shared_listing(row: sharing.SharedListing) -> dict[str, Any]:
    return {
        "name": row.listing.name,
        "title": row.listing.title,
        "available": row.available,
        "asked": row.asked,
        "rule": row.rule.replace("_", " "),
        "rows": [
            {
                "order": line.order_number,
                "shop": line.shop,
                "asked": line.asked,
                "promised": line.promised,
                "first_come": line.first_come,
                "equal": line.equal,
                "proportional": line.proportional,
                "sentence": line.sentence,
            }
            for line in row.lines
        ],
    }


def terms_of(line: ListLine) -> list[dict[str, Any]]:
    """The frozen terms of a published line."""
    terms: list[dict[str, Any]] = json.loads(line.terms)
    return terms
