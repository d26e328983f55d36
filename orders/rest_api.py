"""What a resting line's buyer is asked, and the answer, over the feed.

Thin caller of orders/resting.py: the same choices, rules and hour as on the page of the order.
"""

from datetime import datetime
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request

from inventory.clock import farm_now
from inventory.errors import Unknown
from orders.api import own_order
from orders.api_answers import Body, FeedView, answer_once, reply_json, when
from orders.models import Order, OrderChange, RestQuestion
from orders.resting import (
    RestChoice,
    answer_rest,
    choices_of,
    questions_of,
    settled_by,
)
from orders.weeks import answer_until


class AnswerSerializer(Body):
    choice = serializers.CharField(max_length=40)


class RestsView(FeedView):
    """Every question about a resting line of one order, those that wait with their choices."""

    def get(self, request: Request, number: str) -> HttpResponse:
        order, now = own_order(self.client, number), farm_now()
        body = {
            "order": order.number,
            "answer_by": when(answer_until(order=order)),
            "questions": [question_record(row, now) for row in questions_of(order=order)],
        }
        return reply_json(request, body)


class RestView(FeedView):
    """One question; POST answers it. One key is one answer."""

    def get(self, request: Request, number: str, question: int) -> HttpResponse:
        row = _own_question(own_order(self.client, number), question)
        return reply_json(request, question_record(row, farm_now()))

    def post(self, request: Request, number: str, question: int) -> HttpResponse:
        order = own_order(self.client, number)
        asked = _own_question(order, question)
        return answer_once(
            request,
            parts=[number, question, request.data],
            work=lambda: self._answer(order, asked, request.data),
            path_of=lambda made: _path(number, question),
        )

    def _answer(self, order: Order, asked: RestQuestion, body: Any) -> dict[str, Any]:
        form = AnswerSerializer(data=body)
        form.is_valid(raise_exception=True)
        now = farm_now()
        answer_rest(
            question_id=asked.pk,
            choice=form.validated_data["choice"],
            user=None,
            now=now,
            channel=OrderChange.Channel.API,
        )
        return question_record(_own_question(order, asked.pk), now)


def _own_question(order: Order, question: int) -> RestQuestion:
    found = next((row for row in questions_of(order=order) if row.pk == question), None)
    if found is None:
        raise Unknown(kind="question", name=str(question))
    return found


def _path(number: str, question: int) -> str:
    return f"/api/v1/orders/{number}/rests/{question}/"


def question_record(question: RestQuestion, now: datetime) -> dict[str, Any]:
    """A question as its own customer reads it: the choices while it waits, then what came of it."""
    line, new = question.line, question.new_line
    is_open = question.state == RestQuestion.State.ASKED
    return {
        "question": question.pk,
        "order": line.order.number,
        "listing": line.listing.name,
        "units": question.units,
        "unit_price": str(line.unit_price),
        "reason": question.reason,
        "state": question.state,
        "asked_at": when(question.asked_at),
        "answer_by": when(answer_until(order=line.order)),
        "choices": [_choice_record(row) for row in choices_of(question=question, now=now)]
        if is_open
        else [],
        "choice": question.choice or None,
        "settled_at": when(question.settled_at),
        "settled_by": None if is_open else settled_by(question=question),
        "instead": {"listing": new.listing.name, "unit_price": str(new.unit_price)}
        if new is not None
        else None,
        "answer": _path(line.order.number, question.pk),
    }


def _choice_record(choice: RestChoice) -> dict[str, Any]:
    instead = choice.instead
    return {
        "choice": choice.name,
        "words": choice.words,
        "follows": choice.follows,
        "listing": instead.listing.name if instead is not None else None,
        "unit_price": str(instead.price) if instead is not None else None,
        "why_not": choice.why_not or None,
    }
