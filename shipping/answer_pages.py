"""The page on which a shop says how its box may travel. Thin: it calls the hop."""

import json
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from inventory.clock import farm_now
from inventory.door import signed_in
from inventory.models import User
from orders.calc.weeks import time_text
from orders.models import Order
from orders.pages import order_for, zone_for
from orders.weeks import answer_until, week_line
from shipping.answering import answer, choices_of
from shipping.models import PackPlan


@login_required
def answer_page(request: HttpRequest, number: str) -> HttpResponse:
    """How an order may travel: the verdict, what was tried, and the shop's choice."""
    user, now = signed_in(request), farm_now()
    order = order_for(user, number)
    if request.method == "POST":
        answer(order=order, choice=request.POST.get("choice", ""), user=user, now=now)
        messages.success(request, f"Your answer on order {number} is taken.")
        return redirect("order", number)
    return render(request, "shipping/answer.html", _context(order, user, now))


def _context(order: Order, user: User, now: datetime) -> dict[str, Any]:
    zone = zone_for(user, order.ship_to)
    plan = PackPlan.objects.filter(order=order, void_at__isnull=True).first()
    until = answer_until(order=order)
    choices = choices_of(order=order)
    return {
        "order": order,
        "plan": plan,
        "options": json.loads(plan.record).get("options", []) if plan else [],
        "offered": [row for row in choices if not row.why_not],
        "not_offered": [row for row in choices if row.why_not],
        "until_words": time_text(at=until, zone=zone),
        "is_late": now > until,
        "may_answer": order.state in ("promised", "in pick", "packed")
        and (user.is_staff_member or now <= until),
        "standing": order.customer.late_risk_choice,
        "week_line": week_line(week=order.week, now=now, zone=zone, ship_on=order.ship_on),
    }
