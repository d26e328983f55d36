"""HOP 6b export: a named person ticks each thing that a live export needs.

Call from: orders/pages.py, config/scene_acts.py; orders/share_book.py asks what is missing.
Check with the authority before real use: nothing here is legal advice.
"""

from datetime import datetime

from django.db import transaction

from inventory.errors import FarmError, Unknown
from inventory.people import User
from orders.models import ExportTick, Order


class NotAnExport(FarmError):
    code = "not_an_export"
    status = 422
    title = "That order stays in the country"
    message = "Order {order} ships to {place}: no export tick is needed."


@transaction.atomic
def tick_export(*, order_number: str, kind: str, user: User, now: datetime) -> ExportTick:
    """Tick the declaration, the port or the licence of an export order. A second tick changes
    nothing."""
    user.must("confirm_line")
    order = Order.objects.select_related("ship_to").filter(number=order_number).first()
    if order is None:
        raise Unknown(kind="order", name=order_number)
    if kind not in ExportTick.Kind.values:
        raise Unknown(kind="export tick", name=kind)
    if not order.ship_to.is_export:
        raise NotAnExport(order=order.number, place=order.ship_to.place)
    tick, _ = ExportTick.objects.get_or_create(
        order=order, kind=kind, defaults={"user": user, "at": now}
    )
    return tick


def missing_ticks(*, order: Order) -> list[str]:
    """What a live export still lacks, in words; empty for an order that stays in the country."""
    if not order.ship_to.is_export:
        return []
    done = set(order.export_ticks.values_list("kind", flat=True))
    return [words for kind, words in ExportTick.Kind.choices if kind not in done]
