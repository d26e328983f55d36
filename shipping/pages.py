"""Pages of the picking and packing side. Thin callers of the hops."""

import json
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now
from inventory.door import signed_in, staff_only
from inventory.errors import FarmError, Unknown
from inventory.models import User
from orders.calc.weeks import time_text, zoned_text
from orders.models import Order, ShipWeek
from orders.pages import order_for
from orders.weeks import week_line, week_named
from shipping import arrivals, clearing, papers
from shipping.contents import packs_words
from shipping.keying import Keyed, key_in
from shipping.lessons import rules_in_force
from shipping.models import ArrivalReport, PackPlan, PickSheet, Shipment
from shipping.picked import held_counts
from shipping.picking import draw_sheets
from shipping.pictures import heat_picture
from shipping.shortfalls import accept_remedy


class KeyedUnreadable(FarmError):
    code = "keyed_unreadable"
    status = 422
    title = "A number cannot be read"
    message = "Nothing was keyed in: {first}. Type whole numbers only."


def _pdf(pdf: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(pdf, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer


def _line_for(week: ShipWeek) -> Any:
    zone = timezone.get_current_timezone_name()
    return week_line(week=week, now=farm_now(), zone=zone)


@login_required
def sheets_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """The pick sheets of a week, day by day, with their stamps: the board to compare with."""
    user = staff_only(request)
    week = week_named(name=week_name)
    if request.method == "POST":
        for day in week.ship_days:
            if not PickSheet.objects.filter(ship_on=day, state="keyed in").exists():
                draw_sheets(week=week, ship_on=day, now=farm_now(), user=user)
        messages.success(request, "The sheets are drawn. Sheets that say the same stand.")
        return redirect("sheets", week_name)
    sheets = PickSheet.objects.filter(week=week).select_related("system")
    context = {
        "week": week,
        "days": [
            {
                "words": f"{day:%A %-d %B}",
                "rows": [_sheet_row(row) for row in sheets if row.ship_on == day],
            }
            for day in week.ship_days
        ],
        "may_draw": user.may("draw_sheets") and week.inked_at is not None,
        "week_line": _line_for(week),
    }
    return render(request, "shipping/sheets.html", context)


def _sheet_row(sheet: PickSheet) -> dict[str, Any]:
    return {
        "number": sheet.number,
        "stamp": sheet.stamp,
        "system": f"{sheet.system.code} {sheet.system.name}",
        "is_toxin": sheet.is_toxin,
        "pieces": sheet.checksum_pieces,
        "walk": f"{sheet.walk_m:.0f} m, about {sheet.walk_min:.0f} min",
        "state": sheet.get_state_display(),
        "slug": sheet.state.replace(" ", "-"),
        "reason": sheet.stale_reason,
    }


def _sheet(stamp: str) -> PickSheet:
    sheet = PickSheet.objects.select_related("system", "week").filter(stamp=stamp.upper()).first()
    if sheet is None:
        raise Unknown(kind="sheet with stamp", name=stamp)
    return sheet


@login_required
def sheet_page(request: HttpRequest, stamp: str) -> HttpResponse:
    """One sheet: what to take from which tray, and the boxes to key in what the pencil wrote."""
    user = staff_only(request)
    sheet = _sheet(stamp)
    tasks = list(
        sheet.tasks.select_related(
            "tray",
            "promise__line__order__ship_to__customer",
            "promise__line__listing__strain_form__strain",
        )
    )
    if request.method == "POST":
        key_in(stamp=sheet.stamp, rows=_keyed(request, tasks), user=user, now=farm_now())
        messages.success(request, f"Sheet {sheet.number} is keyed in.")
        return redirect("sheet", sheet.stamp)
    context = {
        "sheet": sheet,
        "row": _sheet_row(sheet),
        "day_words": f"{sheet.ship_on:%a %-d %b}",
        "stops": _stops(tasks),
        "may_key": user.may("pick") and sheet.state in ("drawn", "printed"),
        "newer": PickSheet.objects.filter(replaces=sheet).first(),
    }
    return render(request, "shipping/sheet.html", context)


def _stops(tasks: list[Any]) -> list[dict[str, Any]]:
    stops: dict[int, dict[str, Any]] = {}
    for task in tasks:
        strain = task.promise.line.listing.strain_form.strain
        stop = stops.setdefault(
            task.stop,
            {
                "tray": task.tray.code,
                "title": task.promise.line.listing.title,
                "key": strain.key,
                "leave": task.leave_pieces,
                "pieces": 0,
                "rows": [],
            },
        )
        stop["pieces"] += task.pieces
        stop["rows"].append(
            {
                "id": task.pk,
                "order": task.promise.line.order.number,
                "shop": task.promise.line.order.ship_to.customer.name
                + (", second pick" if task.refill_id else ""),
                "pieces": task.pieces,
                "picked": task.picked_pieces,
                "short_reason": task.short_reason,
            }
        )
    return [stops[key] for key in sorted(stops)]


def _keyed(request: HttpRequest, tasks: list[Any]) -> list[Keyed]:
    rows, problems = [], []
    for index, task in enumerate(tasks, 1):
        picked = request.POST.get(f"picked:{task.pk}", "").strip() or str(task.pieces)
        found = request.POST.get(f"found:{task.pk}", "").strip() or "0"
        if not all(text.isascii() and text.isdigit() for text in (picked, found)):
            detail = f"{task.tray.code}: {picked!r} or {found!r} is not a whole number"
            problems.append({"row": index, "listing": task.tray.code, "detail": detail})
            continue
        reason = request.POST.get(f"why:{task.pk}", "").strip()
        if int(picked) < task.pieces and not reason:
            reason = "not there"
        rows.append(Keyed(task.pk, int(picked), reason, int(found)))
    if problems:
        raise KeyedUnreadable(first=problems[0]["detail"], rows=problems)
    return rows


@login_required
def sheet_pdf(request: HttpRequest, stamp: str) -> HttpResponse:
    """One sheet on paper. Printing it marks it printed."""
    staff_only(request)
    sheet = _sheet(stamp)
    PickSheet.objects.filter(pk=sheet.pk, state="drawn").update(state="printed")
    return _pdf(papers.pick_sheet_pdf(sheet=sheet), f"pick-sheet-{sheet.stamp}")


@login_required
def packing_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """Every order of a week with its boxes and verdict, worst first."""
    user = staff_only(request)
    week = week_named(name=week_name)
    if request.method == "POST":
        made = clearing.plan_week(week=week, now=farm_now(), user=user)
        messages.success(request, f"{len(made)} pack plans are made.")
        return redirect("packing", week_name)
    plans = PackPlan.objects.filter(order__week=week, void_at__isnull=True)
    order = {"stop": 0, "care": 1, "clear": 2}
    rows = sorted(
        plans.select_related("order__ship_to__customer"),
        key=lambda plan: (order[plan.verdict], plan.order.number),
    )
    held = held_counts(orders=[plan.order for plan in rows])
    context = {
        "week": week,
        "plans": [_plan_row(plan) | {"held": held.get(plan.order.number, 0)} for plan in rows],
        "may_plan": user.may("plan_packs") and week.inked_at is not None,
        "week_line": _line_for(week),
    }
    return render(request, "shipping/packing.html", context)


def _plan_row(plan: PackPlan) -> dict[str, Any]:
    boxes = json.loads(plan.record)["boxes"]
    words = [
        f"{box['size']}: {box['bags']} bags, "
        + packs_words(heat_packs=box["packs"], gel_packs=box.get("gels", 0), is_short=True)
        for box in boxes
    ]
    return {
        "number": plan.order.number,
        "ship_to": str(plan.order.ship_to),
        "ships": f"{plan.ship_on:%a %-d %b}",
        "verdict": plan.verdict,
        "delivery": plan.delivery,
        "boxes": "; ".join(words),
        "low": min((box["base"][0] for box in boxes), default=""),
        "high": max((box["base"][1] for box in boxes), default=""),
        "total": plan.total,
        "sentence": plan.sentence,
        "differs": plan.is_thumb_different,
    }


@login_required
def plan_page(request: HttpRequest, number: str) -> HttpResponse:
    """One order's pack plan: boxes, packs, delivery, the curve of each box, and what was tried."""
    user = staff_only(request)
    order = order_for(user, number)
    plan = PackPlan.objects.filter(order=order, void_at__isnull=True).first()
    if plan is None:
        raise Unknown(kind="pack plan for order", name=number)
    record = json.loads(plan.record)
    forecast = plan.forecast
    context = {
        "order": order,
        "plan": plan,
        "row": _plan_row(plan),
        "boxes": [_box_rows(box, record) for box in record["boxes"]],
        "tried": record.get("tried", []),
        "cautions": record.get("cautions", []),
        "made_words": time_text(at=plan.made_at, zone=timezone.get_current_timezone_name()),
        "forecast": forecast,
        "issued_words": time_text(at=forecast.issued_at, zone=timezone.get_current_timezone_name())
        if forecast
        else "",
        "week_line": week_line(
            week=order.week,
            now=farm_now(),
            zone=timezone.get_current_timezone_name(),
            ship_on=plan.ship_on,
        ),
        "lane_rules": [
            rule
            for rule in rules_in_force(on=plan.ship_on)
            if rule.ship_to_id == order.ship_to_id and rule.starts_on <= plan.ship_on
        ],
        "has_bags": Shipment.objects.filter(order=order).exists(),
    }
    return render(request, "shipping/plan.html", context)


def _box_rows(box: dict[str, Any], record: dict[str, Any]) -> dict[str, Any]:
    return box | {
        "picture": heat_picture(box=box, limits=record.get("limits", {})),
        "rows": box.get("contents", []),
    }


@login_required
def bag_labels_page(request: HttpRequest, number: str) -> HttpResponse:
    order = order_for(staff_only(request), number)
    return _pdf(papers.bag_labels_pdf(order=order), f"bag-labels-{number}")


@login_required
def box_labels_page(request: HttpRequest, number: str) -> HttpResponse:
    order = order_for(staff_only(request), number)
    return _pdf(papers.box_labels_pdf(order=order), f"box-labels-{number}")


@login_required
@require_POST
def remedy_page(request: HttpRequest, shortfall_id: int, index: int) -> HttpResponse:
    """Take one of the remedies proposed for a shortfall."""
    user = staff_only(request)
    row = accept_remedy(shortfall_id=shortfall_id, index=index, user=user, now=farm_now())
    messages.success(request, f"Settled: {row.settled_how}.")
    return redirect("today")


TYPED_KINDS = ("dead", "pale", "missing", "wrong")


@login_required
def arrival_page(request: HttpRequest, number: str) -> HttpResponse:
    """Report what arrived, from a phone with photos; read what was credited."""
    user = signed_in(request)
    order = order_for(user, number)
    shipment = Shipment.objects.filter(order=order).first()
    if shipment is None:
        raise Unknown(kind="shipment of order", name=number)
    error: FarmError | None = None
    if request.method == "POST":
        try:
            messages.success(request, _report_words(_filed(request, order, user)))
            return redirect("arrival", number)
        except FarmError as refused:
            # The form again with what was typed: at the door nobody types it twice.
            error = refused
    due_at = arrivals.report_due(shipment=shipment)
    # The hours for a report run by the shop's clocks, so the office reads them too.
    zone = order.ship_to.time_zone
    context = {
        "order": order,
        "shipment": shipment,
        "rows": _arrival_lines(shipment, request.POST),
        "has_toxic": shipment.bags.filled().filter(is_toxin=True).exists(),
        "error": error,
        "text": request.POST.get("text", ""),
        "due_words": zoned_text(at=due_at, zone=zone) if due_at else "",
        "is_late": due_at is not None and farm_now() > due_at,
        "reports": [
            _report_row(row, user, zone) for row in shipment.reports.select_related("credit")
        ],
        "void_words": shipment.get_first_try_display() if shipment.first_try else "",
        "may_report": shipment.state == Shipment.State.DELIVERED,
    }
    status = error.status if error else 200
    return render(request, "shipping/arrival.html", context, status=status)


def _filed(request: HttpRequest, order: Order, user: User) -> ArrivalReport:
    return arrivals.file_report(
        order=order,
        rows=_arrival_rows(request, order),
        photos=arrivals.photos_of(request.FILES),
        filed_at=farm_now(),
        user=user,
        text=request.POST.get("text", ""),
    )


def _arrival_lines(shipment: Shipment, typed: QueryDict) -> list[dict[str, Any]]:
    """What was sent, line by line in bags, with what was typed of it so far."""
    bags = shipment.bags.filled().order_by("line__position", "code").select_related("listing")
    sent: dict[str, int] = {}
    titles: dict[str, str] = {}
    for bag in bags:
        sent[bag.listing.name] = sent.get(bag.listing.name, 0) + bag.pieces
        titles[bag.listing.name] = bag.listing.title
    return [
        {
            "name": name,
            "title": titles[name],
            "pieces": pieces,
            **{kind: typed.get(f"{kind}:{name}", "") for kind in TYPED_KINDS},
        }
        for name, pieces in sent.items()
    ]


def _arrival_rows(request: HttpRequest, order: Any) -> list[arrivals.Arrived]:
    rows, problems = [], []
    for index, name in enumerate(order.lines.values_list("listing__name", flat=True), 1):
        counts = {}
        for kind in TYPED_KINDS:
            text = request.POST.get(f"{kind}:{name}", "").strip() or "0"
            if not (text.isascii() and text.isdigit()):
                detail = f"{kind}: {text!r} is not a whole number"
                problems.append({"row": index, "listing": name, "detail": detail})
                text = "0"
            counts[kind] = int(text)
        if any(counts.values()):
            rows.append(arrivals.Arrived(listing=name, **counts))
    if problems:
        raise KeyedUnreadable(
            first=f"{problems[0]['listing']}: {problems[0]['detail']}", rows=problems
        )
    return rows


def _report_words(report: Any) -> str:
    credit = getattr(report, "credit", None)
    return credit.sentence if credit else "The report is filed; the office looks at it."


def _report_row(report: Any, user: User, zone: str) -> dict[str, Any]:
    credit = getattr(report, "credit", None)
    return {
        "id": report.pk,
        "may_decide": user.may("approve_credit") and report.state in ("filed", "looked at"),
        "filed": time_text(at=report.filed_at, zone=zone),
        "state": report.get_state_display(),
        "amount": credit.amount + credit.freight if credit else "",
        "credit_state": credit.get_state_display() if credit else "",
        "sentence": credit.sentence if credit else "",
    }
