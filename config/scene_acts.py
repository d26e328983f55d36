"""What people do in the demo's scene: each act calls the hop that the person would.

Call from: config/playing.py.
"""

import io
from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal

from PIL import Image, ImageDraw

from inventory.models import PlugLot, User
from inventory.plugs import wash_plugs
from orders.amending import confirm_line
from orders.calc.weeks import week_monday
from orders.exporting import tick_export
from orders.models import Line, Order, ShipWeek
from orders.sharing import ink_promises, share_out
from orders.weeks import week_named
from shipping.arrivals import Arrived, Photo, file_report
from shipping.bagging import tie_bags
from shipping.clearing import plan_week
from shipping.handing_over import hand_over, mark_delivered
from shipping.keying import key_in
from shipping.models import PickSheet, Shipment
from shipping.picking import draw_sheets
from shipping.sealing import put_in_boxes, seal_box

IN_PICK_OR_LATER = ("in pick", "packed")


def person(code: str) -> User:
    return User.objects.get(code=code)


def _confirm_lines(row: dict[str, str], now: datetime) -> str:
    user = person(row["who"])
    waiting = Line.objects.filter(state=Line.State.NEEDS_PERSON)
    names = []
    for line in waiting.select_related("order", "listing"):
        confirm_line(line_id=line.pk, user=user, now=now)
        names.append(f"{line.order.number} {line.listing.name}")
    return f"{user.name} confirms {len(names)} lines: {', '.join(names)}"


def _tick_export(row: dict[str, str], now: datetime) -> str:
    user = person(row["who"])
    tick_export(order_number=row["subject"], kind=row["value"], user=user, now=now)
    return f"{user.name} ticks the {row['value']} of order {row['subject']}"


def _share_out(row: dict[str, str], now: datetime) -> str:
    run = share_out(week=week_named(name=row["subject"]), now=now, user=person(row["who"]))
    short = run.lines.filter(is_short=True)
    listings = set(short.values_list("line__listing__name", flat=True))
    return f"shared out {row['subject']}: {len(listings)} short listings, {short.count()} lines"


def _ink(row: dict[str, str], now: datetime) -> str:
    inked = ink_promises(week=week_named(name=row["subject"]), now=now, user=person(row["who"]))
    return f"{inked} promises of {row['subject']} are inked"


def _week_of(row: dict[str, str]) -> tuple[ShipWeek, date]:
    ship_on = date.fromisoformat(row["subject"])
    return ShipWeek.objects.get(monday=week_monday(ship_on)), ship_on


def _plan(row: dict[str, str], now: datetime) -> str:
    week, ship_on = _week_of(row)
    plans = plan_week(
        week=week,
        now=now,
        user=person(row["who"]),
        ship_on=ship_on,
        stage=row["value"],
        is_final=row["value"].endswith("05:30"),
    )
    verdicts = [plan.verdict for plan in plans]
    counted = ", ".join(
        f"{verdicts.count(word)} {word}" for word in ("clear", "care", "stop") if word in verdicts
    )
    return f"{row['value']}: {len(plans)} pack plans for {ship_on:%a %-d %b}, {counted}"


def _draw(row: dict[str, str], now: datetime) -> str:
    week, ship_on = _week_of(row)
    sheets = draw_sheets(week=week, ship_on=ship_on, now=now, user=person(row["who"]))
    pieces = sum(sheet.checksum_pieces for sheet in sheets)
    return f"{len(sheets)} pick sheets for {ship_on:%a %-d %b}, {pieces} pieces"


def _key_in(row: dict[str, str], now: datetime) -> str:
    _, ship_on = _week_of(row)
    sheets = PickSheet.objects.filter(ship_on=ship_on, state__in=["drawn", "printed"])
    for sheet in sheets:
        key_in(stamp=sheet.stamp, rows=[], user=person(row["who"]), now=now)
    return f"{len(sheets)} sheets keyed in"


def _orders_on(row: dict[str, str], *states: str) -> list[Order]:
    _, ship_on = _week_of(row)
    return list(Order.objects.filter(ship_on=ship_on, state__in=states).order_by("number"))


