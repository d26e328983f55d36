"""Pages about strains that rest with promises on them: the buyer's answer, and who is touched."""

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from inventory.clock import farm_now
from inventory.colour_words import say_colour
from inventory.door import signed_in, staff_only
from orders.calc.weeks import time_text
from orders.models import RestQuestion
from orders.pages import order_for, zone_for
from orders.resting import (
    answer_rest,
    choices_of,
    open_questions,
    questions_of,
    settled_by,
    strains_that_may_rest,
)
from orders.weeks import answer_until, week_line


@login_required
def rest_answer_page(request: HttpRequest, number: str) -> HttpResponse:
    """What a shop is asked about its resting lines, one after the other, and what it answered."""
    user, now = signed_in(request), farm_now()
    order = order_for(user, number)
    if request.method == "POST":
        asked = request.POST.get("question", "")
        waiting = {str(row.pk): row for row in questions_of(order=order)}
        if asked in waiting:
            question = answer_rest(
                question_id=waiting[asked].pk,
                choice=request.POST.get("choice", ""),
                user=user,
                now=now,
            )
            words = _answer_words(question)
            messages.success(request, f"{question.line.listing.title}: {words}.")
        return redirect("rest-answer" if open_questions(order=order) else "order", number)
    zone = zone_for(user, order.ship_to)
    context = {
        "order": order,
        "waiting": [_asked_row(row, now) for row in open_questions(order=order)],
        "settled": [_settled_row(row, zone) for row in questions_of(order=order) if row.settled_at],
        "until_words": time_text(at=answer_until(order=order), zone=zone),
        "week_line": week_line(week=order.week, now=now, zone=zone, ship_on=order.ship_on),
    }
    return render(request, "orders/rest_answer.html", context)


def _asked_row(question: RestQuestion, now: datetime) -> dict[str, Any]:
    choices = choices_of(question=question, now=now)
    return {
        "id": question.pk,
        "title": question.line.listing.title,
        "name": question.line.listing.name,
        "units": question.units,
        "price": question.line.unit_price,
        "reason": question.reason,
        "offered": [(row, _photo_words(row.instead)) for row in choices if not row.why_not],
        "not_offered": [row for row in choices if row.why_not],
    }


def _photo_words(instead: Any) -> str:
    """Which photo shows it, where there is one: a winter look has its own."""
    if instead is None or not instead.listing.photo:
        return ""
    on = instead.listing.photo_on
    return f"photo of {on:%-d %b}" if on else "its own photo"


def _settled_row(question: RestQuestion, zone: str) -> dict[str, Any]:
    assert question.settled_at is not None
    by = settled_by(question=question)
    return {
        "title": question.line.listing.title,
        "units": question.units,
        "words": _answer_words(question),
        "when": f"{time_text(at=question.settled_at, zone=zone)}, {by}",
    }


def _answer_words(question: RestQuestion) -> str:
    if question.new_line is not None:
        new = question.new_line
        return f"{question.units} {new.listing.title} at ${new.unit_price} each instead"
    if question.state == RestQuestion.State.ANSWERED:
        is_waiting = question.choice == RestQuestion.Choice.WAIT
        return "off this order; we write when it is back" if is_waiting else "cancelled"
    if question.state == RestQuestion.State.LAPSED:
        return "cancelled, no answer came in time"
    return question.get_state_display()


@login_required
def rests_page(request: HttpRequest) -> HttpResponse:
    """For the farm: every promise touched by a rest, what its buyer was asked and what came."""
    user = staff_only(request)
    if request.method == "POST":
        word = say_colour(
            strain_key=request.POST.get("strain", ""),
            is_rest=True,
            reason=request.POST.get("reason", ""),
            user=user,
            at=farm_now(),
        )
        does = "waits for a lead's signature" if word.is_waiting else "is signed"
        after = "" if word.is_waiting else " Its buyers are asked within a minute."
        messages.success(request, f"The rest of {word.strain.name} {does}.{after}")
        return redirect("rests")
    zone = timezone.get_current_timezone_name()
    rows = RestQuestion.objects.select_related(
        "line__order__customer", "line__listing", "settled_by", "new_line__listing"
    ).order_by("-asked_at", "line__order__number")
    context = {
        "waiting": [
            {
                "number": row.line.order.number,
                "shop": row.line.order.customer.name,
                "what": f"{row.units} {row.line.listing.title}",
                "reason": row.reason,
                "until": time_text(at=answer_until(order=row.line.order), zone=zone),
            }
            for row in open_questions()
        ],
        "may_propose": user.may("propose_colour"),
        "may_rest": user.may("rest_strain"),
        "could_rest": [
            {
                "key": strain.key,
                "name": strain.name,
                "asked": [row for row in promises if row.state == row.State.INKED],
                "freed": [row for row in promises if row.state == row.State.PENCILLED],
            }
            for strain, promises in strains_that_may_rest()
        ],
        "settled": [
            {
                **_settled_row(row, zone),
                "number": row.line.order.number,
                "shop": row.line.order.customer.name,
            }
            for row in rows.exclude(state=RestQuestion.State.ASKED)[:200]
        ],
    }
    return render(request, "orders/rests.html", context)
