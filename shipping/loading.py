"""The farm's own CSV -> bag and box kinds, what was shipped before, losses by lane.

Call from: management command `load_farm`, after orders.loading.
"""

from datetime import datetime, time, timedelta

from inventory.csv_reading import Reading, Row
from inventory.loading import load_rows, named
from inventory.models import Listing, Lot, Tray
from orders.models import Customer, ShipTo
from shipping.calc.losses import MONTHS
from shipping.models import Bag, BagKind, Box, BoxKind, LaneLoss, Shipment


def load_shipping(reading: Reading) -> None:
    """Load how it leaves, and what left before this farm kept its records here."""
    load_rows(reading, "bags.csv", "bag use water_ml packed_l mass_kg rule", _bag_kind)
    load_rows(reading, "boxes.csv", "box inner_l_cm inner_w_cm inner_h_cm foam_cm", _box_kind)
    load_rows(
        reading,
        "past_shipments.csv",
        "shipment handed_over_on customer listing pieces tray",
        _past_shipment,
        is_required=False,
    )
    load_rows(reading, "losses.csv", "ship_to box packs pieces dead", _loss, is_required=False)


def _bag_kind(row: Row) -> None:
    BagKind.objects.update_or_create(
        code=row.text("bag", is_required=True, longest=2),
        defaults={
            "use": row.text("use", longest=80),
            "water_ml": row.need_whole("water_ml"),
            "packed_l": row.need_decimal("packed_l"),
            "mass_kg": row.need_decimal("mass_kg"),
            "rule": row.text("rule", longest=200),
        },
    )


def _box_kind(row: Row) -> None:
    BoxKind.objects.update_or_create(
        code=row.text("box", is_required=True, longest=1),
        defaults={
            "inner_l_cm": row.need_decimal("inner_l_cm"),
            "inner_w_cm": row.need_decimal("inner_w_cm"),
            "inner_h_cm": row.need_decimal("inner_h_cm"),
            "foam_cm": row.need_decimal("foam_cm"),
            "tare_kg": row.need_decimal("tare_kg"),
            "max_heat_packs": row.need_whole("max_heat_packs"),
        },
    )


def _past_shipment(row: Row) -> None:
    customers = named(row.reading, Customer.objects.all(), "code")
    listings = named(row.reading, Listing.objects.select_related("strain_form__strain"), "name")
    trays = named(row.reading, Tray.objects.select_related("trough"), "code")
    tray = row.known("tray", trays, "tray")
    listing = row.known("listing", listings, "listing")
    on = row.need_day("handed_over_on", may_lie_ahead=False)
    handed_over_at = datetime.combine(on, time(16, 15), row.reading.zone)
    customer = row.known("customer", customers, "customer")
    shipment, _ = Shipment.objects.get_or_create(
        code=row.text("shipment", is_required=True, longest=16),
        defaults={
            "customer": customer,
            "ship_to": customer.ship_tos.first(),
            "ship_on": on,
            "state": Shipment.State.DELIVERED,
            "handed_over_at": handed_over_at,
            "delivered_at": handed_over_at + timedelta(hours=18),
        },
    )
    box, _ = Box.objects.get_or_create(
        shipment=shipment, number=1, defaults={"state": Box.State.HANDED_OVER}
    )
    lot = Lot.objects.filter(code=row.text("lot")).first()
    is_toxin = listing.strain_form.strain.toxin >= 2
    Bag.objects.get_or_create(
        code=f"{shipment.code}-{tray.code}"[:16],
        defaults={
            "shipment": shipment,
            "listing": listing,
            "lot": lot,
            "tray": tray,
            "system": tray.trough.system,
            "kind_id": listing.strain_form.bag,
            "pieces": row.need_whole("pieces", least=1),
            "box": box,
            "is_toxin": is_toxin,
            "has_gloves": is_toxin,
            "has_goggles": is_toxin,
            "state": Bag.State.GONE,
            "tied_at": handed_over_at - timedelta(hours=5),
        },
    )


def _loss(row: Row) -> None:
    ship_tos = named(row.reading, ShipTo.objects.all(), "code")
    pieces = row.need_whole("pieces", least=1)
    LaneLoss.objects.update_or_create(
        ship_to=row.known("ship_to", ship_tos, "ship-to"),
        box=row.text("box", is_required=True, longest=1),
        packs=row.need_whole("packs"),
        months=row.choice("months", {"": "", **{name: name for name in MONTHS}}),
        defaults={"pieces": pieces, "dead": row.need_whole("dead", most=pieces)},
    )
