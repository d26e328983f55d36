"""The packer's bench on a screen, a forecast by hand, and what is decided of a report."""

from collections.abc import Callable
from datetime import datetime
from decimal import Decimal, InvalidOperation

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now
from inventory.door import staff_only
from inventory.errors import FarmError, Unknown
from inventory.models import User
from orders.calc.weeks import time_text
from orders.models import Order, Promise
from orders.pages import order_for
from shipping.arrivals import decide_report
from shipping.bagging import tie_bags
from shipping.bench_numbers import Bench
from shipping.bench_rows import bench_rows, on_bench
from shipping.clearing import enter_forecast, make_plan
from shipping.handing_over import clear_after_stop, hand_over, make_shipment, mark_delivered
from shipping.incidents import HERE, end_incident, note_incident, shipment_incident
from shipping.keying import put_back
from shipping.models import ArrivalReport, Box, Shipment
from shipping.picked import held_bags
from shipping.sealing import open_box, put_bag, put_in_boxes, seal_box
from shipping.unbagging import Hands, Opened, open_bag, put_back_bags, retie_bag

MOST_DIGITS = 4


class NumberUnreadable(FarmError):
    code = "number_unreadable"
    status = 422
    title = "A number cannot be read"
    message = "{what}: {text} is not a number. Type it such as {example}."


def _decimal(typed: QueryDict, name: str, what: str) -> Decimal:
    text = typed.get(name, "").strip()
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise NumberUnreadable(what=what, text=repr(text), example="19.7") from None
    if not number.is_finite():
        raise NumberUnreadable(what=what, text=repr(text), example="19.7")
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
    context = bench_rows(order=order, shipment=shipment, now=now) | {
        "order": order,
        "shipment": shipment,
        "has_toxic": order.lines.filter(
            listing__strain_form__strain__toxin__gte=2, promise__units__gt=0
        ).exists(),
        "may_pack": user.may("pack"),
        "on_bench": on_bench(order) if user.may("pick") else [],
        "is_owner": user.may("clear_after_stop"),
        "may_note_incident": user.may("note_incident") and shipment.state in HERE,
        "may_end_incident": user.may("end_incident"),
        "left_words": _when(shipment.handed_over_at, zone),
        "first_tries": Shipment.FirstTry.choices,
        "arrived_words": _when(shipment.delivered_at, zone),
    }
    return render(request, "shipping/bench.html", context)


def _when(at: datetime | None, zone: str) -> str:
    return time_text(at=at, zone=zone) if at else ""


def _act(request: HttpRequest, user: User, order: Order, shipment: Shipment) -> None:
    """The one thing that was pressed."""
    act = request.POST.get("act", "")
    if act not in ACTS:
        raise Unknown(kind="act at the bench", name=act or "(none)")
    messages.success(request, ACTS[act](request.POST, user, order, shipment))


