"""HOP 11a road checks: everything that may keep a cleared shipment off the truck, by name.

Call from: shipping/handing_over.py, shipping/bagging.py (holds only).
"""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.models import Hold, Tray
from inventory.setting_book import SettingBook
from orders.calc.weeks import THU, day_text, hand_over_refusal, time_text
from orders.exporting import missing_ticks
from orders.models import Line, NoDeliveryDay, Order, PaperUse, Promise
from orders.rules import Judgement, RuleBook
from shipping.boxing import bags_hash, bags_of
from shipping.models import Bag, Box, PackPlan, Refill, Shipment


class NotCleared(ForbiddenMove):
    code = "shipment_not_cleared"
    title = "That shipment is not cleared"
    message = "{kind} {name} is {state} and cannot be {wanted}: {why}."


class DayNotAllowed(FarmError):
    code = "day_not_allowed"
    title = "Nothing leaves on that day"
    message = "{reason}"


class PlanMissing(FarmError):
    code = "plan_missing"
    title = "No pack plan stands"
    message = "Order {order} has no pack plan that stands: {why}. Plan its boxes again."


class ForecastTooOld(FarmError):
    code = "forecast_too_old"
    title = "The forecast is too old"
    message = (
        "Order {order} was checked against a forecast issued {issued}, more than {most_h:g} h "
        "before. Enter a newer one and check the boxes again."
    )


class ExportTicksMissing(FarmError):
    code = "export_ticks_missing"
    title = "An export is not ready"
    message = "Order {order} leaves the country; still to tick: {missing}."


class PromisesNotBagged(FarmError):
    code = "promises_not_bagged"
    title = "The order is not complete"
    message = "Order {order} has promises that are not bagged: {listings}. Bag them or free them."


class SecondPickWaits(FarmError):
    code = "second_pick_waits"
    title = "A second pick is still out"
    message = (
        "Order {order} waits for a second pick: {what}. Key in its sheet, with 0 where nothing was "
        "found, then tie and box what came."
    )


class BoxesNotSealed(FarmError):
    code = "boxes_not_sealed"
    title = "Not every box is sealed"
    message = "Shipment {shipment}: {what}. Seal every box with all its bags first."


class BagOnHold(FarmError):
    code = "bag_on_hold"
    title = "A bag comes from a held place"
    message = (
        "Bag {bag} comes from tray {tray}, on hold by {hold}. Open its box and the bag at the "
        "bench, put its pieces back, then fill the box again."
    )


class LawStops(FarmError):
    code = "law_stops"
    title = "A line may not go there"
    message = "{listing} may not leave for {place}: {reason}."


def locked_shipment(*, shipment: Shipment) -> Shipment:
    """The shipment's row, locked until the transaction ends, with what hangs on it.

    Its order's row first: whoever ties, opens, plans or hands over waits there in turn.
    """
    list(Order.objects.select_for_update().filter(pk=shipment.order_id).values_list("pk"))
    return (
        Shipment.objects.select_for_update(of=("self",))
        .select_related("order__ship_to", "customer", "ship_to__lane")
        .get(pk=shipment.pk)
    )


def full_code(*, order: Order, typed: str) -> str:
    """A bag's code from what is typed or scanned of it: the part after the dash is enough."""
    code = typed.strip().upper()
    return code if "-" in code else f"{order.number}-{code}"


def bags_on_bench(*, shipment: Shipment) -> list[Bag]:
    """Every bag of a shipment that is still to go, in the order of their codes."""
    return list(
        shipment.bags.filled()
        .select_related(
            "line__listing__strain_form__strain__strain_class", "listing", "lot", "tray__trough"
        )
        .order_by("code")
    )


def not_cleared(*, shipment: Shipment, wanted: str) -> NotCleared:
    """The refusal of an act that only a cleared shipment allows, with the reason."""
    why = {
        Shipment.State.PLANNED: "the weather check of its ship day has not cleared it",
        Shipment.State.STOPPED: shipment.stop_reason or "the weather check stopped it",
    }.get(Shipment.State(shipment.state), "it has left already")
    return NotCleared(
        kind="Shipment",
        name=shipment.code,
        state=shipment.get_state_display(),
        wanted=wanted,
        why=why,
    )


