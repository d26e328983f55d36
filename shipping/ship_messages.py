"""Letters of the shipping side: promised, weather, on the road, delivered.

Call from: config/ticking.py. Each letter is written in the transaction of its cause, once.
"""

from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from django.urls import reverse
from django.utils import timezone

from inventory.messaging import Action, Letter, write_messages
from inventory.models import Happening
from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text
from orders.models import Line, Order, Promise
from orders.order_messages import readers_of, week_context, write_to_shop
from orders.share_runs import SHOWN, signed_shares
from shipping.arrivals import report_due
from shipping.bench_numbers import Bench, bag_items, money_of
from shipping.boxing import bags_of
from shipping.calc.boxes import box_sets
from shipping.models import FreightCredit, PackPlan, RecallNotice, Shipment

HEADLINES = {
    "clear": "Your box may travel.",
    "care": "Your box may travel only if you accept the risk of a late delivery.",
    "stop": "Your box cannot travel as planned.",
}


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """Write to the people of an order's shop what has happened to it."""
    write = WRITERS.get(happening.kind)
    if happening.kind == "recall.notice":
        _write_recall(happening, now)
    elif write is not None and happening.facts["order"]:
        order = Order.objects.select_related("ship_to__zone", "customer", "week").get(
            number=happening.facts["order"]
        )
        write(order, happening, now)


def _write(
    order: Order,
    now: datetime,
    *,
    key: str,
    kind: str,
    subject: str,
    action: Action,
    template: str,
    context: dict[str, Any],
) -> None:
    days = {
        "ship_words": f"{order.ship_on:%a %-d %b}",
        "lands_words": f"{order.ship_on + timedelta(days=1):%a %-d %b}",
    }
    write_to_shop(
        order,
        now=now,
        key=key,
        kind=kind,
        subject=subject,
        action=action,
        template=template,
        context={**days, **context},
    )


def _open_order(order: Order, words: str) -> Action:
    return Action(words, reverse("order", args=[order.number]))


def _open_answer(order: Order, words: str) -> Action:
    return Action(words, reverse("answer", args=[order.number]))


def _write_promised(order: Order, happening: Happening, now: datetime) -> None:
    rows = [_promised_row(line) for line in _lines_of(order)]
    book = SettingBook.read(on=timezone.localdate(now))
    window_h = book.whole("report_window_h")
    _write(
        order,
        now,
        key=f"promised:{order.number}:{happening.pk}",
        kind="promised",
        subject=f"Order {order.number} is promised, leaves {order.ship_on:%a %-d %b}",
        action=_open_answer(order, f"Choose for {order.number}: late risk, depot, day"),
        template="promised",
        context={
            "rows": rows,
            "goods": sum((row["money"] for row in rows), Decimal("0.00")),
            "freight_words": _freight_words(order),
            "terms": order.customer.payment_terms,
            "mode_words": _mode_words(order),
            "report_words": f"Report what arrives dead within {window_h} h of the delivered scan, "
            "with photos.",
            **week_context(week=order.week, ship_to=order.ship_to, now=now, ship_on=order.ship_on),
        },
    )


def _lines_of(order: Order) -> Any:
    lines = order.lines.exclude(state=Line.State.WITHDRAWN)
    return lines.select_related(*SHOWN).prefetch_related(signed_shares())


def _promised_row(line: Line) -> dict[str, Any]:
    promise: Promise | None = getattr(line, "promise", None)
    live = promise is not None and promise.state not in ("freed", "missed")
    units = promise.units if promise is not None and live else 0
    return {
        "title": line.listing.title,
        "name": line.listing.name,
        "asked": line.asked,
        "promised": units,
        "each": line.unit_price,
        "money": units * line.unit_price,
        "look": line.listing.look_words,
        "sentence": _why_less(line, units),
    }


def _why_less(line: Line, units: int) -> str:
    """Why a line ends below what was asked, in words for the buyer."""
    if units >= line.asked:
        return ""
    share = next(iter(line.shares.all()), None)
    return share.buyer_sentence if share else line.reason


def _freight_words(order: Order) -> str:
    """What the road costs: as planned, or about, from the cheapest boxes that carry the bags."""
    plan = PackPlan.objects.filter(order=order, void_at__isnull=True).first()
    if plan is not None and plan.freight:
        return f"Freight ${plan.freight}, boxes and packs ${plan.boxes_and_packs}."
    about = freight_about(order=order)
    if about is None:
        return "Freight is told with the pack plan."
    freight, boxes = about
    return (
        f"Freight about ${freight}, boxes about ${boxes}. The pack plan fixes both, and heat or "
        "cool packs, once there is a forecast for the way."
    )


def freight_about(*, order: Order) -> tuple[Decimal, Decimal] | None:
    """Freight and boxes of the cheapest box set without packs. None where nothing travels."""
    rows = bags_of(order=order)
    if not rows:
        return None
    bench = Bench.read(on=order.ship_on).for_lane(order.ship_to)
    items = bag_items(rows=rows, kinds=bench.bag_kinds)
    sets = box_sets(sizes=bench.sizes, bags=items, limits=bench.box_limits)
    costs = [money_of(order.ship_to, filled, 0, 0, bench) for filled in sets]
    return min(costs, key=sum, default=None)


def _mode_words(order: Order) -> str:
    if order.ship_to.is_collected:
        return "It travels as air cargo, to be collected."
    if order.ship_to.is_depot_allowed:
        return "It goes to your door, or to the depot where the cold says so."
    return "It goes to your door."


