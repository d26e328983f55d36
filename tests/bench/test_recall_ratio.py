"""A recall over three years of bags and moves, against one bare statement over the same rows."""

import time
from datetime import timedelta

import pytest
from django.db import connection

from inventory.clock import farm_now
from inventory.models import Movement
from shipping.models import Bag, Box, Shipment
from shipping.recalling import trace

pytestmark = pytest.mark.bench

# A farm of 250 orders a week fills about this many bags in three years, and moves them.
BAGS, A_SHIPMENT = 60_000, 40


def fill(now):
    """Three years of shipments, each with forty bags from the demo's own trays."""
    pattern = list(Bag.objects.select_related("shipment"))
    shipments = Shipment.objects.bulk_create(
        Shipment(
            code=f"OLD-{n}",
            customer_id=pattern[n % len(pattern)].shipment.customer_id,
            ship_on=(now - timedelta(days=n % 1095)).date(),
            state="delivered",
            handed_over_at=now - timedelta(days=n % 1095),
        )
        for n in range(BAGS // A_SHIPMENT)
    )
    boxes = Box.objects.bulk_create(
        Box(shipment=row, number=1, state="handed over") for row in shipments
    )
    bags, moves = [], []
    template = Movement.objects.first()
    for n in range(BAGS):
        like, shipment = pattern[n % len(pattern)], shipments[n // A_SHIPMENT]
        bags.append(
            Bag(
                code=f"OLD-{n}",
                shipment=shipment,
                listing_id=like.listing_id,
                lot_id=like.lot_id,
                tray_id=like.tray_id,
                system_id=like.system_id,
                kind_id=like.kind_id,
                pieces=1,
                box=boxes[n // A_SHIPMENT],
                is_toxin=like.is_toxin,
                has_gloves=True,
                has_goggles=True,
                state="gone",
                tied_at=shipment.handed_over_at - timedelta(hours=4),
            )
        )
        moves.append(
            Movement(
                at=shipment.handed_over_at,
                lot_id=like.lot_id or template.lot_id,
                from_place_id=template.from_place_id,
                to_place_id=template.to_place_id,
                pieces=1,
                reason="hand over",
            )
        )
    Bag.objects.bulk_create(bags, batch_size=5000)
    Movement.objects.bulk_create(moves, batch_size=5000)


def test_a_recall_over_three_years_costs_little_more_than_reading_its_rows(farm):
    now = farm_now()
    fill(now)
    from_on = (now - timedelta(days=26)).date()

    def raw():
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT b.code, b.pieces, s.code, s.handed_over_at FROM shipping_bag b"
                " JOIN shipping_shipment s ON s.id = b.shipment_id"
            )
            return len(cursor.fetchall())

    begin = time.perf_counter()
    read = raw()
    raw_s = time.perf_counter() - begin
    begin = time.perf_counter()
    found = trace(scope_kind="system", scope="P", from_on=from_on)
    trace_s = time.perf_counter() - begin

    assert read > BAGS
    assert {bag.system for bag in found} >= {"P"}
    print(f"\nrecall of {len(found)} bags among {read}: {trace_s / raw_s:.2f}x reading every bag")
    assert trace_s < 3 * raw_s
