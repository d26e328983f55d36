"""What lies in each box of an order, in the words a carrier, an officer and a shop may read.

Call from: shipping/papers.py.

Source: 50 CFR 14.81: outside each container the name and address of shipper and consignee; with it
the scientific name, the number of each species, and whether it is venomous. Boxes of plants alone
need none of this, and have it all the same. Check with the authority before real use.
"""

import json
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory.errors import FarmError
from inventory.models import Site, Strain
from orders.calc.weeks import day_text
from orders.models import Line, Order, ShipTo
from shipping.bagging import HAZARD_FROM_TOXIN, bags_to_tie
from shipping.models import Bag, Box, PackPlan

HARMFUL_STING = 3
PLANT_CLASS = "MANG"


class NoBoxesYet(FarmError):
    code = "no_boxes_yet"
    title = "There are no boxes to label"
    message = "Order {order} has neither boxes nor a pack plan that stands. Plan its boxes first."


@dataclass(frozen=True, slots=True)
class BoxPlan:
    """One box, packed or planned: how many bags of each line it holds."""

    number: int
    size: str
    heat_packs: int
    gel_packs: int
    bags_by_line: dict[int, int]
    limits: dict[str, float]
    # What the scale said, once it is sealed. [kg]
    gross_kg: Decimal | None = None


def hazard_words(*, strain: Strain) -> str:
    """What the hands that open the bag must know; empty where it is harmless."""
    if strain.toxin >= HAZARD_FROM_TOXIN:
        return "PALYTOXIN: gloves and goggles"
    if strain.sting >= HARMFUL_STING:
        return "STINGS: gloves, keep apart"
    return ""


def is_venomous(*, strain: Strain) -> bool:
    """Whether a packing list says so: a toxin or a sting that can harm the person who opens it.

    Every coral has stinging cells; the farm names those that people have come to harm from.
    """
    return bool(strain.toxin >= HAZARD_FROM_TOXIN or strain.sting >= HARMFUL_STING)


def box_labels(*, order: Order) -> list[dict[str, Any]]:
    """What each box label says, box by box. Raises NoBoxesYet."""
    plan = PackPlan.objects.filter(order=order, void_at=None).first()
    boxes = _boxes_of(order, plan)
    if not boxes:
        raise NoBoxesYet(order=order.number)
    lines = {
        line.pk: line
        for line in order.lines.select_related("listing__strain_form__strain__strain_class")
    }
    origins = _origins(order)
    delivery = plan.delivery if plan else ""
    shared = {
        "order": order.number,
        "count": len(boxes),
        "ships": day_text(order.ship_on),
        "delivery_words": delivery_words(delivery=delivery, ship_to=order.ship_to),
        "sender": _sender(),
        "consignee": _consignee(order.ship_to),
        "contact": order.ship_to.contact,
    }
    return [shared | _box_label(order, box, lines, origins) for box in boxes]


def _boxes_of(order: Order, plan: PackPlan | None) -> list[BoxPlan]:
    """The packed boxes where there are any, else those of the plan that stands."""
    record = json.loads(plan.record) if plan else {"boxes": []}
    packed = list(Box.objects.filter(shipment__order=order).order_by("number"))
    if packed:
        limits = [row.get("limits") or record.get("limits", {}) for row in record["boxes"]]
        return [
            BoxPlan(
                number=box.number,
                size=box.kind_id or "",
                heat_packs=box.heat_packs,
                gel_packs=box.gel_packs,
                bags_by_line=_bags_by_line(box),
                limits=limits[box.number - 1] if box.number <= len(limits) else {},
                gross_kg=box.gross_kg,
            )
            for box in packed
        ]
    return [
        BoxPlan(
            number=number,
            size=row["size"],
            heat_packs=row["packs"],
            gel_packs=row.get("gels", 0),
            bags_by_line=dict(row["bag_lines"]),
            limits=row.get("limits") or record.get("limits", {}),
        )
        for number, row in enumerate(record["boxes"], 1)
    ]


def _bags_by_line(box: Box) -> dict[int, int]:
    counts: dict[int, int] = {}
    for line_id in Bag.objects.filter(box=box).values_list("line_id", flat=True):
        counts[line_id] = counts.get(line_id, 0) + 1
    return counts


def _origins(order: Order) -> dict[int, str]:
    """Where each line's pieces were raised, by line: imported lots are named as such."""
    origins: dict[int, set[str]] = {}
    for row in bags_to_tie(order=order):
        origins.setdefault(row.promise.line_id, set()).add(row.task.lot.origin)
    return {line_id: " and ".join(sorted(words)) for line_id, words in origins.items()}


def _box_label(
    order: Order, box: BoxPlan, lines: dict[int, Line], origins: dict[int, str]
) -> dict[str, Any]:
    strains = [lines[line_id].listing.strain_form.strain for line_id in box.bags_by_line]
    plants = [strain.strain_class_id == PLANT_CLASS for strain in strains]
    return {
        "code": f"SH-{order.number}/{box.number}",
        "number": box.number,
        "size": box.size,
        "gross_kg": box.gross_kg,
        "contents": _contents(box, lines, origins),
        "bags": sum(box.bags_by_line.values()),
        "what": "Live plants" if all(plants) else "Live animals" + (" and plants" * any(plants)),
        "is_toxic": any(strain.toxin >= HAZARD_FROM_TOXIN for strain in strains),
        "low_c": box.limits.get("caution_low_c"),
        "high_c": box.limits.get("caution_high_c"),
        "packs_words": packs_words(heat_packs=box.heat_packs, gel_packs=box.gel_packs),
    }


def _contents(
    box: BoxPlan, lines: dict[int, Line], origins: dict[int, str]
) -> list[dict[str, Any]]:
    """One row a species, by scientific name: two strains of one species are one row."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for line_id, bags in box.bags_by_line.items():
        strain_form = lines[line_id].listing.strain_form
        strain = strain_form.strain
        origin = origins.get(line_id, "farm-raised")
        row = rows.setdefault(
            (strain.taxon, origin),
            {"taxon": strain.taxon, "origin": origin, "bags": 0, "pieces": 0, "is_venomous": False},
        )
        row["bags"] += bags
        row["pieces"] += bags * strain_form.form.unit_pieces
        row["is_venomous"] = row["is_venomous"] or is_venomous(strain=strain)
    return [rows[key] for key in sorted(rows)]


def delivery_words(*, delivery: str, ship_to: ShipTo) -> str:
    """How the box reaches the shop, for the carrier's eye."""
    if delivery != "depot":
        return "deliver to the door"
    opens = f" from {ship_to.opens_at:%H:%M}" if ship_to.opens_at else ""
    return f"HOLD AT DEPOT, will be collected{opens}"


def packs_words(*, heat_packs: int, gel_packs: int, is_short: bool = False) -> str:
    """What keeps the box warm or cool, and, unless short, what has to be ticked for it."""
    count, kind = (heat_packs, "heat") if heat_packs else (gel_packs, "cool")
    if not count:
        return "no packs"
    words = f"{count} {kind} pack{'s' if count > 1 else ''}"
    if is_short:
        return words
    return f"{words} on the lid" + (", breathing holes open" if heat_packs else "")


def _sender() -> list[str]:
    site = Site.objects.filter(is_origin=True).first()
    if site is None:
        return ["The farm"]
    return [words for words in (site.name, site.town, site.country) if words]


def _consignee(ship_to: ShipTo) -> list[str]:
    rows = (ship_to.customer.name, ship_to.street, ship_to.place, ship_to.country)
    return [words for words in rows if words]
