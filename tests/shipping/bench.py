"""What the bench and the truck do with an order of the scene, up to its delivered scan."""

from datetime import datetime
from decimal import Decimal
from io import BytesIO
from typing import Any

from PIL import Image

from orders.models import Order
from shipping.arrivals import Arrived, Photo, file_report
from shipping.bagging import tie_bags
from shipping.handing_over import hand_over, make_shipment, mark_delivered, move_shipment
from shipping.models import ArrivalReport, Box, Shipment
from shipping.sealing import put_in_boxes, seal_box
from tests.shipping.scene import Scene
from tests.shipping.scene_rows import eastern_time, farm_time

# Wed 2 Dec 10:12 in Buffalo is 09:12 on the farm.
DELIVERED_AT = eastern_time(2, "10:12")
IN_TIME = eastern_time(2, "13:55")
THREE_DEAD = {"PLT plug": 2, "CTH base": 1}


def pack(
    scene: Scene, order: Order, *, clear: bool = True, seal: bool = True, **plan: Any
) -> Shipment:
    """An order from inked promises to sealed boxes, the way the bench does it."""
    packer = scene.people["packer"]
    scene.draw(order)
    scene.pick(order)
    now = farm_time(order.ship_on.day, "09:10")
    tie_bags(order=order, now=now, user=packer, has_gloves=True, has_goggles=True)
    scene.plan(order, **plan)
    shipment = make_shipment(order=order)
    if clear:
        shipment = move_shipment(shipment=shipment, state="cleared")
    for box in put_in_boxes(shipment=shipment, user=packer):
        if seal:
            close_box(scene, box)
    return shipment


def close_box(scene: Scene, box: Box, **ticks: Any) -> Box:
    """Seal a box with every tick, but for those given."""
    ticks = {"has_holes": True, "has_lid_photo": True, "gross_kg": Decimal("19.7")} | ticks
    return seal_box(box=box, user=scene.people["packer"], now=farm_time(1, "14:00"), **ticks)


def deliver(
    scene: Scene,
    order: Order,
    at: datetime = DELIVERED_AT,
    collected_at: datetime | None = None,
    **plan: Any,
) -> Order:
    """An order from inked promises to its delivered scan."""
    shipment = pack(scene, order, **plan)
    packer = scene.people["packer"]
    hand_over(shipment=shipment, user=packer, now=farm_time(1, "16:15"))
    mark_delivered(shipment=shipment, at=at, collected_at=collected_at)
    return Order.objects.get(pk=order.pk)


def picture(shade: int, size: tuple[int, int] = (60, 40), **saved: Any) -> bytes:
    """A drawn photo: each shade is another picture; a JPEG where it carries what phones write."""
    kept = BytesIO()
    Image.new("RGB", size, (shade, 90, 40)).save(kept, "JPEG" if saved else "PNG", **saved)
    return kept.getvalue()


def photos(dead: dict[str, int], *, label: bool = True, first: int = 0) -> list[Photo]:
    """A photo a dead piece, and one of the box label."""
    rows = [
        Photo("bag", picture(first + index), f"bag-{index}.jpg", listing)
        for index, listing in enumerate(name for name, count in dead.items() for _ in range(count))
    ]
    return [*rows, Photo("label", picture(250), "label.jpg")] if label else rows


def report_dead(
    scene: Scene, order: Order, dead: dict[str, int], at: datetime = IN_TIME, **fields: Any
) -> ArrivalReport:
    """The shop's report of dead pieces by listing, with a photo of each and of the label."""
    first = fields.pop("first", 0)
    fields.setdefault("photos", photos(dead, first=first))
    return file_report(
        order=order,
        rows=[Arrived(name, dead=count) for name, count in dead.items()],
        filed_at=at,
        user=scene.people["buyer"],
        **fields,
    )
