"""HOP 12c losses: closed report windows -> pieces and dead by lane, box, packs, months; by strain.

Call from: config/ticking.py. Safe to run late or twice.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import F, Sum

from inventory.models import Happening
from orders.models import Order, ShipWeek
from shipping.arrivals import OPEN_STATES, report_due
from shipping.calc.losses import months_of
from shipping.crediting import pieces_by_box
from shipping.models import (
    ArrivalReport,
    Bag,
    Credit,
    LaneLoss,
    ReportLine,
    Shipment,
    StrainLoss,
)
from shipping.road_checks import order_of

CLOSED = "shipment.window_closed"
UNSETTLED_CREDITS = (Credit.State.DRAFTED, Credit.State.APPROVED)


def close_windows(*, now: datetime) -> int:
    """Count every delivered shipment whose window has closed, once. Returns how many.

    A shipment nobody reports on arrived alive, and that is known only when the window has closed.
    One with an open report waits until a person has decided it.
    """
    waiting = Shipment.objects.filter(
        state=Shipment.State.DELIVERED, order__state=Order.State.ARRIVED
    )
    closed = 0
    for shipment in waiting.select_related("ship_to", "order", "customer").order_by("pk"):
        due_at = report_due(shipment=shipment)
        if due_at is not None and now > due_at:
            closed += _close(shipment, now)
            _settle(shipment)
    return closed


@transaction.atomic
def _close(shipment: Shipment, now: datetime) -> int:
    Shipment.objects.select_for_update().get(pk=shipment.pk)
    is_known = Happening.objects.filter(kind=CLOSED, facts__shipment=shipment.code).exists()
    if is_known or _has_open_report(shipment):
        return 0
    bags = list(
        shipment.bags.filter(state=Bag.State.GONE).select_related(
            "box", "line__listing__strain_form"
        )
    )
    dead_by_line = _dead_by_line(shipment)
    dead = _dead_by_box(dead_by_line, bags)
    months = months_of(month=order_of(shipment=shipment).ship_on.month)
    for box in shipment.boxes.all():
        pieces = sum(bag.pieces for bag in bags if bag.box_id == box.pk)
        row, _ = LaneLoss.objects.get_or_create(
            ship_to=shipment.ship_to,
            box=box.kind_id,
            packs=box.heat_packs,
            months=months,
            defaults={"pieces": 0, "dead": 0},
        )
        _add(row, pieces, dead.get(box.pk, 0))
    _count_strains(bags, dead_by_line)
    facts = {
        "shipment": shipment.code,
        "order": order_of(shipment=shipment).number,
        "customer": shipment.customer.code,
        "pieces": sum(bag.pieces for bag in bags),
        "dead": sum(dead.values()),
    }
    Happening.objects.create(kind=CLOSED, at=now, facts=facts)
    return 1


def _has_open_report(shipment: Shipment) -> bool:
    return shipment.reports.filter(state__in=OPEN_STATES).exists()


def _dead_by_line(shipment: Shipment) -> dict[int, int]:
    """Dead pieces of each order line; what was declined does not count."""
    told = ReportLine.objects.filter(report__shipment=shipment, dead__gt=0).exclude(
        report__state=ArrivalReport.State.DECLINED
    )
    dead: dict[int, int] = {}
    for row in told:
        dead[row.line_id] = dead.get(row.line_id, 0) + row.dead
    return dead


def _dead_by_box(dead_by_line: Mapping[int, int], bags: Sequence[Bag]) -> dict[int | None, int]:
    """Dead pieces told off to the boxes their line lay in."""
    dead: dict[int | None, int] = {}
    for line_id, number in dead_by_line.items():
        mine = [bag for bag in bags if bag.line_id == line_id]
        for box_id, pieces in pieces_by_box(pieces=number, bags=mine).items():
            dead[box_id] = dead.get(box_id, 0) + pieces
    return dead


def _count_strains(bags: Sequence[Bag], dead_by_line: Mapping[int, int]) -> None:
    """Add what was shipped and what died to each strain; a line is of one strain."""
    strain_of = {bag.line_id: bag.line.listing.strain_form.strain_id for bag in bags if bag.line}
    shipped: dict[int, int] = {}
    dead: dict[int, int] = {}
    for bag in bags:
        if bag.line_id in strain_of:
            strain = strain_of[bag.line_id]
            shipped[strain] = shipped.get(strain, 0) + bag.pieces
    for line_id, number in dead_by_line.items():
        if line_id in strain_of:
            strain = strain_of[line_id]
            dead[strain] = dead.get(strain, 0) + number
    for strain, pieces in shipped.items():
        row, _ = StrainLoss.objects.get_or_create(
            strain_id=strain, defaults={"pieces": 0, "dead": 0}
        )
        _add(row, pieces, dead.get(strain, 0))


def _add(row: LaneLoss | StrainLoss, pieces: int, dead: int) -> None:
    """Two windows that close at once both count: the database adds."""
    type(row).objects.filter(pk=row.pk).update(pieces=F("pieces") + pieces, dead=F("dead") + dead)


@transaction.atomic
def _settle(shipment: Shipment) -> None:
    """An order is settled when its window has closed and no credit of it is still to be applied."""
    is_unsettled = (
        _has_open_report(shipment)
        or Credit.objects.filter(report__shipment=shipment, state__in=UNSETTLED_CREDITS).exists()
    )
    if not is_unsettled:
        number = order_of(shipment=shipment).number
        arrived = Order.objects.filter(number=number, state=Order.State.ARRIVED)
        arrived.update(state=Order.State.SETTLED)


def lost_by_shop(*, weeks: Sequence[ShipWeek]) -> dict[tuple[int, int], int]:
    """Pieces told dead, missing or wrong by (ship-to id, week id); declined reports are left out.

    One statement. A report that is still open counts as told.
    """
    told = ReportLine.objects.filter(line__order__week__in=weeks).exclude(
        report__state=ArrivalReport.State.DECLINED
    )
    rows = told.values("line__order__ship_to", "line__order__week").annotate(
        lost=Sum(F("dead") + F("missing") + F("wrong"))
    )
    return {(row["line__order__ship_to"], row["line__order__week"]): row["lost"] for row in rows}
