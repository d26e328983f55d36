"""HOP 9c fill and seal: the bags of an order into the boxes of its plan, weighed and sealed.

Call from: shipping/bench_pages.py, config/scene_acts.py.
Locks: the shipment's row, then the box's.
"""

import json
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.models import Order
from shipping.incidents import refuse_at_stopped_bench
from shipping.models import Bag, Box, Shipment
from shipping.road_checks import (
    bags_on_bench,
    box_differences,
    full_code,
    live_plan,
    locked_shipment,
    not_cleared,
    order_of,
    refuse_held_bags,
)


class BagsNotAsPlanned(FarmError):
    code = "bags_not_as_planned"
    title = "The bags are not those of the plan"
    message = "Box {box} of {shipment}: {first}. Pack what the plan says, or plan the boxes again."


class HolesMissing(FarmError):
    code = "holes_missing"
    status = 422
    title = "The breathing holes are not ticked"
    message = (
        "Box {box} of {shipment} has {packs} heat packs and no breathing holes ticked. Without "
        "holes a pack gives almost no heat. Punch the holes in the liner wall and tick them."
    )


class LidPhotoMissing(FarmError):
    code = "lid_photo_missing"
    status = 422
    title = "The lid has not been photographed"
    message = (
        "Box {box} of {shipment} has {packs} heat packs and no photo of its lid. Check that 3 cm "
        "of air and paper lie between pack and bags, take the photo and tick it."
    )


class BoxTooHeavy(FarmError):
    code = "box_too_heavy"
    status = 422
    title = "The box is too heavy"
    message = (
        "Box {box} of {shipment} weighs {gross_kg} kg, {most_kg} kg is the limit. Weigh it again "
        "or plan the boxes anew."
    )


@transaction.atomic
def put_in_boxes(*, shipment: Shipment, user: User) -> list[Box]:
    """Open the boxes of the plan that stands and put the tied bags in, as it says, bottom first.

    Filling again empties what is open and starts anew; a sealed box has to be opened first, and a
    bag from a place on hold taken out. Raises PlanMissing, IncidentOpen, BagOnHold, ForbiddenMove.
    """
    user.must("pack")
    shipment = locked_shipment(shipment=shipment)
    record = json.loads(live_plan(order=order_of(shipment=shipment)).record)
    sealed = shipment.boxes.exclude(state=Box.State.OPEN).first()
    if sealed is not None:
        raise ForbiddenMove(
            kind="Box",
            name=f"{sealed.number} of {shipment.code}",
            state=sealed.state,
            wanted="filled again",
            why="open it first; its seal is then void",
        )
    refuse_at_stopped_bench(shipment=shipment, act="put in boxes")
    refuse_held_bags(bags=bags_on_bench(shipment=shipment))
    shipment.bags.filter(state=Bag.State.BOXED).update(state=Bag.State.TIED, box=None)
    shipment.boxes.all().delete()
    loose: dict[int | None, list[Bag]] = {}
    for bag in bags_on_bench(shipment=shipment):
        if bag.state == Bag.State.TIED:
            loose.setdefault(bag.line_id, []).append(bag)
    return [
        _fill_box(shipment, number, planned, loose)
        for number, planned in enumerate(record["boxes"], 1)
    ]


def _fill_box(
    shipment: Shipment,
    number: int,
    planned: dict[str, Any],
    loose: dict[int | None, list[Bag]],
) -> Box:
    box = Box.objects.create(
        shipment=shipment,
        number=number,
        kind_id=planned["size"],
        heat_packs=planned["packs"],
        gel_packs=planned["gels"],
    )
    for line_id, count in planned["bag_lines"]:
        waiting = loose.get(line_id, [])
        taken, loose[line_id] = waiting[:count], waiting[count:]
        Bag.objects.filter(pk__in=[bag.pk for bag in taken]).update(box=box, state=Bag.State.BOXED)
    return box


@transaction.atomic
def put_bag(*, box: Box, bag_code: str, user: User) -> Bag:
    """Put one bag in an open box by its typed or scanned code, the part after the dash at least.

    One that lies in it already stays. Raises ForbiddenMove when it lies in another box.
    """
    user.must("pack")
    code = full_code(order=order_of(shipment=box.shipment), typed=bag_code)
    bag = Bag.objects.select_for_update().filter(code=code).first()
    if bag is None or bag.shipment_id != box.shipment_id:
        raise Unknown(
            kind=f"bag of shipment {box.shipment.code}", name=bag_code.strip() or "(none)"
        )
    if bag.state == Bag.State.BOXED and bag.box_id == box.pk:
        return bag
    if bag.state != Bag.State.TIED or box.state != Box.State.OPEN:
        where = f" in box {bag.box.number}" if bag.box else ""
        raise ForbiddenMove(
            kind="Bag",
            name=bag.code,
            state=f"{bag.state}{where}",
            wanted=f"put in {box.number}",
            why="only a tied bag goes into an open box",
        )
    bag.box, bag.state = box, Bag.State.BOXED
    bag.save(update_fields=["box", "state"])
    return bag


