"""The first page, the clock, the outdoor theme. Thin: rows are read, nothing is decided."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from config import monday
from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.door import signed_in
from inventory.errors import FarmError
from inventory.models import Clock, Message, Site, User
from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text
from orders.models import HookCall, Order, ShipWeek
from orders.pages import customer_of, visible_orders, zone_for
from orders.weeks import week_line
from orders.who_ordered import not_ordered
from shipping.lessons import proposals
from shipping.models import Credit, FreightCredit, PackPlan, PickSheet, Shortfall
from shipping.picked import held_counts


class TimeUnreadable(FarmError):
    code = "time_unreadable"
    status = 422
    title = "That time cannot be read"
    message = "{text} is not a time. Type it as 2026-11-30 14:00."


def _newest_week() -> ShipWeek | None:
    return ShipWeek.objects.filter(published_at__isnull=False).order_by("-monday").first()


@login_required
def today_page(request: HttpRequest) -> HttpResponse:
    """What matters now: time to cut-off, stops, orders that need a word, lanes by verdict."""
    user = signed_in(request)
    now = farm_now()
    week = _newest_week()
    zone = zone_for(user)
    local = now.astimezone(ZoneInfo(zone))
    site = Site.objects.filter(is_origin=True).first()
    context: dict[str, Any] = {
        "day_words": f"{local:%A %-d %B %Y}",
        "farm_name": site.name if site else "The farm",
        "week": week,
        "is_staff": user.is_staff_member,
        "cut_off_words": _cut_off_words(week, now, zone),
        "week_line": week_line(week=week, now=now, zone=zone) if week else None,
    }
    context |= _staff_rows(user, week, now) if user.is_staff_member else _buyer_rows(user)
    return render(request, "today.html", context)


def _cut_off_words(week: ShipWeek | None, now: datetime, zone: str) -> str:
    if week is None:
        return "No list is out yet."
    if week.closed_at is not None:
        return f"The list of {week.name} closed on {time_text(at=week.cut_off_at, zone=zone)}."
    left = week.cut_off_at - now
    hours, rest = divmod(int(left.total_seconds()) // 60, 60)
    return f"{hours} h {rest:02d} min to the cut-off of {week.name}."


def _staff_rows(user: User, week: ShipWeek | None, now: datetime) -> dict[str, Any]:
    demo_now_at = Clock.objects.values_list("demo_now_at", flat=True).first()
    return {
        "stops": monday.stops(week=week, now=now),
        "short": monday.short_listings(week=week, now=now),
        "is_shared": week is not None and week.shared_at is not None,
        "silent": not_ordered(week=week) if week and week.closed_at is None else [],
        "needs": monday.orders_that_need_a_word(week=week, now=now),
        "shortfalls": _shortfalls(),
        "plans": _plans(week),
        "sheets": _sheets(week),
        "credits": _credits(),
        "lessons": _lessons(now),
        "parked_calls": HookCall.objects.filter(state=HookCall.State.PARKED).count(),
        "parked": Message.objects.filter(state=Message.State.PARKED).count(),
        "may_move_clock": user.may("move_clock") and demo_now_at is not None,
        "clock_value": f"{timezone.localtime(farm_now()):%Y-%m-%dT%H:%M}",
    }


def _lessons(now: datetime) -> list[str]:
    """Lanes whose losses ask for a tighter rule."""
    on = timezone.localdate(now)
    rows = proposals(book=SettingBook.read(on=on), on=on)
    return [f"{row.loss.ship_to}: {row.words}." for row in rows]


def _shortfalls() -> list[dict[str, Any]]:
    rows = Shortfall.objects.filter(settled_at__isnull=True)
    return [
        {
            "id": row.pk,
            "pieces": row.pieces,
            "what": str(row.strain_form),
            "cause": row.cause,
            "remedies": row.remedies,
        }
        for row in rows.select_related("strain_form__strain", "strain_form__form")
    ]


def _plans(week: ShipWeek | None) -> list[dict[str, Any]]:
    plans = PackPlan.objects.filter(order__week=week, void_at__isnull=True)
    worst_first = {"stop": 0, "care": 1, "clear": 2}
    rows = sorted(
        plans.select_related("order__ship_to__customer"),
        key=lambda plan: (worst_first[plan.verdict], plan.order.number),
    )
    held = held_counts(orders=[plan.order for plan in rows])
    return [
        {
            "number": plan.order.number,
            "ship_to": str(plan.order.ship_to),
            "ships": f"{plan.ship_on:%a %-d %b}",
            "held": held.get(plan.order.number, 0),
            "verdict": plan.verdict,
            "sentence": plan.sentence,
        }
        for plan in rows
    ]


def _sheets(week: ShipWeek | None) -> list[dict[str, Any]]:
    sheets = PickSheet.objects.filter(week=week, replaced_by__isnull=True)
    return [
        {
            "number": sheet.number,
            "stamp": sheet.stamp,
            "ships": f"{sheet.ship_on:%a %-d %b}",
            "system": f"{sheet.system}{' toxic' if sheet.is_toxin else ''}",
            "state": sheet.get_state_display(),
            "slug": sheet.state.replace(" ", "-"),
            "reason": sheet.stale_reason,
        }
        for sheet in sheets.select_related("system")
    ]


def _credits() -> list[dict[str, Any]]:
    credits = Credit.objects.order_by("-id").select_related("report__shipment__order")[:20]
    return [
        {
            "order": credit.report.shipment.order.number,
            "state": credit.state,
            "amount": credit.amount + credit.freight,
            "sentence": credit.sentence,
        }
        for credit in credits
        if credit.report.shipment.order is not None
    ] + [
        {
            "order": credit.order.number,
            "state": credit.state,
            "amount": credit.amount,
            "sentence": credit.sentence,
        }
        for credit in FreightCredit.objects.order_by("-id").select_related("order")[:20]
    ]


def _buyer_rows(user: User) -> dict[str, Any]:
    orders = visible_orders(user).order_by("-week__monday", "number")[:30]
    customer = customer_of(user)
    return {
        "customer": customer,
        "own": [
            {
                "number": order.number,
                "ship_to": str(order.ship_to),
                "ships": f"{order.ship_on:%a %-d %b}",
                "state": Order.State(order.state).label,
            }
            for order in orders
        ],
    }


@login_required
@require_POST
def clock_page(request: HttpRequest) -> HttpResponse:
    """Move the demo farm's clock and do what is due by then."""
    signed_in(request).must("move_clock")
    text = request.POST.get("to", "")
    try:
        to = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(settings.FARM_TIME_ZONE))
    except ValueError:
        raise TimeUnreadable(text=repr(text[:30])) from None
    move_clock(to=to)
    tick(farm_now())
    messages.success(
        request, f"The farm's clock stands at {timezone.localtime(to):%a %-d %b %H:%M}."
    )
    return redirect("today")


@require_POST
def theme_page(request: HttpRequest) -> HttpResponse:
    """Switch between the paper theme and black on white for glare."""
    answer = redirect("today")
    is_outdoor = request.COOKIES.get("theme") == "outdoor"
    answer.set_cookie("theme", "" if is_outdoor else "outdoor", max_age=31536000, samesite="Lax")
    return answer
