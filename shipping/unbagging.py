"""HOP 9d open a bag: a tied bag that may not go, leaks or holds a dead piece -> tied again, its
pieces back in their tray, or dead; the boxes are planned anew without it.

Call from: shipping/bench_pages.py.
Locks: the order's row, then the shipment's, the bags', strain-forms in the ledger, the promise.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction

from inventory import ledger
from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.models import Happening, Place, Tray
from inventory.people import User
from orders.models import Order, Promise
from orders.promising import change_promise
from shipping.bagging import GlovesAndGogglesNeeded
from shipping.bench_numbers import Bench
from shipping.boxing import bags_of
from shipping.clearing import PLANNABLE, make_plan
from shipping.models import Bag, Box, PackPlan, Shipment
from shipping.picked import bag_hold, open_holds, take_off_task, tasks_of
from shipping.road_checks import full_code, locked_shipment


class DeadUnbelievable(FarmError):
    code = "dead_unbelievable"
    status = 422
    title = "That many cannot be dead"
    message = "Bag {bag} holds {pieces} single pieces, {dead} dead were typed. Type 0 to {pieces}."


class ReturnsElsewhere(FarmError):
    code = "returns_elsewhere"
    title = "It may not go back there"
    message = (
        "Bag {bag} was filled from system {was}, on hold by {hold}; tray {tray} stands in system "
        "{stands} now. Put its pieces in a tray of {was} that is empty or holds their lot: type "
        "that tray, or count them as dead."
    )


@dataclass(frozen=True, slots=True)
class Opened:
    """A bag to open, and how many of its single pieces are dead."""

    code: str
    dead: int = 0


@dataclass(frozen=True, slots=True)
class Hands:
    """What is ticked before a bag with toxic pieces is opened."""

    has_gloves: bool = False
    has_goggles: bool = False


BARE = Hands()


@transaction.atomic
def open_bag(*, order: Order, code: str, user: User, hands: Hands = BARE) -> Bag:
    """Open a tied bag that leaks or was tied wrong; it lies on the bench until it is tied again.

    Raises NotAllowed, Unknown, ForbiddenMove, GlovesAndGogglesNeeded.
    """
    user.must("pack")
    [bag] = _locked_bags(order, [code])
    _refuse_bare_hands(order, [bag], hands)
    _refuse_closed(bag, [Bag.State.TIED, Bag.State.BOXED], "opened")
    bag.state, bag.box = Bag.State.OPENED, None
    bag.save(update_fields=["state", "box"])
    return bag


@transaction.atomic
def retie_bag(*, order: Order, code: str, user: User, now: datetime, hands: Hands = BARE) -> Bag:
    """Tie an opened bag again, in fresh water: its clock starts anew.

    Raises NotAllowed, Unknown, ForbiddenMove, GlovesAndGogglesNeeded.
    """
    user.must("pack")
    [bag] = _locked_bags(order, [code])
    _refuse_bare_hands(order, [bag], hands)
    _refuse_closed(bag, [Bag.State.OPENED], "tied again")
    bag.state, bag.tied_at, bag.tied_by = Bag.State.TIED, now, user
    bag.save(update_fields=["state", "tied_at", "tied_by"])
    return bag


@transaction.atomic
def put_back_bags(
    *,
    order: Order,
    opened: Sequence[Opened],
    user: User,
    now: datetime,
    reason: str,
    tray_code: str = "",
    hands: Hands = BARE,
) -> list[Bag]:
    """Open bags and put their pieces back in the tray they came from, or count them as dead.

    The line lacks them from now on, which is a shortfall; what was planned for the order's boxes
    is planned anew without them. Raises NotAllowed, Unknown, ForbiddenMove (in a sealed box, put
    back before, gone), DeadUnbelievable, GlovesAndGogglesNeeded, ReturnsElsewhere, and what a tray
    refuses (TwoLotsInTray, AboveTrayPositions).
    """
    user.must("pack")
    dead = {full_code(order=order, typed=row.code): row.dead for row in opened}
    bags = _locked_bags(order, dead)
    _refuse_bare_hands(order, bags, hands)
    for bag in bags:
        _refuse_closed(bag, [Bag.State.TIED, Bag.State.BOXED, Bag.State.OPENED], "put back")
        if not 0 <= dead[bag.code] <= bag.pieces:
            raise DeadUnbelievable(bag=bag.code, pieces=bag.pieces, dead=dead[bag.code])
        _move_pieces(bag, dead[bag.code], tray_code, user, now, reason)
        bag.state, bag.box = Bag.State.RETURNED, None
        bag.save(update_fields=["state", "box"])
        _lessen(bag)
    _plan_without(order, now)
    facts = {
        "order": order.number,
        "bags": [bag.code for bag in bags],
        "strain_forms": sorted({bag.listing.strain_form_id for bag in bags}),
        "reason": reason,
    }
    Happening.objects.create(kind="bags.put_back", at=now, facts=facts)
    return bags


def _locked_bags(order: Order, codes: Iterable[str]) -> list[Bag]:
    """Bags of an order, locked, in the order of their codes."""
    shipment = Shipment.objects.filter(order=order).first()
    if shipment is None:
        raise Unknown(kind="bag of order", name=order.number)
    locked_shipment(shipment=shipment)
    bags = []
    for code in sorted(full_code(order=order, typed=typed) for typed in codes):
        bag = (
            Bag.objects.select_for_update(of=("self",))
            .filter(shipment=shipment, code=code)
            .select_related("tray__trough__system", "system", "lot", "box", "line", "listing")
            .first()
        )
        if bag is None:
            raise Unknown(kind=f"bag of order {order.number}", name=code.partition("-")[2])
        bags.append(bag)
    return bags


def _refuse_bare_hands(order: Order, bags: Iterable[Bag], hands: Hands) -> None:
    toxic = sorted({bag.listing.name for bag in bags if bag.is_toxin})
    if toxic and not (hands.has_gloves and hands.has_goggles):
        raise GlovesAndGogglesNeeded(order=order.number, listings=", ".join(toxic))


def _refuse_closed(bag: Bag, from_states: Sequence[str], wanted: str) -> None:
    """A bag is opened on the bench: not on the road, and not through the wall of a sealed box."""
    box = bag.box
    if bag.state in from_states and (box is None or box.state == Box.State.OPEN):
        return
    is_sealed = bag.state == Bag.State.BOXED and box is not None
    raise ForbiddenMove(
        kind="Bag",
        name=bag.code,
        state=f"in box {box.number}, which is {box.state}"
        if is_sealed and box
        else bag.get_state_display(),
        wanted=wanted,
        why="open the box first; its seal is then void"
        if is_sealed
        else "only a bag that is still here and not empty is opened, only an opened one tied again",
    )


def _move_pieces(
    bag: Bag, dead: int, tray_code: str, user: User, now: datetime, reason: str
) -> None:
    assert bag.lot is not None  # every bag of an order is tied from a task, which has its lot
    ends = {"dead": (ledger.end_place(Place.End.DEAD), dead, "death")}
    if bag.pieces > dead:
        tray = _tray_for(bag, tray_code)
        ends["return"] = (ledger.tray_place(tray), bag.pieces - dead, "return")
    for end, (place, pieces, why) in ends.items():
        if pieces:
            ledger.move_pieces(
                lot=bag.lot,
                from_place=ledger.end_place(Place.End.BENCH),
                to_place=place,
                pieces=pieces,
                reason=why,
                at=now,
                user=user,
                client_key=f"unbag:{end}:{bag.code}",
                note=f"bag {bag.code}: {reason}"[:200],
            )


def _tray_for(bag: Bag, tray_code: str) -> Tray:
    """The tray the pieces go back to: their own, or one typed. Pieces of held water stay in it."""
    tray = bag.tray
    if tray_code.strip():
        trays = Tray.objects.select_related("trough__system")
        found = trays.filter(code=tray_code.strip().upper()).first()
        if found is None:
            raise Unknown(kind="tray", name=tray_code.strip())
        tray = found
    hold = bag_hold(bag, open_holds())
    if hold is not None and tray.trough.system_id != bag.system_id:
        raise ReturnsElsewhere(
            bag=bag.code,
            was=bag.system.code,
            hold=hold.code,
            tray=tray.code,
            stands=tray.trough.system.code,
        )
    return tray


def _lessen(bag: Bag) -> None:
    """The pick of a line brought so many pieces less; one with nothing left waits unbagged."""
    promise = Promise.objects.select_for_update().get(line_id=bag.line_id)
    left = bag.pieces
    for task in tasks_of(promise):
        if task.tray_id == bag.tray_id and task.lot_id == bag.lot_id:
            some = min(left, task.picked_pieces or 0)
            left -= some
            if some:
                take_off_task(task=task, pieces=some)
    out = max(0, promise.pieces_out - bag.pieces)
    state = promise.state if out else Promise.State.PULLED
    change_promise(promise_id=promise.pk, state=state, pieces_out=out)


def _plan_without(order: Order, now: datetime) -> None:
    """Weights, packs, delivery and papers are those of what is left."""
    order = Order.objects.select_related("ship_to__lane", "ship_to__zone", "customer", "week").get(
        pk=order.pk
    )
    plans = PackPlan.objects.filter(order=order)
    if order.state in PLANNABLE and plans.exists():
        if bags_of(order=order):
            bench = Bench.read(on=order.ship_on)
            make_plan(order=order, now=now, bench=bench, stage="bags put back")
        else:
            plans.filter(void_at=None).update(void_at=now, void_reason="no bag of it is left")
