"""The farm on Tue 1 Dec: sheets keyed in, one order tied, boxed and sealed at the bench."""

from decimal import Decimal

from tests_support import farm_time

from config.ticking import tick
from inventory.clock import move_clock
from inventory.holds import raise_hold
from orders.models import Order, Promise
from shipping.bagging import tie_bags
from shipping.handing_over import hand_over
from shipping.keying import key_in
from shipping.models import Bag, Box, PickSheet, Shipment, Shortfall
from shipping.sealing import open_box, put_in_boxes, seal_box
from shipping.shortfalls import accept_remedy
from shipping.unbagging import Hands, Opened, put_back_bags

AT = farm_time("2026-12-01 09:45")
GLOVED = Hands(has_gloves=True, has_goggles=True)


def order_of(number="4901"):
    return Order.objects.get(number=number)


def promise_of(listing, number="4901"):
    return Promise.objects.get(line__order__number=number, line__listing__name=listing)


def key_all(person):
    """Key in what is out, all found."""
    for sheet in PickSheet.objects.filter(ship_on="2026-12-01", state__in=["drawn", "printed"]):
        key_in(stamp=sheet.stamp, rows=[], user=person("PK1"), now=AT)
    tick(AT)


def tie(person, number="4901"):
    return tie_bags(
        order=order_of(number), now=AT, user=person("PK1"), has_gloves=True, has_goggles=True
    )


def box(person, number="4901"):
    """Fill the boxes as planned and seal them."""
    shipment = Shipment.objects.get(order__number=number)
    for one in put_in_boxes(shipment=shipment, user=person("PK1")):
        seal_box(
            box=one, gross_kg=Decimal("9.5"), has_holes=True, has_lid_photo=True,
            user=person("PK1"), now=AT,
        )  # fmt: skip
    return shipment


def pack_up(person, number="4901"):
    move_clock(to=AT)
    key_all(person)
    tie(person, number)
    return box(person, number)


def hold_tray(person, scope="A5.5", scope_kind="tray"):
    hold = raise_hold(
        scope_kind=scope_kind, scope=scope, reason="egg patch", grade="suspected",
        user=person("PK1"), at=AT,
    )  # fmt: skip
    tick(AT)
    return hold


def unseal(person, number="4901"):
    for one in Box.objects.filter(shipment__order__number=number, state="sealed"):
        open_box(box=one, user=person("PK1"))


def put_back(person, codes, number="4901", dead=0, **fields):
    """Open bags; ``dead`` single pieces of the first are dead, or of each where it is "all"."""
    fields = {"reason": "on hold", "hands": GLOVED} | fields
    first = [1] * len(codes) if dead == "all" else [dead] + [0] * len(codes)
    opened = [Opened(code, count) for code, count in zip(codes, first, strict=False)]
    bags = put_back_bags(
        order=order_of(number), opened=opened, user=person("PK1"), now=AT, **fields
    )
    tick(AT)
    return bags


def codes_of(tray="A5.5", number="4901"):
    bags = Bag.objects.filter(shipment__order__number=number, tray__code=tray)
    return list(bags.values_list("code", flat=True))


def short_of(key="PLT"):
    return Shortfall.objects.get(strain_form__strain__key=key, settled_at__isnull=True)


def take(row, kind, user, words=""):
    index = next(
        at for at, one in enumerate(row.remedies) if one["kind"] == kind and words in one["words"]
    )
    accept_remedy(shortfall_id=row.pk, index=index, user=user, now=AT)
    tick(AT)
    row.refresh_from_db()
    return row


def leave(person, number="4901"):
    shipment = Shipment.objects.get(order__number=number)
    return hand_over(shipment=shipment, user=person("PK1"), now=farm_time("2026-12-01 16:15"))