def _tie(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    hands = _hands(typed)
    bags = tie_bags(
        order=order,
        now=farm_now(),
        user=user,
        has_gloves=hands.has_gloves,
        has_goggles=hands.has_goggles,
    )
    return f"{_counted(len(bags), 'bag')} tied; their clock runs."


def _hands(typed: QueryDict) -> Hands:
    return Hands(has_gloves=typed.get("gloves") == "on", has_goggles=typed.get("goggles") == "on")


def _counted(number: int, thing: str) -> str:
    many = {"box": "boxes"}.get(thing, f"{thing}s")
    return f"1 {thing} is" if number == 1 else f"{number} {many} are"


def _fill(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    boxes = put_in_boxes(shipment=shipment, user=user)
    return f"{_counted(len(boxes), 'box')} filled as planned. Weigh, then seal."


def _box(typed: QueryDict, shipment: Shipment) -> Box:
    text = typed.get("box", "")
    box = shipment.boxes.filter(pk=int(text) if text.isdigit() else None).first()
    if box is None:
        raise Unknown(kind=f"box of {shipment.code}", name=text)
    return box


def _seal(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    box = seal_box(
        box=_box(typed, shipment),
        gross_kg=_decimal(typed, "gross_kg", "The scale"),
        has_holes=typed.get("holes") == "on",
        has_lid_photo=typed.get("lid_photo") == "on",
        user=user,
        now=farm_now(),
        seal=typed.get("seal", "")[:20],
    )
    return f"Box {box.number} is sealed, seal {box.seal}."


def _scan(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    """A bag held over an open box: whether it is one of its own."""
    box = _box(typed, shipment)
    bag = put_bag(box=box, bag_code=typed.get("bag", ""), user=user)
    return f"Bag {bag.code} goes into box {box.number}."


def _open_box(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    box = open_box(box=_box(typed, shipment), user=user)
    return f"Box {box.number} is open; its seal is void. Weigh and seal it again with a new one."


def _bag(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    """One bag that leaks or holds a dead piece, by what is typed of its code."""
    code, hands, now = typed.get("bag", "").strip(), _hands(typed), farm_now()
    what = typed.get("what", "")
    if what == "tie again":
        open_bag(order=order, code=code, user=user, hands=hands)
        bag = retie_bag(order=order, code=code, user=user, now=now, hands=hands)
        return f"Bag {bag.code} is tied again; its clock starts anew. Put it in its box."
    if what not in ("put back", "dead"):
        raise Unknown(kind="thing to do with a bag", name=what or "(none chosen)")
    # A pack of ten may hold some dead ones; of a single piece the choice says it all.
    dead = _whole(typed, "dead", "Dead pieces") if what == "dead" else 0
    [bag] = put_back_bags(
        order=order,
        opened=[Opened(code, dead)],
        user=user,
        now=now,
        reason="opened at the bench",
        tray_code=typed.get("tray", ""),
        hands=hands,
    )
    return f"Bag {bag.code} is opened; the boxes are planned anew without it."


def _open_held(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    """The bags that a hold stops: all are opened at once, each with its dead pieces."""
    held = held_bags(orders=[order])
    bags = put_back_bags(
        order=order,
        opened=[
            Opened(bag.code, _whole(typed, f"dead:{bag.code}", f"Dead pieces in {bag.code}"))
            for bag, _ in held
        ],
        user=user,
        now=farm_now(),
        reason="; ".join(sorted({f"on hold ({hold.code})" for _, hold in held})),
        tray_code=typed.get("tray", ""),
        hands=_hands(typed),
    )
    return (
        f"{_counted(len(bags), 'bag')} opened, their pieces counted back. The boxes are planned "
        "anew without them."
    )


def _put_back(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    """Picked pieces in no bag that are not to go: back to their trays, no longer promised."""
    key = typed.get("promise", "")
    promise = None
    if key.isascii() and key.isdigit() and len(key) < 12:
        promise = Promise.objects.filter(pk=int(key), line__order=order).first()
    if promise is None:
        raise Unknown(kind="promise of this order", name=key[:20] or "(none)")
    pieces = promise.pieces_out
    put_back(
        promise_id=promise.pk, user=user, now=farm_now(), reason=typed.get("reason", "").strip()
    )
    return (
        f"{pieces} pieces of {promise.line.listing.title} are back in their trays and no longer "
        "promised. The office settles the line with the shop."
    )


def _whole(typed: QueryDict, name: str, what: str) -> int:
    text = typed.get(name, "").strip() or "0"
    if not (text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS):
        raise NumberUnreadable(what=what, text=repr(text), example="2, or 0 for none")
    return int(text)


def _hand_over(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    tracking = typed.get("tracking", "")[:40]
    hand_over(shipment=shipment, user=user, now=farm_now(), tracking=tracking)
    return f"{shipment.code} is on the truck."


def _delivered(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    user.must("pack")
    now = farm_now()
    first_try = typed.get("first_try", "")
    mark_delivered(shipment=shipment, at=now, collected_at=now, first_try=first_try)
    return f"{shipment.code} is delivered; the report clock runs."


def _clear(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    reason = typed.get("reason", "").strip()
    clear_after_stop(shipment=shipment, user=user, now=farm_now(), reason=reason)
    return f"{shipment.code} is cleared by the owner."


def _incident(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    incident = note_incident(
        shipment=shipment,
        kind=typed.get("kind", ""),
        words=typed.get("words", ""),
        user=user,
        now=farm_now(),
    )
    return f"{incident} is noted: this bench stands still. Do what stands below first."


def _end_incident(typed: QueryDict, user: User, order: Order, shipment: Shipment) -> str:
    key = typed.get("incident", "")
    incident = shipment_incident(shipment=shipment, key=key)
    end_incident(incident=incident, words=typed.get("done", ""), user=user, now=farm_now())
    return f"{incident} is ended: this bench goes on."


ACTS: dict[str, Callable[[QueryDict, User, Order, Shipment], str]] = {
    "tie": _tie,
    "fill": _fill,
    "scan": _scan,
    "seal": _seal,
    "open-box": _open_box,
    "bag": _bag,
    "open-held": _open_held,
    "put-back": _put_back,
    "hand-over": _hand_over,
    "delivered": _delivered,
    "clear": _clear,
    "incident": _incident,
    "end-incident": _end_incident,
}


@login_required
@require_POST
def forecast_page(request: HttpRequest, number: str) -> HttpResponse:
    """A forecast entered by hand for one order's lane, and its boxes planned against it."""
    user = staff_only(request)
    order = order_for(user, number)
    names = ("evening", "hub", "morning", "midday")
    values = {f"{name}_c": float(_decimal(request.POST, name, name.capitalize())) for name in names}
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