def order_of(*, shipment: Shipment) -> Order:
    """The order a shipment carries. One from before this farm kept its records has none."""
    if shipment.order is None:
        raise Unknown(kind="order of shipment", name=shipment.code)
    return shipment.order


def live_plan(*, order: Order) -> PackPlan:
    """The pack plan that stands for an order's bags and ship day. Raises PlanMissing."""
    plan = PackPlan.objects.select_related("forecast").filter(order=order, void_at=None).first()
    if plan is None:
        last = PackPlan.objects.filter(order=order).order_by("-id").first()
        raise PlanMissing(order=order.number, why=last.void_reason if last else "none was made")
    if plan.ship_on != order.ship_on:
        raise PlanMissing(order=order.number, why=f"it was made for {day_text(plan.ship_on)}")
    if plan.bags_hash != bags_hash(rows=bags_of(order=order)):
        raise PlanMissing(order=order.number, why="its bags are not those it was made for")
    return plan


def check_day(*, shipment: Shipment, on: date) -> None:
    """Refuse a day on which the lane cannot deliver the day after. Raises DayNotAllowed."""
    ship_to = shipment.ship_to
    regions = ["", ship_to.region] if ship_to else [""]
    days = NoDeliveryDay.objects.filter(region__in=regions, day__gte=on)
    reason = hand_over_refusal(
        on=on,
        no_delivery_days=frozenset(days.values_list("day", flat=True)),
        lane_has_saturday=bool(ship_to and ship_to.lane.has_saturday),
    )
    if not reason and on != shipment.ship_on:
        reason = (
            f"Shipment {shipment} was planned and cleared for {day_text(shipment.ship_on)}, not "
            f"for {day_text(on)}. Move its ship day and check its boxes again."
        )
    if reason:
        raise DayNotAllowed(reason=reason, shipment=shipment.code)


def check_weather(*, plan: PackPlan, on: date, book: SettingBook) -> None:
    """Refuse a plan that was not checked on its ship day against a fresh forecast."""
    number = plan.order.number
    if timezone.localdate(plan.made_at) != on:
        raise PlanMissing(order=number, why="it was not checked on the morning of its ship day")
    most_h = book.number("forecast_max_age_h")
    forecast = plan.forecast
    if forecast is None:
        raise PlanMissing(order=number, why="no forecast was at hand")
    if plan.made_at - forecast.issued_at > timedelta(hours=most_h):
        zone = timezone.get_current_timezone_name()
        issued = time_text(at=forecast.issued_at, zone=zone)
        raise ForecastTooOld(order=number, issued=issued, most_h=most_h)
    if on.weekday() == THU and plan.verdict != PackPlan.Verdict.CLEAR:
        raise DayNotAllowed(
            reason="A Thursday hand-over needs a late case that passes; this plan's does not."
            " Choose a day from Monday to Wednesday."
        )


def check_order(*, order: Order) -> None:
    """Refuse missing export ticks, promises that are not in bags, and a second pick still out."""
    missing = missing_ticks(order=order)
    if missing:
        raise ExportTicksMissing(order=order.number, missing=", ".join(missing))
    live = Promise.objects.filter(line__order=order, state__in=Promise.LIVE)
    waiting = list(
        live.exclude(state=Promise.State.BAGGED)
        .order_by("line__position")
        .values_list("line__listing__name", flat=True)
    )
    if waiting or not live.exists():
        raise PromisesNotBagged(order=order.number, listings=", ".join(waiting) or "all of them")
    second = Refill.objects.filter(promise__line__order=order, ended_at=None)
    rows = second.values_list("pieces", "promise__line__listing__name", "tray__code")
    if rows:
        words = ", ".join(f"{pieces} {listing} from {tray}" for pieces, listing, tray in rows)
        raise SecondPickWaits(order=order.number, what=words)


def box_differences(*, box: Box, bags: Iterable[Bag], plan: PackPlan) -> list[str]:
    """How a box differs from the plan, in words: its size, its packs, each line's bags."""
    boxes = json.loads(plan.record)["boxes"]
    planned = boxes[box.number - 1] if box.number <= len(boxes) else {"bag_lines": []}
    wanted = Counter(dict(planned["bag_lines"]))
    there = Counter(bag.line_id for bag in bags)
    names = dict(plan.order.lines.values_list("pk", "listing__name"))
    pairs = [
        ("size", box.kind_id, planned.get("size", "none")),
        ("heat packs", box.heat_packs, planned.get("packs", 0)),
        ("cool packs", box.gel_packs, planned.get("gels", 0)),
        *(
            (f"bags of {names.get(line_id or 0, '?')}", there[line_id], wanted[line_id])
            for line_id in sorted(wanted.keys() | there.keys(), key=str)
        ),
    ]
    return [f"{what}: {has}, the plan says {says}" for what, has, says in pairs if has != says]


