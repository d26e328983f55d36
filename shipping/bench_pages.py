"""The packer's bench on a screen, a forecast by hand, and what is decided of a report."""

from datetime import datetime
from decimal import Decimal, InvalidOperation
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now
from inventory.door import staff_only
from inventory.errors import FarmError, Unknown
from inventory.models import User
from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text
from orders.models import Order, Promise
from orders.pages import order_for
from shipping.arrivals import decide_report
from shipping.bagging import bag_marks, bags_to_tie, tie_bags
from shipping.bench_numbers import Bench
from shipping.clearing import enter_forecast, make_plan
from shipping.handing_over import clear_after_stop, hand_over, make_shipment, mark_delivered
from shipping.keying import put_back
from shipping.models import ArrivalReport, Bag, Box, PackPlan, PickSheet, PickTask, Shipment
from shipping.sealing import put_in_boxes, seal_box


class NumberUnreadable(FarmError):
    code = "number_unreadable"
    status = 422
    title = "A number cannot be read"
    message = "{what}: {text} is not a number. Type it with a point, such as 19.7."


def _decimal(request: HttpRequest, name: str, what: str) -> Decimal:
    text = str(request.POST.get(name, "")).strip()
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise NumberUnreadable(what=what, text=repr(text)) from None
    if not number.is_finite():
        raise NumberUnreadable(what=what, text=repr(text))
    return number


@login_required
def bench_page(request: HttpRequest, number: str) -> HttpResponse:
    """One order on the bench: bags to tie, boxes to fill, weigh and seal, and the way out."""
    user = staff_only(request)
    order = order_for(user, number)
    shipment = make_shipment(order=order)
    if request.method == "POST":
        _act(request, user, order, shipment)
        return redirect("bench", number)
    now, zone = farm_now(), timezone.get_current_timezone_name()
    bags = list(shipment.bags.select_related("listing__strain_form__strain", "tray", "box"))
    # A bag is no longer tied once the shop has it.
    until = shipment.delivered_at or now
    book = SettingBook.read(on=timezone.localdate(until))
    boxes = shipment.boxes.select_related("kind").annotate(bag_count=Count("bags"))
    context = {
        "order": order,
        "shipment": shipment,
        "plan": PackPlan.objects.filter(order=order, void_at__isnull=True).first(),
        "to_tie": len([row for row in bags_to_tie(order=order) if row.code not in _codes(bags)]),
        "has_toxic": order.lines.filter(
            listing__strain_form__strain__toxin__gte=2, promise__units__gt=0
        ).exists(),
        "bags": [_bag_row(bag, until, book) for bag in bags],
        "boxes": [_box_row(box, box.bag_count) for box in boxes],
        "may_pack": user.may("pack"),
        "on_bench": _on_bench(order) if user.may("pick") else [],
        "is_owner": user.may("clear_after_stop"),
        "left_words": _when(shipment.handed_over_at, zone),
        "first_tries": Shipment.FirstTry.choices,
        "arrived_words": _when(shipment.delivered_at, zone),
    }
    return render(request, "shipping/bench.html", context)


def _on_bench(order: Order) -> list[dict[str, Any]]:
    """Picked pieces that lie in no bag yet, by promise, with the trays they came from."""
    rows = Promise.objects.filter(line__order=order, state=Promise.State.PULLED, pieces_out__gt=0)
    found = []
    for promise in rows.select_related("line__listing__strain_form__strain").order_by("pk"):
        tasks = PickTask.objects.filter(promise=promise, picked_pieces__gt=0)
        tasks = tasks.exclude(sheet__state=PickSheet.State.STALE)
        found.append(
            {
                "id": promise.pk,
                "title": promise.line.listing.title,
                "pieces": promise.pieces_out,
                "trays": ", ".join(
                    f"{pieces} to {tray}"
                    for tray, pieces in tasks.values_list("tray__code", "picked_pieces")
                ),
            }
        )
    return found


def _put_back(request: HttpRequest, user: User, order: Order, now: datetime) -> str:
    key = request.POST.get("promise", "")
    promise = None
    if key.isascii() and key.isdigit() and len(key) < 12:
        promise = Promise.objects.filter(pk=int(key), line__order=order).first()
    if promise is None:
        raise Unknown(kind="promise of this order", name=key[:20] or "(none)")
    pieces = promise.pieces_out
    put_back(
        promise_id=promise.pk, user=user, now=now, reason=request.POST.get("reason", "").strip()
    )
    return (
        f"{pieces} pieces of {promise.line.listing.title} are back in their trays and no longer "
        "promised. The office settles the line with the shop."
    )


def _codes(bags: list[Bag]) -> set[str]:
    return {bag.code for bag in bags}


