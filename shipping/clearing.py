"""HOP 10 heat: boxes, lane, forecast -> pack plan and verdict: clear, care, stop.

Call from: shipping/pages.py, shipping/bench_pages.py, config/scene_acts.py.
Locks: the order's row, so that one live plan stands for an order.
"""

import json
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db import transaction

from inventory.errors import FarmError
from inventory.models import Happening
from inventory.people import User
from orders.calc.pricing import (
    order_total,
)
from orders.models import Order, ShipTo, ShipWeek
from shipping.bench_numbers import Bench, bag_items, lane_day, money_of
from shipping.boxing import BagRow, bags_hash, bags_of, goods_of
from shipping.calc.plans import PlanOutcome, model_act, plan_order
from shipping.calc.verdicts import thumb_rule
from shipping.calc.weather import LaneDay
from shipping.handing_over import make_shipment, move_shipment
from shipping.models import Forecast, PackPlan, Shipment
from shipping.plan_records import (
    CAUTIONS,
    box_record,
    cautions_for,
    limit_lines,
    option_record,
    plan_sentence,
    tried_record,
    worth_showing,
)

PLANNABLE = ("promised", "in pick", "packed")


class NothingToPack(FarmError):
    code = "nothing_to_pack"
    title = "There is nothing to pack"
    message = "Order {order} has no inked promise for {day}. Share out and ink first."


def plan_week(
    *,
    week: ShipWeek,
    now: datetime,
    user: User | None = None,
    ship_on: date | None = None,
    stage: str = "by hand",
    is_final: bool = False,
) -> list[PackPlan]:
    """Plan the boxes of every order of a week, or of one ship day, against the newest forecast.

    ``is_final`` is the check on the morning of the ship day: an order that is then not clear and
    whose shop said "move day if late risk" is set aside to the next ship day.
    """
    if user is not None:
        user.must("plan_packs")
    orders = Order.objects.filter(week=week, state__in=PLANNABLE)
    if ship_on is not None:
        orders = orders.filter(ship_on=ship_on)
    bench = Bench.read(on=ship_on or week.first_ship_on)
    plans = []
    for order in orders.select_related("ship_to__lane", "ship_to__zone", "customer", "week"):
        if bags_of(order=order):
            plans.append(make_plan(order=order, now=now, bench=bench, stage=stage))
            if is_final:
                plans[-1] = _move_day_if_asked(order, plans[-1], now, bench, stage)
    return plans


@transaction.atomic
def make_plan(
    *, order: Order, now: datetime, bench: Bench, stage: str, has_holes: bool = True
) -> PackPlan:
    """Plan one order's boxes and let the verdict move its shipment. The last plan is void.

    Raises NothingToPack.
    """
    Order.objects.select_for_update().get(pk=order.pk)
    bench = bench.for_lane(order.ship_to)
    rows = bags_of(order=order)
    if not rows:
        raise NothingToPack(order=order.number, day=f"{order.ship_on:%a %-d %b}")
    forecast = newest_forecast(ship_to=order.ship_to, ship_on=order.ship_on, now=now)
    is_fresh = forecast is not None and now - forecast.issued_at <= timedelta(
        hours=bench.book.number("forecast_max_age_h")
    )
    outcome = None
    if forecast is not None and is_fresh:
        day = lane_day(
            ship_to=order.ship_to, forecast=forecast, is_depot_accepted=order.is_depot_accepted
        )
        outcome = _outcome(order.ship_to, rows, day, bench, has_holes)
    last = PackPlan.objects.filter(order=order).order_by("-id").first()
    PackPlan.objects.filter(order=order, void_at__isnull=True).update(
        void_at=now, void_reason="planned again"
    )
    if outcome is None or outcome.choice is None:
        plan = _stop_plan(order, rows, forecast, now, stage, outcome)
    else:
        plan = _write_plan(order, rows, forecast, outcome, day, now, stage, bench, has_holes)
    _move_shipment(order, plan, now)
    _tell_change(order, last, plan, now)
    return plan