def _tie(row: dict[str, str], now: datetime) -> str:
    count = 0
    for order in _orders_on(row, "in pick"):
        bags = tie_bags(
            order=order, now=now, user=person(row["who"]), has_gloves=True, has_goggles=True
        )
        count += len(bags)
    return f"{count} bags tied"


def _seal(row: dict[str, str], now: datetime) -> str:
    count = 0
    user = person(row["who"])
    for order in _orders_on(row, *IN_PICK_OR_LATER):
        shipment = Shipment.objects.get(order=order)
        for box in put_in_boxes(shipment=shipment, user=user):
            seal_box(
                box=box,
                gross_kg=planned_kg(box),
                has_holes=True,
                has_lid_photo=True,
                user=user,
                now=now,
            )
            count += 1
    return f"{count} boxes filled, weighed and sealed"


def planned_kg(box):  # type: ignore[no-untyped-def]
    """What the scale shows in the demo: the bags, the box and its fill."""
    bags = sum((bag.kind.mass_kg for bag in box.bags.select_related("kind")), Decimal(0))
    return bags + box.kind.tare_kg + Decimal("0.3")


def _hand_over(row: dict[str, str], now: datetime) -> str:
    orders = _orders_on(row, *IN_PICK_OR_LATER)
    for order in orders:
        hand_over(
            shipment=Shipment.objects.get(order=order),
            user=person(row["who"]),
            now=now,
            tracking=f"SW{order.number}",
        )
    return f"{len(orders)} shipments are on the truck"


def _deliver(row: dict[str, str], now: datetime) -> str:
    orders = _orders_on(row, "on the road")
    for order in orders:
        is_depot = Shipment.objects.get(order=order).delivery == "depot"
        mark_delivered(
            shipment=Shipment.objects.get(order=order),
            at=now,
            collected_at=now if is_depot else None,
        )
    return f"{len(orders)} shipments are delivered"


def _report(row: dict[str, str], now: datetime) -> str:
    order = Order.objects.get(number=row["subject"])
    rows, photos = (
        [],
        [Photo(kind="label", listing=None, content=drawn_photo("box label", 0), name="label.jpg")],
    )
    for part in row["value"].split(","):
        count, _, listing = part.strip().partition(" dead ")
        rows.append(Arrived(listing=listing, dead=int(count)))
        photos += [
            Photo(
                kind="bag",
                listing=listing,
                content=drawn_photo(listing, index + 1),
                name=f"bag-{index + 1}.jpg",
            )
            for index in range(int(count))
        ]
    report = file_report(
        order=order, rows=rows, photos=photos, filed_at=now, user=person(row["who"])
    )
    return f"order {order.number} reports {row['value']}: {report.credit.sentence}"


def drawn_photo(words: str, number: int) -> bytes:
    """A drawn stand-in for a photo of a bag: the demo has no camera."""
    picture = Image.new("RGB", (640, 480), (214, 226, 222))
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((180, 60, 460, 440), radius=40, outline=(10, 79, 74), width=6)
    draw.line((180, 250, 460, 250), fill=(10, 79, 74), width=3)
    draw.ellipse((270 + 9 * number, 290, 370 + 9 * number, 390), fill=(125, 102, 84))
    draw.text((200, 90), f"{words} {number or ''}", fill=(23, 33, 31))
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=80)
    return stream.getvalue()


def _wash(row: dict[str, str], now: datetime) -> str:
    user = person(row["who"])
    pieces = int(row["value"])
    heap = PlugLot.objects.filter(state=PlugLot.State.RETURNED, count__gte=pieces).earliest("pk")
    wash_plugs(lot_id=heap.pk, pieces=pieces, user=user, at=now)
    return f"{user.name} washes {pieces} plugs"


ACTS: dict[str, Callable[[dict[str, str], datetime], str | None]] = {
    "confirm lines": _confirm_lines,
    "tick export": _tick_export,
    "share out": _share_out,
    "ink promises": _ink,
    "plan boxes": _plan,
    "draw sheets": _draw,
    "key in sheets": _key_in,
    "tie bags": _tie,
    "seal boxes": _seal,
    "hand over": _hand_over,
    "deliver": _deliver,
    "report arrival": _report,
    "wash plugs": _wash,
    "end": lambda row, now: "the demo's week has run",
}
