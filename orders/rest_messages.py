"""Letters about strains that rest with promises on them: asked, freed, cancelled, needless.

Call from: config/ticking.py. Each letter is written in the transaction of its cause, once.
"""

from datetime import datetime
from typing import Any

from django.urls import reverse

from inventory.messaging import Action
from inventory.models import Happening, Listing
from orders.calc.weeks import time_text
from orders.models import Order, RestQuestion
from orders.order_messages import week_context, write_to_shop
from orders.resting import choices_of
from orders.weeks import answer_until


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """Write to the people of an order's shop what the rest means for it."""
    if happening.kind not in ("promise.rested", "rest.settled"):
        return
    order = Order.objects.select_related("ship_to", "customer", "week").get(
        number=happening.facts["order"]
    )
    if happening.kind == "promise.rested":
        _write_rested(order, happening, now)
    elif happening.facts["state"] in (RestQuestion.State.LAPSED, RestQuestion.State.VOID):
        # An answer that was given is seen where it was given.
        _write_settled(order, happening, now)


def _write_rested(order: Order, happening: Happening, now: datetime) -> None:
    facts = happening.facts
    title = Listing.objects.get(name=facts["listing"]).title
    zone = order.ship_to.time_zone
    question = RestQuestion.objects.filter(
        line__order=order, line__listing__name=facts["listing"], state=RestQuestion.State.ASKED
    ).first()
    if facts["is_asked"] and question is None:
        return  # settled since, and told so
    number, units = order.number, facts["units"]
    if question is not None:
        subject = f"Order {number}: {title} is out of colour. Choose for your {units}"
        path = reverse("rest-answer", args=[number])
        action = Action(f"Choose for the {units} {title} of {number}", path)
    else:
        subject = f"Order {number}: {title} rests; your {units} are not kept any more"
        action = Action(f"Look at order {number}", reverse("order", args=[number]))
    context = {
        "title": title,
        "units": units,
        "reason": facts["reason"],
        "is_asked": question is not None,
        "choices": [row.words for row in choices_of(question=question, now=now) if not row.why_not]
        if question
        else [],
        "until_words": time_text(at=answer_until(order=order), zone=zone),
    }
    _write(order, now, f"rested:{happening.pk}", "a promised strain rests", subject, action,
           "strain_rests", context)  # fmt: skip


def _write_settled(order: Order, happening: Happening, now: datetime) -> None:
    question = RestQuestion.objects.select_related("line__listing").get(
        pk=happening.facts["question"]
    )
    title, units = question.line.listing.title, question.units
    is_cancelled = question.state == RestQuestion.State.LAPSED
    if not is_cancelled and question.line.state == "withdrawn":
        return  # taken off by the shop itself: it knows
    what = "is cancelled" if is_cancelled else "stands as promised"
    path = reverse("order", args=[order.number])
    _write(
        order,
        now,
        f"rest settled:{question.pk}",
        "a resting line is settled",
        f"Order {order.number}: the line of {units} {title} {what}",
        Action(f"Look at order {order.number}", path),
        "rest_settled",
        {"title": title, "units": units, "is_cancelled": is_cancelled,
         "reason": happening.facts["reason"]},
    )  # fmt: skip


def _write(
    order: Order,
    now: datetime,
    key: str,
    kind: str,
    subject: str,
    action: Action,
    template: str,
    context: dict[str, Any],
) -> None:
    week = week_context(week=order.week, ship_to=order.ship_to, now=now, ship_on=order.ship_on)
    write_to_shop(
        order,
        now=now,
        key=key,
        kind=kind,
        subject=subject,
        action=action,
        template=template,
        context={**context, **week},
    )