@transaction.atomic
def seal_box(
    *,
    box: Box,
    gross_kg: Decimal,
    has_holes: bool,
    has_lid_photo: bool,
    user: User,
    now: datetime,
    seal: str = "",
) -> Box:
    """Seal a box that holds exactly its planned bags, of a shipment that is cleared.

    Sealing the last box makes the order packed. Raises NotCleared, IncidentOpen, BagsNotAsPlanned,
    BagOnHold, HolesMissing, LidPhotoMissing, BoxTooHeavy, ForbiddenMove.
    """
    user.must("pack")
    shipment = locked_shipment(shipment=box.shipment)
    box = Box.objects.select_for_update().get(pk=box.pk)
    refuse_at_stopped_bench(shipment=shipment, act="sealed")
    if shipment.state != Shipment.State.CLEARED:
        raise not_cleared(shipment=shipment, wanted="packed")
    if box.state != Box.State.OPEN:
        raise ForbiddenMove(
            kind="Box",
            name=f"{box.number} of {shipment.code}",
            state=box.get_state_display(),
            wanted="sealed",
            why="only an open box is sealed",
        )
    bags = [bag for bag in bags_on_bench(shipment=shipment) if bag.box_id == box.pk]
    _check_bags(shipment, box, bags)
    refuse_held_bags(bags=bags)
    _check_lid(shipment, box, has_holes, has_lid_photo)
    most_kg = SettingBook.read(on=timezone.localdate(now)).decimal("handling_limit_kg")
    if gross_kg > most_kg:
        raise BoxTooHeavy(
            box=box.number, shipment=shipment.code, gross_kg=gross_kg, most_kg=most_kg
        )
    box.gross_kg, box.has_holes, box.has_lid_photo = gross_kg, has_holes, has_lid_photo
    box.state, box.sealed_at, box.sealed_by = Box.State.SEALED, now, user
    box.seal = seal or f"{shipment.code}/{box.number}"
    box.save()
    if not shipment.boxes.exclude(state=Box.State.SEALED).exists():
        _move_order(shipment, Order.State.IN_PICK, Order.State.PACKED)
    return box


def _check_bags(shipment: Shipment, box: Box, bags: Sequence[Bag]) -> None:
    words = box_differences(box=box, bags=bags, plan=live_plan(order=order_of(shipment=shipment)))
    if words:
        raise BagsNotAsPlanned(
            box=box.number, shipment=shipment.code, first="; ".join(words), rows=words
        )


def _check_lid(shipment: Shipment, box: Box, has_holes: bool, has_lid_photo: bool) -> None:
    facts = {"box": box.number, "shipment": shipment.code, "packs": box.heat_packs}
    if box.heat_packs and not has_holes:
        raise HolesMissing(**facts)
    if box.heat_packs and not has_lid_photo:
        raise LidPhotoMissing(**facts)


@transaction.atomic
def open_box(*, box: Box, user: User) -> Box:
    """Open a sealed box again; its seal number is void. A box handed over stays closed."""
    user.must("pack")
    shipment = locked_shipment(shipment=box.shipment)
    box = Box.objects.select_for_update().get(pk=box.pk)
    if box.state != Box.State.SEALED:
        raise ForbiddenMove(
            kind="Box",
            name=f"{box.number} of {shipment.code}",
            state=box.get_state_display(),
            wanted="open",
            why="only a sealed box that is still here is opened",
        )
    box.state, box.seal, box.sealed_at, box.sealed_by = Box.State.OPEN, "", None, None
    # What is in it may change now: it is weighed, ticked and photographed again.
    box.gross_kg, box.has_holes, box.has_lid_photo = None, False, False
    box.save()
    _move_order(shipment, Order.State.PACKED, Order.State.IN_PICK)
    return box


def _move_order(shipment: Shipment, from_state: str, state: str) -> None:
    number = order_of(shipment=shipment).number
    Order.objects.filter(number=number, state=from_state).update(state=state)