def _when(at: datetime | None, zone: str) -> str:
    return time_text(at=at, zone=zone) if at else ""


def _bag_row(bag: Bag, now: datetime, book: SettingBook) -> dict[str, Any]:
    marks = bag_marks(bag=bag, now=now, book=book)
    return {
        "code": bag.code,
        "title": bag.listing.title,
        "tray": bag.tray.code,
        "box": bag.box.number if bag.box else "",
        "age": f"{max(0.0, marks.age_h):.1f}",
        "clock": marks.state,
        "state": bag.get_state_display(),
    }


def _box_row(box: Box, bag_count: int) -> dict[str, Any]:
    return {
        "id": box.pk,
        "number": box.number,
        "size": box.kind_id,
        "bags": bag_count,
        "packs": box.heat_packs,
        "gels": box.gel_packs,
        "state": box.get_state_display(),
        "is_open": box.state == Box.State.OPEN,
        "gross_kg": box.gross_kg,
        "seal": box.seal,
    }


def _act(request: HttpRequest, user: User, order: Order, shipment: Shipment) -> None:
    """The one thing that was pressed."""
    now, act = farm_now(), request.POST.get("act", "")
    if act == "tie":
        bags = tie_bags(
            order=order,
            now=now,
            user=user,
            has_gloves=request.POST.get("gloves") == "on",
            has_goggles=request.POST.get("goggles") == "on",
        )
        messages.success(request, f"{len(bags)} bags are tied; their clock runs.")
    elif act == "put-back":
        messages.success(request, _put_back(request, user, order, now))
    elif act == "fill":
        boxes = put_in_boxes(shipment=shipment, user=user)
        messages.success(request, f"{len(boxes)} boxes are filled as planned.")
    elif act == "seal":
        _seal(request, user, shipment, now)
    elif act == "hand-over":
        hand_over(
            shipment=shipment, user=user, now=now, tracking=request.POST.get("tracking", "")[:40]
        )
        messages.success(request, f"{shipment.code} is on the truck.")
    elif act == "delivered":
        user.must("pack")
        first_try = request.POST.get("first_try", "")
        mark_delivered(shipment=shipment, at=now, collected_at=now, first_try=first_try)
        messages.success(request, f"{shipment.code} is delivered; the report clock runs.")
    elif act == "clear":
        reason = request.POST.get("reason", "").strip()
        clear_after_stop(shipment=shipment, user=user, now=now, reason=reason)
        messages.success(request, f"{shipment.code} is cleared by the owner.")
    else:
        raise Unknown(kind="act at the bench", name=act or "(none)")


def _seal(request: HttpRequest, user: User, shipment: Shipment, now: datetime) -> None:
    box = shipment.boxes.filter(pk=request.POST.get("box") or None).first()
    if box is None:
        raise Unknown(kind=f"box of {shipment.code}", name=str(request.POST.get("box", "")))
    seal_box(
        box=box,
        gross_kg=_decimal(request, "gross_kg", "The scale"),
        has_holes=request.POST.get("holes") == "on",
        has_lid_photo=request.POST.get("lid_photo") == "on",
        user=user,
        now=now,
        seal=request.POST.get("seal", "")[:20],
    )
    messages.success(request, f"Box {box.number} is sealed.")


@login_required
@require_POST
def forecast_page(request: HttpRequest, number: str) -> HttpResponse:
    """A forecast entered by hand for one order's lane, and its boxes planned against it."""
    user = staff_only(request)
    order = order_for(user, number)
    names = ("evening", "hub", "morning", "midday")
    values = {f"{name}_c": float(_decimal(request, name, name.capitalize())) for name in names}
    enter_forecast(
        ship_to=order.ship_to, ship_on=order.ship_on, now=farm_now(), user=user, **values
    )
    bench = Bench.read(on=order.ship_on)
    plan = make_plan(order=order, now=farm_now(), bench=bench, stage="by hand")
    messages.success(request, f"Planned again: {plan.verdict}.")
    return redirect("plan", number)


@login_required
@require_POST
def decide_page(request: HttpRequest, report_id: int) -> HttpResponse:
    """A person agrees to an arrival report or declines it, with the reason."""
    user = staff_only(request)
    report = ArrivalReport.objects.select_related("shipment__order").filter(pk=report_id).first()
    if report is None or report.shipment.order is None:
        raise Unknown(kind="report", name=str(report_id))
    decide_report(
        report=report,
        verdict=request.POST.get("verdict", ""),
        user=user,
        now=farm_now(),
        reason=request.POST.get("reason", "").strip(),
        is_our_fault=request.POST.get("our_fault") == "on",
    )
    messages.success(request, "The report is decided.")
    return redirect("arrival", report.shipment.order.number)
