"""The whole record of a ship week from the database, for the owner, the auditor and a replay.

The shape is described in DEVELOPERS.md and held by tests/project/test_week_record.py.
"""

import json
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.utils import timezone

from inventory.models import Listing, StrainForm
from inventory.setting_book import SettingBook
from inventory.standing import read_stock
from inventory.supply import supply_of_all
from orders import sharing
from orders.listing import DraftLine, draft_list, term_record
from orders.models import FeedEvent, ListLine, ShareRun, ShipWeek
from shipping.models import Credit, FreightCredit, PackPlan, PickSheet, PickTask
from shipping.picking import pulled_since_count


def week_record(*, week: ShipWeek, now: datetime) -> dict[str, Any]:
    """Everything that was promised, shared, picked, planned, credited and told of a week."""
    return {
        "week": week.name,
        "can_promise": _can_promise(week, now),
        "lines": _lines(week),
        "shares": _shares(week, now),
        "picks": _picks(week),
        "plans": _plans(week),
        "credits": _credits(week),
        "events": _events(),
    }


def _can_promise(week: ShipWeek, now: datetime) -> dict[str, Any]:
    record: dict[str, Any] = {
        name: {"total": 0, "terms": []}
        for name in Listing.objects.order_by("name").values_list("name", flat=True)
    }
    idle = StrainForm.objects.filter(strain__is_making=False, reference_days__isnull=False)
    for strain_form in idle.select_related("strain", "form"):
        record[str(strain_form)] = {"total": 0, "terms": []}
    first = week.versions.filter(number=1).first()
    if first is not None:
        for line in first.lines.select_related("listing"):
            record[line.listing.name] = {"total": line.total, "terms": _frozen_terms(line)}
    else:
        gross = _gross_units(week, now)
        for row in draft_list(week=week, now=now, is_on_sale=False):
            record[row.listing.name] = _live(row, gross[row.listing.strain_form_id])
    return dict(sorted(record.items()))


def _frozen_terms(line: ListLine) -> list[dict[str, Any]]:
    terms: list[dict[str, Any]] = json.loads(line.terms)
    return terms


def _gross_units(week: ShipWeek, now: datetime) -> dict[int, int]:
    """What the counts alone give: nothing promised subtracted, what was picked since put back."""
    on = timezone.localdate(now)
    stocks = read_stock()
    for stock in stocks:
        pulled = pulled_since_count(stock)
        stock.trays = [
            replace(row, pieces=row.pieces + pulled.get(row.tray_id, 0)) for row in stock.trays
        ]
    supplies = supply_of_all(
        stocks=stocks,
        monday=week.monday,
        first_ship_on=week.first_ship_on,
        is_on_sale=False,
        on=on,
        book=SettingBook.read(on=on),
    )
    return {strain_form_id: supply.units for strain_form_id, supply in supplies.items()}


def _live(row: DraftLine, gross: int) -> dict[str, Any]:
    terms = [term_record(term) for term in row.terms]
    is_stopped = row.stop == "colour"
    return {"total": row.total, "gross": 0 if is_stopped else gross, "terms": terms}


def _lines(week: ShipWeek) -> list[dict[str, Any]]:
    lines = ListLine.objects.filter(version__week=week).select_related("version", "listing")
    return [
        {
            "version": line.version.number,
            "listing": line.listing.name,
            "status": line.status,
            "reason": line.reason,
            "price": str(line.price_tier_1),
            "can_promise": line.can_promise,
            "note": line.note,
            "change": line.change,
        }
        for line in lines.order_by("version__number", "position")
    ]


