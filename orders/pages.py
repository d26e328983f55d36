"""Pages of the selling side. Thin: each reads its form, calls a hop, and prepares rows to print."""

from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now
from inventory.door import signed_in, staff_only
from inventory.errors import NotAllowed, Unknown
from inventory.models import User
from orders import exporting
from orders.amending import confirm_line, withdraw_order
from orders.calc.weeks import time_text
from orders.change_records import STANDING, changes_shown, when_words
from orders.changing import NOT_PICKED_YET, may_change
from orders.likely import Asks, likely_words, read_asks
from orders.models import (
    Customer,
    ExportTick,
    Line,
    Order,
    Promise,
    Seat,
    ShareLine,
    ShipTo,
)
from orders.resting import open_questions
from orders.share_runs import SHOWN, signed_shares
from orders.weeks import week_line


def customer_of(user: User) -> Customer | None:
    """The customer a buyer orders for; none for staff."""
    seat = Seat.objects.select_related("customer").filter(user=user).first()
    return seat.customer if seat else None


def zone_for(user: User, ship_to: ShipTo | None = None) -> str:
    """Whose clocks a page shows: the farm's to staff, to a buyer those at the shop's door."""
    if user.is_staff_member:
        return timezone.get_current_timezone_name()
    shop = ship_to or ShipTo.objects.filter(customer__seats__user=user).first()
    return shop.time_zone if shop else timezone.get_current_timezone_name()


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
        groups.setdefault(order.week.name, []).append(
            _order_summary(order, zone_for(user, order.ship_to))
        )
    customer = customer_of(user)
    context = {
        "groups": [{"week": week, "rows": rows} for week, rows in groups.items()],
        "whose": customer.name if customer else "all customers",
    }
    return render(request, "orders/orders.html", context)


def _waiting_words(number: int) -> str:
    if not number:
        return ""
    return "1 line waits for a word" if number == 1 else f"{number} lines wait for a word"


def _order_summary(order: Order, zone: str) -> dict[str, Any]:
    waiting = [row for row in order.lines.all() if row.state in ("needs person", "needs paper")]
    return {
        "number": order.number,
        "ship_to": str(order.ship_to),
        "sent": time_text(at=order.sent_at, zone=zone),
        "ships": f"{order.ship_on:%a %-d %b}",
        "state": order.get_state_display(),
        "lines": len(order.lines.all()),
        "needs": _waiting_words(len(waiting)),
    }


@login_required
def order_page(request: HttpRequest, number: str) -> HttpResponse:
    """One order with what was decided on each line, and why."""
    user = signed_in(request)
    order = order_for(user, number)
    zone = zone_for(user, order.ship_to)
    # Until the list closes nobody knows what a line will get, but what is likely can be said.
    is_open = may_change(order=order, now=farm_now())
    asks = read_asks(week=order.week, now=farm_now()) if is_open else None
    rows = [_order_row(line, user.is_staff_member, asks) for line in _lines_of(order)]
    context = {
        "order": order,
        "rows": rows,
        "goods": sum((row["money"] for row in rows), Decimal(0)),
        "is_open": is_open,
        "is_undecided": order.week.shared_at is None and order.state in NOT_PICKED_YET,
        "goods_asked": sum((row["money_asked"] for row in rows), Decimal(0)),
        "goods_likely": sum((row["money_likely"] for row in rows), Decimal(0)),
        "is_staff": user.is_staff_member,
        "ship_words": f"{order.ship_on:%a %-d %b}",
        "sent_words": time_text(at=order.sent_at, zone=zone),
        "ticks": _tick_rows(order),
        "rests": open_questions(order=order),
        "may_change": is_open,
        "list_is_open": order.week.closed_at is None,
        "changes": [(when_words(row, zone=zone), row.words) for row in changes_shown(order=order)],
        "may_withdraw": Order.State.WITHDRAWN in Order.MOVES[order.state],
        "may_report": order.state in (Order.State.ON_THE_ROAD, Order.State.ARRIVED),
        "week_line": week_line(
            week=order.week,
            now=farm_now(),
            zone=zone,
            ship_on=order.ship_on,
        ),
    }
    return render(request, "orders/order.html", context)


def _lines_of(order: Order) -> Any:
    return order.lines.select_related(*SHOWN).prefetch_related(signed_shares())


def _order_row(line: Line, is_staff: bool, asks: Asks | None) -> dict[str, Any]:
    promise: Promise | None = getattr(line, "promise", None)
    live = promise is not None and promise.state not in ("freed", "missed")
    units = promise.units if promise is not None and live else 0
    share = next(iter(line.shares.all()), None)
    state, slug = _line_words(line, promise)
    is_asked = line.state in STANDING and promise is None
    likely = asks.likely_of(line) if asks and is_asked and line.state == Line.State.OPEN else None
    form = line.listing.strain_form.form
    pieces = line.asked * form.unit_pieces
    return {
        "id": line.pk,
        "position": line.position,
        "name": line.listing.name,
        "title": line.listing.title,
        "unit": line.unit,
        "unit_word": form.unit_word,
        "pieces": pieces if form.unit_pieces > 1 else "",
        "look": line.listing.look_words,
        "likely": likely_words(likely, asks.total_words(line.listing.name)) if asks else "",
        "asked": line.asked,
        "promised": units if promise or line.state == Line.State.REFUSED else None,
        "unit_price": line.unit_price,
        "money": units * line.unit_price,
        "money_asked": (line.asked if is_asked else units) * line.unit_price,
        "money_likely": (likely.likely if likely else units) * line.unit_price,
        "state": state,
        "state_slug": slug,
        "needs_person": line.state == Line.State.NEEDS_PERSON,
        "sentence": _line_sentence(line, share, is_staff),
    }


def _line_sentence(line: Line, share: ShareLine | None, is_staff: bool) -> str:
    if share is None:
        return line.reason
    said = share.sentence if is_staff else share.buyer_sentence
    reason = f"{line.reason[:1].upper()}{line.reason[1:]}."
    if line.state != Line.State.OPEN:
        # What was decided since goes before what was shared out once.
        return f"{reason} Before that: {said}" if line.reason else said
    return f"{said} {reason}" if line.reason_code and line.reason else said


def _line_words(line: Line, promise: Promise | None) -> tuple[str, str]:
    if line.state != Line.State.OPEN:
        return line.get_state_display(), "refused" if line.state == "refused" else "care"
    if promise is None:
        return "asked", "asked"
    # To a shop that reads its order, "gone" sounds like lost.
    is_shipped = promise.state == Promise.State.GONE
    word = "shipped" if is_shipped else promise.get_state_display()
    short = line.asked - promise.units
    return (f"{word}, {short} short", "short") if short > 0 else (word, "offered")


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