def _tell_change(order: Order, last: PackPlan | None, plan: PackPlan, now: datetime) -> None:
    """What the shop takes for granted is a clear box to the door; anything else is a change."""
    expected = ("clear", "door") if last is None else (last.verdict, last.delivery)
    if (plan.verdict, plan.delivery) != expected:
        facts = {
            "order": order.number,
            "customer": order.customer.code,
            "verdict": plan.verdict,
            "delivery": plan.delivery,
            "sentence": plan.sentence,
        }
        Happening.objects.create(kind="plan.changed", at=now, facts=facts)


@transaction.atomic
def enter_forecast(
    *,
    ship_to: ShipTo,
    ship_on: date,
    now: datetime,
    user: User,
    evening_c: float,
    hub_c: float,
    morning_c: float,
    midday_c: float,
) -> Forecast:
    """A forecast read elsewhere and typed in, issued at the moment it is entered. [deg C]"""
    user.must("enter_forecast")
    row, _ = Forecast.objects.update_or_create(
        ship_to=ship_to,
        ship_on=ship_on,
        issued_at=now,
        defaults={
            "source": "by hand",
            "evening_c": evening_c,
            "hub_c": hub_c,
            "morning_c": morning_c,
            "midday_c": midday_c,
            "user": user,
        },
    )
    return row


def newest_forecast(*, ship_to: ShipTo, ship_on: date, now: datetime) -> Forecast | None:
    """The forecast issued last by now for a ship-to and ship day."""
    rows = Forecast.objects.filter(ship_to=ship_to, ship_on=ship_on, issued_at__lte=now)
    return rows.order_by("-issued_at").first()


def _outcome(
    ship_to: ShipTo, rows: Sequence[BagRow], day: LaneDay, bench: Bench, has_holes: bool
) -> PlanOutcome:
    return plan_order(
        bags=bag_items(rows=rows, kinds=bench.bag_kinds),
        sizes=bench.sizes,
        limits_by_class=bench.limits,
        day=day,
        cost_of=lambda filled, heat, gel: sum(
            money_of(ship_to, filled, heat, gel, bench), Decimal(0)
        ),
        heat=bench.heat,
        box_limits=bench.box_limits,
        guards=bench.guards,
        shift_c=bench.shift_c,
        has_holes=has_holes,
    )


def _stop_plan(
    order: Order,
    rows: list[BagRow],
    forecast: Forecast | None,
    now: datetime,
    stage: str,
    outcome: PlanOutcome | None,
) -> PackPlan:
    """A plan that cannot be made: no fresh forecast, or no box set that carries the bags."""
    sentence = outcome.reason if outcome else ""
    if outcome is None:
        sentence = "No forecast younger than 6 h. Enter one by hand and plan again."
    zero = Decimal("0.00")
    goods = goods_of(rows=rows)
    return PackPlan.objects.create(
        order=order,
        ship_on=order.ship_on,
        made_at=now,
        stage=stage,
        forecast=forecast,
        verdict=PackPlan.Verdict.STOP,
        delivery="",
        sentence=sentence,
        goods=goods,
        freight=zero,
        boxes_and_packs=zero,
        total=goods,
        bags_hash=bags_hash(rows=rows),
        record=json.dumps({"boxes": [], "tried": [], "cautions": list(CAUTIONS), "limits": {}}),
    )


