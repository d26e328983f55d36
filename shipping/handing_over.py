"""HOP 11 hand over: cleared, filled and sealed boxes -> Shipment on the road, then delivered.

Call from: shipping/bagging.py, shipping/clearing.py, shipping/bench_pages.py, config/scene_acts.py.
Locks: the shipment's row, then strain-forms in the ledger.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory import ledger
from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.models import Happening, Place
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.models import Order, PaperUse, Promise
from orders.promising import change_promise
from shipping.incidents import refuse_at_stopped_bench
from shipping.models import Bag, Box, Shipment
from shipping.road_checks import (
    bags_on_bench,
    check_boxes,
    check_day,
    check_law,
    check_order,
    check_weather,
    live_plan,
    locked_shipment,
    not_cleared,
)


class ConsentMissing(FarmError):
    code = "buyer_consent_missing"
    title = "The buyer has not agreed"
    message = (
        "Shipment {shipment} was stopped. Put the buyer's consent to the late risk on file at "
        "order {order} first, or set the order aside."
    )


class TimeOutOfOrder(FarmError):
    code = "time_out_of_order"
    status = 422
    title = "Those times do not follow each other"
    message = "Shipment {shipment}: {what}. Check the date and the zone of the scan."


@transaction.atomic
def make_shipment(*, order: Order) -> Shipment:
    """The shipment of an order, made in state planned on first use."""
    shipment, _ = Shipment.objects.get_or_create(
        order=order,
        defaults={
            "code": f"SH-{order.number}",
            "customer_id": order.customer_id,
            "ship_to_id": order.ship_to_id,
            "ship_on": order.ship_on,
        },
    )
    return shipment


@transaction.atomic
def move_shipment(*, shipment: Shipment, state: str, reason: str = "") -> Shipment:
    """Move a shipment to another state before it leaves or when it is late or lost.

    A stop carries its reason; a clearance takes it away. Raises ForbiddenMove.
    """
    shipment = Shipment.objects.select_for_update().get(pk=shipment.pk)
    if state == shipment.state:
        return shipment
    if state not in Shipment.MOVES[shipment.state] or state == Shipment.State.HANDED_OVER:
        raise _refused(shipment, state, "that is not a move a shipment makes")
    shipment.state = state
    if state in (Shipment.State.CLEARED, Shipment.State.PLANNED):
        shipment.stop_reason = ""
    elif reason:
        shipment.stop_reason = reason[:300]
    shipment.save(update_fields=["state", "stop_reason"])
    return shipment


def _refused(shipment: Shipment, wanted: str, why: str) -> ForbiddenMove:
    return ForbiddenMove(
        kind="Shipment",
        name=shipment.code,
        state=shipment.get_state_display(),
        wanted=wanted,
        why=why,
    )


@transaction.atomic
def clear_after_stop(*, shipment: Shipment, user: User, now: datetime, reason: str) -> Shipment:
    """The owner clears a stopped shipment, with the buyer's consent to the late risk on file."""
    user.must("clear_after_stop")
    shipment = locked_shipment(shipment=shipment)
    if shipment.state != Shipment.State.STOPPED:
        raise _refused(shipment, "cleared after a stop", "it was not stopped")
    if shipment.order is None or not shipment.order.is_late_risk_accepted:
        raise ConsentMissing(shipment=shipment.code, order=_order_number(shipment))
    shipment = move_shipment(shipment=shipment, state=Shipment.State.CLEARED)
    _tell(shipment, "shipment.cleared", now, reason=reason, by=user.code)
    return shipment


def _order_number(shipment: Shipment) -> str:
    return shipment.order.number if shipment.order else "-"


def _tell(shipment: Shipment, kind: str, at: datetime, **facts: Any) -> None:
    about = {
        "order": _order_number(shipment),
        "customer": shipment.customer.code,
        "shipment": shipment.code,
    }
    Happening.objects.create(kind=kind, at=at, facts=about | facts)


