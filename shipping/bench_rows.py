"""What the packer reads at the bench of one order: bags, boxes beside their plan, what may not go.

Call from: shipping/bench_pages.py.
"""

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db.models import F
from django.utils import timezone

from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text
from orders.models import Order, Promise
from shipping.bagging import bag_marks, bags_now, bags_to_tie
from shipping.bench_notices import bench_notices
from shipping.models import Bag, Box, PackPlan, Refill, Shipment
from shipping.picked import ON_THE_BENCH, held_bags, tasks_of
from shipping.plan_records import HEAT_CAUTION, OXYGEN_CAUTION
from shipping.road_checks import box_differences

# Which clock marks a packer has to act on; before them the hours alone say enough.
CLOCK_WORDS = {"warn": "send it first", "stop": "too long tied: open it"}


def bench_rows(*, order: Order, shipment: Shipment, now: datetime) -> dict[str, Any]:
    """Everything of the bench page that depends on the order's bags, boxes and plan."""
    # A bag is no longer tied once the shop has it.
    until = shipment.delivered_at or now
    book = SettingBook.read(on=timezone.localdate(until))
    bags = list(
        shipment.bags.filled()
        .select_related("listing__strain_form__strain", "tray__trough", "box", "kind")
        .order_by("code")
    )
    plan = PackPlan.objects.select_related("order").filter(order=order, void_at=None).first()
    boxes = _boxes(shipment, plan, bags)
    tied = {bag.code for bag in shipment.bags.all()}
    to_tie = [row for row in bags_now(order=order) if row.code not in tied]
    return {
        "plan": plan,
        "to_tie": len(to_tie),
        "is_tying_toxic": any(row.is_toxin for row in to_tie),
        "first_to_tie": to_tie[0].code if to_tie else "",
        "last_to_tie": to_tie[-1].code if to_tie else "",
        "not_picked": _not_picked(order),
        "second_picks": _second_picks(order),
        "lacks": _lacks(order),
        "bags": _bag_rows(bags, until, book),
        "is_toxic_tied": any(bag.is_toxin for bag in bags),
        "loose": sum(bag.state == Bag.State.TIED for bag in bags),
        "opened": [bag.code for bag in bags if bag.state == Bag.State.OPENED],
        "boxes": boxes,
        "may_fill": bool(bags) and plan is not None and not any(box["is_closed"] for box in boxes),
        "is_as_planned": bool(boxes) and not any(box["differences"] for box in boxes),
        "is_all_sealed": bool(boxes) and all(box["is_closed"] for box in boxes),
        "held": _held(order),
        **bench_notices(order=order, shipment=shipment, now=now, book=book),
        "oxygen_caution": OXYGEN_CAUTION,
        "heat_caution": HEAT_CAUTION,
        "most_kg": book.decimal("handling_limit_kg"),
    }


def on_bench(order: Order) -> list[dict[str, Any]]:
    """Picked promises of which nothing is in a bag yet, with the trays they came from."""
    rows = Promise.objects.filter(line__order=order, state=Promise.State.PULLED, pieces_out__gt=0)
    in_bags = Bag.objects.filled().filter(shipment__order=order)
    rows = rows.exclude(line__in=in_bags.values("line"))
    return [
        {
            "id": promise.pk,
            "title": promise.line.listing.title,
            "pieces": promise.pieces_out,
            "trays": ", ".join(
                f"{task.picked_pieces} to {task.tray.code}"
                for task in tasks_of(promise)
                if task.picked_pieces
            ),
        }
        for promise in rows.select_related("line__listing__strain_form__strain").order_by("pk")
    ]


def _not_picked(order: Order) -> int:
    """Bags whose pieces no sheet has brought to the bench yet."""
    return sum(row.task.picked_pieces is None for row in bags_to_tie(order=order))


def _second_picks(order: Order) -> list[dict[str, Any]]:
    rows = Refill.objects.filter(promise__line__order=order, ended_at=None).select_related(
        "tray", "promise__line__listing"
    )
    return [
        {
            "pieces": row.pieces,
            "listing": row.promise.line.listing.title if row.promise else "",
            "tray": row.tray.code,
            "stamp": row.tasks.filter(sheet__state__in=["drawn", "printed"])
            .values_list("sheet__stamp", flat=True)
            .first(),
        }
        for row in rows
    ]


def _lacks(order: Order) -> list[dict[str, Any]]:
    """What was picked for the order and is not there any more, or was not found. [pieces]"""
    promises = Promise.objects.filter(
        line__order=order, state__in=ON_THE_BENCH, pieces_out__lt=F("pieces")
    )
    out = Refill.objects.filter(promise__line__order=order, ended_at=None)
    rows = promises.exclude(pk__in=out.values("promise")).select_related("line__listing")
    return [
        {"title": row.line.listing.title, "pieces": row.pieces - row.pieces_out}
        for row in rows.order_by("line__position")
    ]