def _shares(week: ShipWeek, now: datetime) -> dict[str, Any]:
    run = ShareRun.objects.filter(week=week, is_signed=True).order_by("-id").first()
    record: dict[str, Any] = {}
    if run is not None:
        lines = run.lines.select_related("line__listing__strain_form__form", "line__order")
        for row in lines.order_by("line__listing__name", "line__order__number"):
            listing = record.setdefault(
                row.line.listing.name,
                {"rule": row.rule, "available": row.available, "orders": {}},
            )
            listing["orders"][row.line.order.number] = _share(row)
    elif week.published_at is not None:
        for shared in sharing.preview(week=week, now=now):
            record[shared.listing.name] = {
                "rule": shared.rule,
                "available": shared.available,
                "orders": {line.order_number: _share(line) for line in shared.lines},
            }
    return record


def _share(row: Any) -> dict[str, Any]:
    return {
        "asked": row.asked,
        "promised": row.promised,
        "sentence": row.sentence,
        "first_come": row.first_come,
        "equal": row.equal,
        "proportional": row.proportional,
    }


def _picks(week: ShipWeek) -> list[dict[str, Any]]:
    tasks = PickTask.objects.filter(sheet__week=week).exclude(sheet__state=PickSheet.State.STALE)
    rows = tasks.select_related("sheet", "tray", "promise__line__order", "promise__line__listing")
    return [
        {
            "day": task.sheet.ship_on.isoformat(),
            "sheet": task.sheet.number,
            "system": task.tray.code[0],
            "stop": task.stop,
            "tray": task.tray.code,
            "order": task.promise.line.order.number,
            "listing": task.promise.line.listing.name,
            "pieces": task.pieces,
            "leave": task.leave_pieces,
            "picked": task.picked_pieces,
        }
        for task in rows.order_by(
            "sheet__ship_on", "sheet__number", "stop", "promise__line__order__number"
        )
    ]


def _plans(week: ShipWeek) -> dict[str, Any]:
    plans = PackPlan.objects.filter(order__week=week, void_at__isnull=True)
    return {
        plan.order.number: plan_record(plan)
        for plan in plans.select_related("order").order_by("order__number")
    }


def plan_record(plan: PackPlan) -> dict[str, Any]:
    """One live pack plan: delivery, verdict, money and each box."""
    kept = json.loads(plan.record)
    return {
        "delivery": plan.delivery,
        "verdict": plan.verdict,
        "sentence": plan.sentence,
        "thumb_rule": plan.thumb_rule,
        "thumb_rule_differs": plan.is_thumb_different,
        "ship_on": plan.ship_on.isoformat(),
        "goods": str(plan.goods),
        "freight": str(plan.freight),
        "boxes_and_packs": str(plan.boxes_and_packs),
        "total": str(plan.total),
        "boxes": kept["boxes"],
    }


def _credits(week: ShipWeek) -> list[dict[str, Any]]:
    credits = Credit.objects.filter(report__shipment__order__week=week)
    return [
        {
            "order": credit.report.shipment.order.number,
            "amount": str(credit.amount),
            "freight": str(credit.freight),
            "state": credit.state,
            "sentence": credit.sentence,
        }
        for credit in credits.select_related("report__shipment__order").order_by("id")
        if credit.report.shipment.order is not None
    ] + [
        {
            "order": credit.order.number,
            "amount": "0.00",
            "freight": str(credit.amount),
            "state": credit.state,
            "sentence": credit.sentence,
        }
        for credit in FreightCredit.objects.filter(order__week=week)
        .select_related("order")
        .order_by("id")
    ]


def _events() -> list[dict[str, Any]]:
    """The whole feed of every client so far: an event belongs to a day, not to a week."""
    events = FeedEvent.objects.select_related("client").order_by("client__code", "sequence")
    return [_event(event) for event in events]


def _event(event: FeedEvent) -> dict[str, Any]:
    body = json.loads(event.body)
    return {
        "client": event.client.code,
        "sequence": event.sequence,
        "type": event.kind,
        "listing": event.listing,
        "order": body.get("order", ""),
        "at": timezone.localtime(event.at).isoformat(timespec="seconds"),
        "reason": body.get("reason", ""),
    }