@transaction.atomic
def hand_over(*, shipment: Shipment, user: User, now: datetime, tracking: str = "") -> Shipment:
    """Give a cleared shipment to the truck: bench -> road in the ledger, a move a bag.

    Raises DayNotAllowed, IncidentOpen, NotCleared, PlanMissing, ForecastTooOld, ExportTicksMissing,
    PromisesNotBagged, BoxesNotSealed, BagOnHold, LawStops.
    """
    user.must("pack")
    shipment = locked_shipment(shipment=shipment)
    on = timezone.localdate(now)
    check_day(shipment=shipment, on=on)
    refuse_at_stopped_bench(shipment=shipment, act="handed over")
    if shipment.state != Shipment.State.CLEARED or shipment.order is None:
        raise not_cleared(shipment=shipment, wanted="handed over")
    order, bags = shipment.order, bags_on_bench(shipment=shipment)
    plan = live_plan(order=order)
    check_weather(plan=plan, on=on, book=SettingBook.read(on=on))
    check_order(order=order)
    check_boxes(shipment=shipment, bags=bags, plan=plan)
    PaperUse.objects.bulk_create(check_law(order=order, bags=bags, on=on))
    _move_out(shipment, order, bags, user, now)
    shipment.state, shipment.handed_over_at = Shipment.State.HANDED_OVER, now
    shipment.delivery, shipment.tracking = plan.delivery, tracking
    shipment.save(update_fields=["state", "handed_over_at", "delivery", "tracking"])
    _tell(
        shipment,
        "shipment.handed_over",
        now,
        lands_on=(on + timedelta(days=1)).isoformat(),
        tracking=tracking,
        bags=len(bags),
        delivery=plan.delivery,
        report_by=_report_words(shipment, now),
    )
    return shipment


def _move_out(
    shipment: Shipment, order: Order, bags: Sequence[Bag], user: User, now: datetime
) -> None:
    bench, road = ledger.end_place(Place.End.BENCH), ledger.end_place(Place.End.ROAD)
    for bag in bags:
        # Every bag of an order is tied from a task, which has its lot.
        assert bag.lot is not None
        ledger.move_pieces(
            lot=bag.lot,
            from_place=bench,
            to_place=road,
            pieces=bag.pieces,
            reason="hand over",
            at=now,
            user=user,
            client_key=f"hand-over:{bag.code}",
            note=shipment.code,
        )
    bagged = Promise.objects.filter(line__order=order, state=Promise.State.BAGGED)
    for promise_id in list(bagged.order_by("pk").values_list("pk", flat=True)):
        change_promise(promise_id=promise_id, state=Promise.State.GONE)
    shipment.bags.filter(state=Bag.State.BOXED).update(state=Bag.State.GONE)
    shipment.boxes.update(state=Box.State.HANDED_OVER)
    order.move_to(Order.State.ON_THE_ROAD)


def _report_words(shipment: Shipment, now: datetime) -> str:
    """How long the buyer has to report, in the words of the note that goes out at hand-over."""
    book = SettingBook.read(on=timezone.localdate(now))
    window_h = book.whole("report_window_h")
    if shipment.delivery != "depot" or shipment.ship_to is None:
        return f"within {window_h} h of the delivered scan"
    opens_at = shipment.ship_to.opens_at
    most = f", at most {book.whole('depot_window_h')} h after the depot opens"
    return f"within {window_h} h of collection" + (
        f"{most} at {opens_at:%H:%M}" if opens_at else ""
    )


@transaction.atomic
def mark_delivered(
    *,
    shipment: Shipment,
    at: datetime,
    collected_at: datetime | None = None,
    first_try: str | None = None,
) -> Shipment:
    """Note the delivered scan, and at a depot when the shop collected; the report clock runs.

    A second call with a collection time adds it; ``first_try`` says why a first delivery failed.
    Raises ForbiddenMove, TimeOutOfOrder, Unknown.
    """
    if first_try is not None and first_try not in Shipment.FirstTry.values:
        raise Unknown(kind="course of a first delivery", name=first_try[:20])
    shipment = locked_shipment(shipment=shipment)
    is_first = shipment.state != Shipment.State.DELIVERED
    if is_first and Shipment.State.DELIVERED not in Shipment.MOVES[shipment.state]:
        raise _refused(shipment, "delivered", "only a shipment on the road is delivered")
    if shipment.handed_over_at is None or at < shipment.handed_over_at:
        raise TimeOutOfOrder(shipment=shipment.code, what="it was delivered before it left")
    if collected_at is not None and collected_at < at:
        raise TimeOutOfOrder(shipment=shipment.code, what="it was collected before it was there")
    shipment.state, shipment.delivered_at = Shipment.State.DELIVERED, at
    shipment.collected_at = collected_at
    if first_try is not None:
        shipment.first_try = first_try
    shipment.save(update_fields=["state", "delivered_at", "collected_at", "first_try"])
    Order.objects.filter(number=_order_number(shipment), state=Order.State.ON_THE_ROAD).update(
        state=Order.State.ARRIVED
    )
    if is_first:
        _tell(shipment, "shipment.delivered", at)
    return shipment
