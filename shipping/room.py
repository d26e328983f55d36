"""What a basket comes to in boxes: which, how much room is left in them, and freight, about.

Call from: shipping/room_pages.py. Reads only: the real plan is made on Monday against the forecast.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from orders.basket import row_problem
from orders.listing import newest_version
from orders.models import Basket, BasketRow, ListLine, ShipTo
from shipping.bench_numbers import Bench, billable_of, money_of
from shipping.calc.boxes import BagItem, FilledBox, box_sets, room_g, usable_ml
from shipping.models import BagKind

# The bag that most lines travel in: a compact plug.
PLUG_BAG = "P1"


@dataclass(frozen=True, slots=True)
class Room:
    """Boxes of a basket and what still fits. [$, plugs]

    ``next_plug`` is what boxes and freight cost more with one plug beyond those that fit.
    """

    boxes: tuple[str, ...]
    bags: int
    more_plugs: int
    is_full_by_mass: bool
    freight: Decimal
    box_charges: Decimal
    goods: Decimal = Decimal(0)
    next_plug: Decimal = Decimal(0)

    @property
    def landed(self) -> Decimal:
        return self.goods + self.freight + self.box_charges

    @property
    def sentence(self) -> str:
        if not self.boxes:
            return "Nothing is in the basket yet."
        what = " + ".join(self.boxes)
        if not self.more_plugs:
            why = "its mass" if self.is_full_by_mass else "its volume"
            return f"{self.bags} bags fill {what}: the next plug needs a larger box, for {why}."
        plural = "plug" if self.more_plugs == 1 else "plugs"
        boxes = "this box" if len(self.boxes) == 1 else "these boxes"
        return f"Room for {self.more_plugs} more {plural} in {boxes} ({what}) at no more freight."


def room_of(*, basket: Basket, on: date) -> Room:
    """The cheapest boxes that carry a basket as asked, whatever the weather will want."""
    bench = Bench.read(on=on).for_lane(basket.ship_to)
    rows = basket.rows.select_related("listing__strain_form__strain", "listing__strain_form__form")
    bags = _bags(rows, bench)
    best = _cheapest(bags, basket.ship_to, bench)
    if best is None or not bags:
        return Room((), len(bags), 0, False, Decimal(0), Decimal(0))
    price, filled = best
    plugs, is_mass = _more_plugs(filled, bench)
    more = [_plug(bench)] * (plugs + 1)
    beyond = _cheapest([*bags, *more], basket.ship_to, bench)
    road, charges = money_of(basket.ship_to, filled, 0, 0, bench)
    return Room(
        boxes=tuple(box.size.code for box in filled),
        bags=len(bags),
        more_plugs=plugs,
        is_full_by_mass=is_mass,
        freight=road,
        box_charges=charges,
        goods=_goods(basket, rows, on),
        next_plug=beyond[0] - price if beyond else Decimal(0),
    )


def _cheapest(
    bags: Sequence[BagItem], ship_to: ShipTo, bench: Bench
) -> tuple[Decimal, list[FilledBox]] | None:
    """The boxes that carry those bags for the least money; None where none can."""
    best: tuple[Decimal, list[FilledBox]] | None = None
    for filled in box_sets(sizes=bench.sizes, bags=bags, limits=bench.box_limits):
        price = sum(money_of(ship_to, filled, 0, 0, bench), Decimal(0))
        if best is None or price < best[0]:
            best = (price, filled)
    return best


def _goods(basket: Basket, rows: Iterable[BasketRow], on: date) -> Decimal:
    """The readable rows that the newest list offers, at the shop's prices."""
    version = newest_version(week=basket.week)
    tier = basket.ship_to.customer.tier_on(on)
    offered = version.lines.filter(status=ListLine.Status.OFFERED) if version else ()
    prices = {line.listing_id: line.price(tier) for line in offered}
    read = [(row_problem(row), prices.get(row.listing_id, Decimal(0))) for row in rows]
    return sum((price * (row.value or 0) for row, price in read if not row.is_bad), Decimal(0))


def _plug(bench: Bench) -> BagItem:
    return _item(bench.bag_kinds[PLUG_BAG], 0, "SPS")


def _bags(rows: Iterable[BasketRow], bench: Bench) -> list[BagItem]:
    bags: list[BagItem] = []
    for number, row in enumerate(rows, 1):
        read = row_problem(row)
        if read.is_bad or read.value is None:
            continue
        strain_form = row.listing.strain_form
        kind = bench.bag_kinds[strain_form.bag]
        item = _item(kind, number, strain_form.strain.strain_class_id)
        bags += [item] * read.value
    return bags


def _item(kind: BagKind, line: int, strain_class: str) -> BagItem:
    return BagItem(
        line=line,
        kind=kind.code,
        strain_class=strain_class,
        water_ml=kind.water_ml,
        packed_ml=round(kind.packed_l * 1000),
        mass_g=round(kind.mass_kg * 1000),
    )


def _more_plugs(boxes: Sequence[FilledBox], bench: Bench) -> tuple[int, bool]:
    """Plugs that still fit by volume and by mass, and whether mass is what stops them.

    Freight goes by the box's size up to a weight: a plug that makes it heavier than that is not
    counted, since it would cost more.
    """
    plug = _plug(bench)
    plugs, stopped_by_mass = 0, False
    for box in boxes:
        free_ml = usable_ml(size=box.size, limits=bench.box_limits)
        free_ml -= sum(bag.packed_ml for bag in box.bags)
        free_g = room_g(size=box.size, limits=bench.box_limits)
        free_g -= sum(bag.mass_g for bag in box.bags)
        billed = billable_of(box, bench)
        fits = 0
        while free_ml >= plug.packed_ml and free_g >= plug.mass_g:
            heavier = FilledBox(box.size, (*box.bags, *[plug] * (fits + 1)))
            if billable_of(heavier, bench) > billed:
                stopped_by_mass = True
                break
            fits += 1
            free_ml -= plug.packed_ml
            free_g -= plug.mass_g
        stopped_by_mass = stopped_by_mass or free_g < plug.mass_g <= free_ml
        plugs += fits
    return plugs, stopped_by_mass