def _held(order: Order) -> dict[str, Any] | None:
    """The bags that may not go, with what has to be done first; None where all may."""
    rows = held_bags(orders=[order])
    if not rows:
        return None
    zone = timezone.get_current_timezone_name()
    holds = {hold.pk: hold for _, hold in rows}
    closed = {bag.box.pk: bag.box for bag, _ in rows if bag.box and bag.box.state != Box.State.OPEN}
    return {
        "count": len(rows),
        "trays": ", ".join(sorted({bag.tray.code for bag, _ in rows})),
        "holds": [
            f"{hold.code} on {hold.scope}: {hold.reason}, {hold.get_grade_display()} since "
            f"{time_text(at=hold.raised_at, zone=zone)}"
            for hold in holds.values()
        ],
        "closed": [{"id": box.pk, "number": box.number} for box in closed.values()],
        "is_toxic": any(bag.is_toxin for bag, _ in rows),
        "bags": [
            {
                "code": bag.code,
                "title": bag.listing.title,
                "tray": bag.tray.code,
                "box": bag.box.number if bag.box else "",
                "pieces": bag.pieces,
            }
            for bag, _ in rows
        ],
    }


def _bag_rows(bags: Sequence[Bag], now: datetime, book: SettingBook) -> list[dict[str, Any]]:
    """Bags that say the same of themselves on one row, with their numbers. [count]"""
    alike: dict[tuple[Any, ...], list[Bag]] = {}
    for bag in bags:
        said = _said(bag, now, book)
        alike.setdefault(tuple(said.items()), []).append(bag)
    return [
        dict(said)
        | {"codes": _runs([bag.code.partition("-")[2] for bag in rows]), "count": len(rows)}
        for said, rows in alike.items()
    ]


def _said(bag: Bag, now: datetime, book: SettingBook) -> dict[str, Any]:
    marks = bag_marks(bag=bag, now=now, book=book)
    return {
        "title": bag.listing.title,
        "kind": bag.kind_id,
        "is_toxic": bag.is_toxin,
        "tray": bag.tray.code,
        "box": bag.box.number if bag.box else "",
        "age": f"{max(0.0, marks.age_h):.1f}",
        "clock": CLOCK_WORDS.get(marks.state, ""),
        "state": bag.get_state_display(),
    }


def _boxes(shipment: Shipment, plan: PackPlan | None, bags: Sequence[Bag]) -> list[dict[str, Any]]:
    planned = json.loads(plan.record)["boxes"] if plan else []
    boxes = shipment.boxes.select_related("kind")
    rows = []
    for box in boxes:
        inside = [bag for bag in bags if bag.box_id == box.pk]
        wanted = planned[box.number - 1] if box.number <= len(planned) else {}
        rows.append(_box_row(box, inside, wanted, plan))
    return rows


def _box_row(
    box: Box, inside: Sequence[Bag], wanted: dict[str, Any], plan: PackPlan | None
) -> dict[str, Any]:
    is_here = box.state != Box.State.HANDED_OVER
    differences = box_differences(box=box, bags=inside, plan=plan) if plan and is_here else []
    return {
        "id": box.pk,
        "number": box.number,
        "size": box.kind_id,
        "bags": len(inside),
        "packs": box.heat_packs,
        "gels": box.gel_packs,
        "state": box.get_state_display(),
        "is_open": box.state == Box.State.OPEN,
        "is_sealed": box.state == Box.State.SEALED,
        "is_closed": box.state != Box.State.OPEN,
        "gross_kg": box.gross_kg,
        "planned_kg": wanted.get("gross_kg"),
        "contents": _contents(wanted.get("contents", []), inside),
        "differences": differences,
        "seal": box.seal,
    }


def _contents(planned: Sequence[dict[str, Any]], inside: Sequence[Bag]) -> list[dict[str, Any]]:
    """What lies in a box, bottom first, with the numbers of its bags."""
    codes: dict[str, list[str]] = {}
    for bag in inside:
        codes.setdefault(bag.listing.name, []).append(bag.code.partition("-")[2])
    return [row | {"codes": _runs(codes.get(row["listing"], []))} for row in planned]


def _runs(codes: Sequence[str]) -> str:
    """Bag numbers with those in a row drawn together: 001 to 008, 011."""
    runs: list[list[str]] = []
    for code in sorted(codes):
        follows = runs and code.isdigit() and runs[-1][-1].isdigit()
        if follows and int(code) == int(runs[-1][-1]) + 1:
            runs[-1].append(code)
        else:
            runs.append([code])
    return ", ".join(run[0] if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)
