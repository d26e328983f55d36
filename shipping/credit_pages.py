"""The page of credits: what waits for whom, what is approved, what stands in the books."""

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now
from inventory.door import staff_only
from inventory.errors import FarmError, Unknown
from inventory.people import User
from orders.calc.weeks import time_text
from shipping import crediting, freight_crediting
from shipping.models import Credit, FreightCredit

SETTLED_SHOWN = 100


class CreditActUnknown(FarmError):
    code = "credit_act_unknown"
    status = 404
    title = "No such thing can be done to a credit"
    message = "{act} is not approve, void or apply. Open the page of credits and choose there."


@login_required
def credits_page(request: HttpRequest) -> HttpResponse:
    """Credits of arrival reports and of freight: drafted first, then approved, then settled."""
    user, now = staff_only(request), farm_now()
    rows = _rows(user, now)
    context = {
        "waiting": [row for row in rows if row["state"] == "drafted"],
        "approved": [row for row in rows if row["state"] == "approved"],
        "settled": [row for row in rows if row["state"] in ("applied", "void")][:SETTLED_SHOWN],
        "may_settle": user.may("approve_credit"),
    }
    return render(request, "shipping/credits.html", context)


def _rows(user: User, now: datetime) -> list[dict[str, Any]]:
    reports = Credit.objects.select_related(
        "report__shipment__order__ship_to__customer", "approved_by"
    )
    freights = FreightCredit.objects.select_related("order__ship_to__customer", "approved_by")
    rows = [_report_row(row, user, now) for row in reports if row.report.shipment.order]
    rows += [_freight_row(row, user, now) for row in freights]
    return sorted(rows, key=lambda row: row["at"], reverse=True)


def _report_row(credit: Credit, user: User, now: datetime) -> dict[str, Any]:
    report = credit.report
    is_open = report.state in ("filed", "looked at")
    return {
        **_row(credit, report.shipment.order, credit.amount + credit.freight),
        "kind": "report",
        "at": report.filed_at,
        "what": "arrival report",
        # A report is agreed or declined where its photos are seen; then its credit is approved.
        "is_report_open": is_open,
        "may_approve": not is_open and crediting.may_approve(credit=credit, user=user, now=now),
        "may_void": False,
    }


def _freight_row(credit: FreightCredit, user: User, now: datetime) -> dict[str, Any]:
    may = crediting.may_approve_amount(amount=credit.amount, user=user, now=now)
    row = _row(credit, credit.order, credit.amount)
    if credit.reason:
        row["sentence"] = f"{row['sentence']}; taken back: {credit.reason}"
    return {
        **row,
        "kind": "freight",
        "at": credit.at,
        "what": "freight of what was carried over",
        "is_report_open": False,
        "may_approve": may,
        "may_void": user.may("approve_credit"),
    }


def _row(credit: Credit | FreightCredit, order: Any, amount: Any) -> dict[str, Any]:
    zone = timezone.get_current_timezone_name()
    at = credit.approved_at
    by = credit.approved_by.name if credit.approved_by else "the rule"
    return {
        "id": credit.pk,
        "number": order.number,
        "ship_to": str(order.ship_to),
        "amount": amount,
        "state": credit.state,
        "sentence": credit.sentence,
        "approved": f"{time_text(at=at, zone=zone)}, {by}" if at else "",
    }


@login_required
@require_POST
def credit_act_page(request: HttpRequest, kind: str, credit_id: int, act: str) -> HttpResponse:
    """Approve a credit, take a drafted freight credit back, or note that one is in the books."""
    user, now = staff_only(request), farm_now()
    if kind == "freight":
        words = _on_freight(request, _of(FreightCredit, credit_id), act, user, now)
    elif kind != "report":
        raise Unknown(kind="kind of credit", name=kind)
    else:
        words = _on_report(_of(Credit, credit_id), act, user, now)
    messages.success(request, words)
    return redirect("credits")


def _of(model: Any, credit_id: int) -> Any:
    credit = model.objects.filter(pk=credit_id).first()
    if credit is None:
        raise Unknown(kind="credit", name=str(credit_id))
    return credit


def _on_freight(
    request: HttpRequest, credit: FreightCredit, act: str, user: User, now: datetime
) -> str:
    if act == "approve":
        freight_crediting.approve_freight_credit(credit=credit, user=user, now=now)
        return (
            f"${credit.amount} of freight for {credit.order.number} is approved; its shop reads it."
        )
    if act == "void":
        reason = request.POST.get("reason", "")
        freight_crediting.void_freight_credit(credit=credit, reason=reason, user=user, now=now)
        return f"The freight credit of {credit.order.number} is taken back; its shop reads why."
    if act == "apply":
        freight_crediting.apply_freight_credit(credit=credit, user=user, now=now)
        return f"The freight credit of {credit.order.number} stands in the books."
    raise CreditActUnknown(act=act)


def _on_report(credit: Credit, act: str, user: User, now: datetime) -> str:
    number = credit.report.shipment.code
    if act == "approve":
        crediting.approve_credit(credit=credit, user=user, now=now)
        return f"The credit of {number} is approved; its shop reads it."
    if act == "apply":
        crediting.apply_credit(credit=credit, user=user, now=now)
        return f"The credit of {number} stands in the books."
    raise CreditActUnknown(act=act)