def check_boxes(*, shipment: Shipment, bags: Sequence[Bag], plan: PackPlan) -> None:
    """Refuse loose bags, open boxes, boxes packed by an older plan, and bags under a hold raised
    since they were tied."""
    boxes = list(shipment.boxes.all())
    loose = [bag.code for bag in bags if bag.state != Bag.State.BOXED]
    still_open = [box.number for box in boxes if box.state != Box.State.SEALED]
    if loose:
        raise BoxesNotSealed(
            shipment=shipment.code, what=f"bag {loose[0]} is in no box ({len(loose)} in all)"
        )
    if still_open or not boxes:
        what = f"box {still_open[0]} is open" if still_open else "it has no box"
        raise BoxesNotSealed(shipment=shipment.code, what=what)
    for box in boxes:
        inside = [bag for bag in bags if bag.box_id == box.pk]
        words = box_differences(box=box, bags=inside, plan=plan)
        if words:
            what = f"box {box.number} is not as planned now ({'; '.join(words)})"
            raise BoxesNotSealed(shipment=shipment.code, what=what)
    refuse_held_bags(bags=bags)


def refuse_held_bags(*, bags: Iterable[Bag]) -> None:
    """Refuse when any bag comes from a place under an open hold. Raises BagOnHold."""
    holds = list(Hold.objects.filter(state__in=Hold.OPEN))
    for bag in bags:
        hold = hold_on(holds=holds, tray=bag.tray, system_id=bag.system_id, lot_id=bag.lot_id)
        if hold is not None:
            raise BagOnHold(bag=bag.code, tray=bag.tray.code, hold=hold.code)


def hold_on(
    *, holds: Iterable[Hold], tray: Tray, system_id: int, lot_id: int | None
) -> Hold | None:
    """The first hold that stops a piece: on its tray, trough or lot, or on the system it stood in
    when it was picked or its tray stands in now."""
    for hold in holds:
        stopped = (
            (hold.system_id, {system_id, tray.trough.system_id}),
            (hold.trough_id, {tray.trough_id}),
            (hold.tray_id, {tray.pk}),
            (hold.lot_id, {lot_id}),
        )
        if any(scope is not None and scope in among for scope, among in stopped):
            return hold
    return None


def check_law(*, order: Order, bags: Sequence[Bag], on: date) -> list[PaperUse]:
    """Refuse what a rule row or a spent paper stops; else the uses of papers, not yet saved.

    The last of two stops: the row may have changed, or the paper run out, since the order was sent.
    """
    book = RuleBook.read(ship_to=order.ship_to)
    lines = {bag.line_id: bag.line for bag in bags if bag.line is not None}
    uses: list[PaperUse] = []
    for line_id, line in lines.items():
        pieces = sum(bag.pieces for bag in bags if bag.line_id == line_id)
        strain = line.listing.strain_form.strain
        judged = book.judge(strain=strain, on=on)
        reason = _law_reason(judged, line, pieces, uses)
        if reason:
            raise LawStops(listing=line.listing.name, place=order.ship_to.place, reason=reason)
        if judged.paper is not None:
            uses.append(PaperUse(paper=judged.paper, line=line, taxon=strain.taxon, pieces=pieces))
    return uses


def _law_reason(judged: Judgement, line: Line, pieces: int, uses: Sequence[PaperUse]) -> str:
    if judged.verdict in ("forbid", "paper"):
        return judged.reason
    if judged.verdict == "ask" and line.confirmed_at is None:
        return f"a person has to confirm it first: {judged.reason}"
    if judged.balance_pieces is None:
        return ""
    taxon = line.listing.strain_form.strain.taxon
    taken = sum(use.pieces for use in uses if use.paper == judged.paper and use.taxon == taxon)
    left = judged.balance_pieces - taken
    return f"its paper allows {left} more, {pieces} are packed" if left < pieces else ""
