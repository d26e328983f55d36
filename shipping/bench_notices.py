"""What a packer reads before anything else at a bench: what happened, what went pale, until when.

Call from: shipping/bench_rows.py.
"""

from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone

from inventory.setting_book import SettingBook
from inventory.standing import read_stock
from orders.calc.weeks import USUAL_PATTERN, moment_of, time_text
from orders.models import Order, Promise
from shipping.incidents import DOCTOR, FIRST_STEPS, HERE
from shipping.models import Incident, Shipment
from shipping.picked import ON_THE_BENCH, tasks_of


def bench_notices(
    *, order: Order, shipment: Shipment, now: datetime, book: SettingBook
) -> dict[str, Any]:
    """Incidents, pieces whose strain rests since they were picked, an order of which nothing is
    left, and the hour by which the last lid is on."""
    zone = timezone.get_current_timezone_name()
    incidents = _incidents(shipment, zone)
    truck = moment_of(on=order.ship_on, at=USUAL_PATTERN.hand_over_time, zone=zone)
    seal_by = truck - timedelta(minutes=book.whole("seal_before_truck_min"))
    return {
        "open_incidents": [row for row in incidents if row["is_open"]],
        "ended_incidents": [row for row in incidents if not row["is_open"]],
        "incident_kinds": Incident.Kind.choices,
        "doctor_words": DOCTOR,
        "resting": _resting(order) if shipment.state in HERE else [],
        "is_emptied": _is_emptied(order),
        "seal_by": time_text(at=seal_by, zone=zone),
        "truck_words": f"{truck.astimezone(timezone.get_current_timezone()):%H:%M}",
        "is_late": now > seal_by,
    }


def _incidents(shipment: Shipment, zone: str) -> list[dict[str, Any]]:
    rows = Incident.objects.filter(shipment=shipment).select_related("noted_by", "ended_by")
    return [
        {
            "id": row.pk,
            "name": str(row),
            "is_open": row.ended_at is None,
            "kind": row.get_kind_display(),
            "words": row.words,
            "noted": f"{time_text(at=row.noted_at, zone=zone)} by {row.noted_by.name}",
            "steps": FIRST_STEPS[row.kind],
            "done": row.ended_words,
            "ended": f"{time_text(at=row.ended_at, zone=zone)} by {row.ended_by.name}"
            if row.ended_at and row.ended_by
            else "",
        }
        for row in rows
    ]


def _resting(order: Order) -> list[str]:
    """What lies on the bench in a colour that its strain, or the system it came from, has lost
    since. What was sold in its winter look is as it should be."""
    rows = (
        Promise.objects.filter(line__order=order, state__in=ON_THE_BENCH, pieces_out__gt=0)
        .exclude(strain_form__strain__colour="none")
        .select_related("line__listing__strain_form__strain")
        .order_by("pk")
    )
    promises = [row for row in rows if not row.line.listing.is_winter]
    if not promises:
        return []
    stocks = {
        stock.strain_form_id: stock
        for stock in read_stock(strain_form_ids=[row.strain_form_id for row in promises])
    }
    found = []
    for promise in promises:
        stock = stocks[promise.strain_form_id]
        trays = {task.tray_id for task in tasks_of(promise)}
        if stock.is_resting or any(row.is_pale and row.tray_id in trays for row in stock.trays):
            found.append(promise.line.listing.title)
    return found


def _is_emptied(order: Order) -> bool:
    """Whether the order came to the bench and nothing of it is left to go."""
    promises = Promise.objects.filter(line__order=order)
    return (
        order.state == Order.State.IN_PICK
        and promises.exists()
        and not promises.filter(state__in=Promise.LIVE).exists()
    )