def _write_plan(
    order: Order,
    rows: list[BagRow],
    forecast: Forecast | None,
    outcome: PlanOutcome,
    day: LaneDay,
    now: datetime,
    stage: str,
    bench: Bench,
    has_holes: bool,
) -> PackPlan:
    choice = outcome.choice
    assert choice is not None  # the caller has looked
    filled = [box.filled for box in choice.boxes]
    heat = sum(box.option.heat_packs for box in choice.boxes)
    gel = sum(box.option.gel_packs for box in choice.boxes)
    road, charge = money_of(order.ship_to, filled, heat, gel, bench)
    goods = goods_of(rows=rows)
    thumb = thumb_rule(
        day=day,
        pack_below_c=bench.book.number("thumb_pack_below_c"),
        hold_below_c=bench.book.number("thumb_hold_below_c"),
        hold_above_c=bench.book.number("thumb_hold_above_c"),
        cool_from_c=bench.guards.no_heat_door_from_c,
    )
    record = {
        "boxes": [box_record(box, rows, day, bench, has_holes) for box in choice.boxes],
        "tried": [tried_record(row) for row in worth_showing(outcome)],
        "options": [option_record(row) for row in outcome.options],
        "limits": limit_lines(choice.boxes[0].limits),
        "cautions": cautions_for(rows, heat),
    }
    return PackPlan.objects.create(
        order=order,
        ship_on=order.ship_on,
        made_at=now,
        stage=stage,
        forecast=forecast,
        verdict=choice.verdict,
        delivery=choice.delivery,
        sentence=plan_sentence(choice),
        thumb_rule=thumb.sentence,
        is_thumb_different=thumb.act != model_act(choice=choice),
        goods=goods,
        freight=road,
        boxes_and_packs=charge,
        total=order_total(goods=goods, freight=road, boxes_and_packs=charge),
        bags_hash=bags_hash(rows=rows),
        record=json.dumps(record, ensure_ascii=False, separators=(",", ":")),
    )


def _move_shipment(order: Order, plan: PackPlan, now: datetime) -> None:
    """Let the verdict clear or stop the shipment; care needs the shop's consent."""
    shipment = make_shipment(order=order)
    if shipment.state not in (
        Shipment.State.PLANNED,
        Shipment.State.CLEARED,
        Shipment.State.STOPPED,
    ):
        return
    if shipment.ship_on != order.ship_on or shipment.delivery != plan.delivery:
        Shipment.objects.filter(pk=shipment.pk).update(
            ship_on=order.ship_on, delivery=plan.delivery
        )
    is_clear = plan.verdict == PackPlan.Verdict.CLEAR or (
        plan.verdict == PackPlan.Verdict.CARE and order.is_late_risk_accepted
    )
    state = Shipment.State.CLEARED if is_clear else Shipment.State.STOPPED
    was = shipment.state
    move_shipment(shipment=shipment, state=state, reason=plan.sentence)
    if was != state and state == Shipment.State.STOPPED:
        facts = {
            "order": order.number,
            "customer": order.customer.code,
            "reason": plan.sentence,
        }
        Happening.objects.create(kind="shipment.stopped", at=now, facts=facts)


def _move_day_if_asked(
    order: Order, plan: PackPlan, now: datetime, bench: Bench, stage: str
) -> PackPlan:
    """On the morning itself: a shop that said so is moved to the next ship day, promises inked."""
    if plan.verdict == PackPlan.Verdict.CLEAR or order.is_late_risk_accepted:
        return plan
    later = [day for day in order.week.ship_days if day > order.ship_on]
    if not later or "move day" not in order.customer.late_risk_choice:
        return plan
    set_aside(order=order, to=later[0], now=now, reason=plan.sentence)
    order.refresh_from_db()
    return make_plan(order=order, now=now, bench=bench, stage=stage)


@transaction.atomic
def set_aside(*, order: Order, to: date, now: datetime, reason: str) -> Order:
    """Move an order to another ship day. Its promises stay inked; its sheets go stale."""
    order = Order.objects.select_for_update().get(pk=order.pk)
    was = order.ship_on
    order.ship_on = to
    order.office_note = f"moved from {was:%a %-d %b} to {to:%a %-d %b}: {reason}"[:300]
    order.save(update_fields=["ship_on", "office_note"])
    facts = {
        "order": order.number,
        "customer": order.customer.code,
        "from": was.isoformat(),
        "to": to.isoformat(),
        "reason": reason,
    }
    Happening.objects.create(kind="order.set_aside", at=now, facts=facts)
    Happening.objects.create(
        kind="order.changed", at=now, facts={**facts, "reason": order.office_note}
    )
    return order
