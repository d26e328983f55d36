"""Every paper of a ship week, as files in a folder."""

from collections.abc import Callable
from pathlib import Path

from orders.models import Order, ShipWeek
from orders.papers import availability_pdf
from shipping.models import PackPlan, PickSheet, PickTask
from shipping.papers import bag_labels_pdf, box_labels_pdf, pick_sheet_pdf


def print_papers(*, week: ShipWeek, out: Path, say: Callable[[str], None]) -> list[Path]:
    """Write the list, the live pick sheets and the labels of a week as PDF, one document each."""
    written: list[Path] = []

    def write(name: str, pdf: bytes) -> None:
        path = out / f"{name}.pdf"
        path.write_bytes(pdf)
        written.append(path)

    first = week.versions.filter(number=1).first()
    if first is not None:
        write(f"availability-{week.name}", availability_pdf(version=first, tier=1))
        say("the availability list")
    sheets = (
        PickSheet.objects.filter(week=week).exclude(state="stale").order_by("ship_on", "number")
    )
    for sheet in sheets:
        write(f"pick-sheet-{sheet.ship_on}-{sheet.number}", pick_sheet_pdf(sheet=sheet))
    say(f"{len(sheets)} pick sheets")
    drawn = PickTask.objects.exclude(sheet__state="stale").values("promise__line__order")
    orders = Order.objects.filter(
        pk__in=PackPlan.objects.filter(
            order__week=week, void_at__isnull=True, verdict__in=["clear", "care"]
        ).values("order")
    ).filter(pk__in=drawn)
    for order in orders.order_by("number"):
        write(f"bag-labels-{order.number}", bag_labels_pdf(order=order))
        write(f"box-labels-{order.number}", box_labels_pdf(order=order))
    say(f"bag and box labels of {len(orders)} orders")
    return written