def _write_weather(order: Order, happening: Happening, now: datetime) -> None:
    facts = happening.facts
    if not facts["delivery"]:
        # No plan could be made at all: that is the office's to mend, not the shop's to answer.
        return
    headline = HEADLINES[facts["verdict"]]
    if facts["verdict"] == "clear" and facts["delivery"] == "depot":
        headline = "Your box may travel as far as the depot."
    _write(
        order,
        now,
        key=f"weather:{order.number}:{happening.pk}",
        kind="weather changed your box",
        subject=f"Order {order.number}: {headline}",
        action=_open_answer(order, f"Choose depot, other day or cancel for {order.number}"),
        template="weather_changed",
        context={
            "headline": headline,
            "verdict": facts["verdict"],
            "sentence": facts["sentence"],
            "standing_words": _standing_words(order, facts["verdict"]),
            **week_context(week=order.week, ship_to=order.ship_to, now=now, ship_on=order.ship_on),
        },
    )


def _standing_words(order: Order, verdict: str) -> str:
    choice = order.customer.late_risk_choice
    if verdict == PackPlan.Verdict.CLEAR:
        return "Answer by 18:00 on the day before it leaves. Without an answer it goes so."
    if not choice:
        return "Answer by 18:00 on the day before it leaves. Without an answer it stays here."
    return f"Without your answer by 18:00 your standing wish counts: {choice}."


def _write_on_the_road(order: Order, happening: Happening, now: datetime) -> None:
    facts = happening.facts
    shipment = Shipment.objects.get(code=facts["shipment"])
    rows = bags_of(order=order)
    _write(
        order,
        now,
        key=f"road:{facts['shipment']}",
        kind="on the road",
        subject=f"Order {order.number} is on the road",
        action=_open_order(order, f"Follow order {order.number}"),
        template="on_the_road",
        context={
            "bags": facts["bags"],
            "tracking": facts["tracking"],
            "delivery_words": "to the depot" if facts["delivery"] == "depot" else "to the door",
            "report_by": facts["report_by"],
            "is_toxic": any(row.toxin >= 2 for row in rows),
            "heat_packs": sum(box.heat_packs for box in shipment.boxes.all()),
        },
    )


def _write_delivered(order: Order, happening: Happening, now: datetime) -> None:
    shipment = Shipment.objects.select_related("ship_to").get(code=happening.facts["shipment"])
    due_at = report_due(shipment=shipment)
    zone = order.ship_to.time_zone
    _write(
        order,
        now,
        key=f"delivered:{shipment.code}",
        kind="delivered",
        subject=f"Order {order.number} is delivered: look at every bag",
        action=Action(f"Report on order {order.number}", reverse("arrival", args=[order.number])),
        template="delivered",
        context={
            "delivered_words": time_text(at=happening.at, zone=zone),
            "report_by": time_text(at=due_at, zone=zone) if due_at else "",
        },
    )


def _write_line_moved(order: Order, happening: Happening, now: datetime) -> None:
    facts = happening.facts
    credit = FreightCredit.objects.filter(pk=facts.get("freight_credit")).first()
    _write(
        order,
        now,
        key=f"moved:{happening.pk}",
        kind="your line has changed",
        subject=f"Order {order.number}: {facts['listing']} is short; see what goes instead",
        action=_open_order(order, f"Look at order {order.number}"),
        template="line_moved",
        context={
            "cause": facts["cause"],
            "words": facts["reason"],
            "credit": credit.sentence if credit is not None else "",
        },
    )


def _write_credit(order: Order, happening: Happening, now: datetime) -> None:
    """What a person decided of a credit; what the rule agrees to is said where it is filed."""
    facts = happening.facts
    if not facts.get("is_by_person"):
        return
    total = Decimal(facts["amount"]) + Decimal(facts["freight"])
    is_void = happening.kind == "credit.void"
    what = "is not credited" if is_void else "is credited"
    _write(
        order,
        now,
        key=f"credit:{happening.pk}",
        kind="your credit is decided",
        subject=f"Order {order.number}: ${total} {what}",
        action=_open_order(order, f"Look at order {order.number}"),
        template="credit_decided",
        context={"total": total, "is_void": is_void, "sentence": facts["reason"]},
    )


def _write_recall(happening: Happening, now: datetime) -> None:
    """The notice of a signed recall, word for word as it was signed."""
    facts = happening.facts
    notice = RecallNotice.objects.select_related("customer").get(
        recall__code=facts["recall"], customer__code=facts["customer"]
    )
    sure = "is confirmed" if facts["is_confirmed"] else "is suspected, not confirmed"
    letters = [
        Letter(
            key=f"recall:{facts['recall']}",
            kind="hold touches you",
            user=user,
            subject=f"Please set apart {notice.pieces} pieces we sent you ({facts['recall']})",
            why=f"you order for {notice.customer.name}, which received them",
            action=Action(
                "Read what to do, and answer", reverse("recall-notice", args=[notice.pk])
            ),
            template="recall_notice",
            context={"notice": notice, "headline": f"{facts['reason'].capitalize()} {sure}."},
        )
        for user in readers_of(customer=notice.customer)
    ]
    write_messages(letters, now=now)


WRITERS: dict[str, Callable[[Order, Happening, datetime], None]] = {
    "order.promised": _write_promised,
    "plan.changed": _write_weather,
    "shipment.handed_over": _write_on_the_road,
    "shipment.delivered": _write_delivered,
    "line.moved": _write_line_moved,
    "credit.approved": _write_credit,
    "credit.void": _write_credit,
}
