"""HOP 6c rests: a strain that goes out of colour with promises on it -> each buyer asked, settled.

Call from: config/ticking.py, orders/rest_pages.py, orders/rest_api.py.
Locks: the order's row, then the question's, then strain-forms and promises.

What is pencilled is freed with a notice. What is inked is the buyer's: winter colour at its own
price, a named substitute, wait for the return, or cancel. Without an answer by the evening before
its box leaves the line is cancelled; a colour that was not ordered is never sent.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError
from inventory.models import ColourState, Happening, Strain
from inventory.people import User
from orders.amending import free_promise, refuse_stranger
from orders.basket import watch_listing
from orders.change_records import STANDING, facts_of, write_change
from orders.models import Line, Order, Promise, RestQuestion
from orders.replacing import Instead, put_instead, substitutes_for, take_off, winter_look
from orders.weeks import answer_until

Choice, State = RestQuestion.Choice, RestQuestion.State


class RestAnswerTooLate(FarmError):
    code = "rest_answer_too_late"
    title = "That answer comes too late"
    message = "Answers on {line} counted until {until}; it is {state}. Call the office."


class RestChoiceNotOffered(FarmError):
    code = "rest_choice_not_offered"
    title = "That choice is not offered"
    message = "{choice} cannot be chosen for {line}: {why}."


@dataclass(frozen=True, slots=True)
class RestChoice:
    """One answer: what it says and what follows. ``why_not`` is empty where it may be given."""

    name: str
    words: str
    follows: str
    why_not: str = ""
    instead: Instead | None = None


def touched_by(*, strain_key: str) -> list[Promise]:
    """Every promise that a rest of a strain touches, by ship day: who would be asked or told."""
    rows = Promise.objects.filter(
        strain_form__strain__key=strain_key,
        line__listing__look="",
        state__in=Promise.IN_THE_WATER,
    )
    rows = rows.select_related("line__order__customer", "line__order__ship_to", "line__listing")
    return list(rows.order_by("line__order__ship_on", "line__order__number"))


def strains_that_may_rest() -> list[tuple[Strain, list[Promise]]]:
    """Colour strains that do not rest, each with the promises that a rest would touch."""
    strains = Strain.objects.exclude(colour=Strain.Colour.NONE).filter(is_making=True)
    resting = [row.strain_id for row in ColourState.objects.all() if row.is_resting]
    rows = [(row, touched_by(strain_key=row.key)) for row in strains.exclude(pk__in=resting)]
    return [(strain, promises) for strain, promises in rows if promises]


def open_questions(*, order: Order | None = None) -> list[RestQuestion]:
    """Questions that wait for an answer, of one order or of all."""
    rows = RestQuestion.objects.filter(
        state=State.ASKED, line__promise__state=Promise.State.INKED
    ).select_related("line__order__customer", "line__order__ship_to", "line__listing__strain_form")
    return list(rows.filter(line__order=order) if order is not None else rows)


def questions_of(*, order: Order) -> list[RestQuestion]:
    """Every question of an order, in the order in which they were asked."""
    rows = RestQuestion.objects.filter(line__order=order)
    return list(
        rows.select_related(
            "line__order__customer",
            "line__listing__strain_form__strain",
            "settled_by",
            "new_line__listing",
        ).order_by("pk")
    )


def settled_by(*, question: RestQuestion) -> str:
    """Who settled a question, in words: a person, a shop's own system, or the farm by itself."""
    if question.settled_by is not None:
        return question.settled_by.name
    is_system = question.state == State.ANSWERED
    return f"{question.line.order.customer.name}'s system" if is_system else "the farm"


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """A rest asks; a return before the answer makes it needless."""
    if happening.kind == "line.rested":
        ask_about_rest(
            listing_name=happening.facts["listing"], reason=happening.facts["reason"], now=now
        )
    elif happening.kind == "line.returned":
        _void_questions(happening.facts["listing"], happening.facts["reason"], now)


@transaction.atomic
def ask_about_rest(*, listing_name: str, reason: str, now: datetime) -> list[RestQuestion]:
    """Ask every buyer with an inked line of a listing that rests; free what is pencilled.

    Safe to run twice: a line with an open question is not asked again.
    """
    promises = Promise.objects.filter(
        line__listing__name=listing_name, state__in=Promise.IN_THE_WATER
    ).exclude(line__rest_questions__state=State.ASKED)
    asked = []
    numbers = promises.order_by("line__order").values_list("line__order", flat=True).distinct()
    for order_id in list(numbers):
        order = _locked(order_id)
        promise = promises.select_related("line__listing").filter(line__order=order).get()
        if promise.state == Promise.State.PENCILLED:
            _free_pencil(order, promise, reason, now)
        else:
            asked.append(_ask(order, promise, reason, now))
    return asked


def _locked(order_id: int) -> Order:
    return (
        Order.objects.select_for_update(of=("self",))
        .select_related("week", "customer", "ship_to__customer")
        .get(pk=order_id)
    )


def _free_pencil(order: Order, promise: Promise, reason: str, now: datetime) -> None:
    before = facts_of(order=order)
    line = promise.line
    free_promise(promise=promise, now=now, reason=reason)
    line.reason_code, line.reason = "resting", f"{reason}: what was pencilled is freed"[:400]
    line.save(update_fields=["reason_code", "reason"])
    write_change(order=order, before=before, now=now, user=None, reason=reason)
    _tell("promise.rested", order, line, promise, reason, now, is_asked=False)


def _ask(order: Order, promise: Promise, reason: str, now: datetime) -> RestQuestion:
    question = RestQuestion.objects.create(
        line=promise.line, units=promise.units, reason=reason[:300], asked_at=now
    )
    if now > answer_until(order=order):
        # Nobody can answer any more, and the wrong colour is never sent.
        _cancel(question, order, now, State.LAPSED, None)
    else:
        _tell("promise.rested", order, promise.line, promise, reason, now, is_asked=True)
    return question


def _tell(
    kind: str,
    order: Order,
    line: Line,
    promise: Promise,
    reason: str,
    now: datetime,
    *,
    is_asked: bool,
) -> None:
    facts = {
        "order": order.number,
        "customer": order.customer.code,
        "listing": line.listing.name,
        "promise": promise.pk,
        "units": promise.units,
        "reason": reason,
        "is_asked": is_asked,
    }
    Happening.objects.create(kind=kind, at=now, facts=facts)


def choices_of(*, question: RestQuestion, now: datetime) -> list[RestChoice]:
    """Every answer to a question, those that are not to be had with their reason."""
    line, units = question.line, question.units
    found = []
    winter = winter_look(line=line, now=now)
    if winter is not None:
        words = f"Take the {units} in winter colour: {winter.listing.title}, ${winter.price} each"
        follows = f"The same pieces as they look now, ${line.unit_price - winter.price} less each."
        found.append(RestChoice(Choice.WINTER, words, follows, winter.why_not, winter))
    for row in substitutes_for(line=line, units=units, now=now):
        words = f"Take {units} {row.listing.title} instead, ${row.price} each"
        name = f"{Choice.INSTEAD}:{row.listing.name}"
        found.append(RestChoice(name, words, f"{row.left} are left.", row.why_not, row))
    found.append(
        RestChoice(
            Choice.WAIT,
            f"Wait for its return{_back_words(line)}",
            "The line comes off this order and is not charged; we write to you when it is back.",
        )
    )
    found.append(
        RestChoice(Choice.CANCEL, "Cancel the line", "It comes off this order and is not charged.")
    )
    return found


def _back_words(line: Line) -> str:
    state = ColourState.objects.filter(strain=line.listing.strain_form.strain_id).first()
    if state is None or not state.back_likely_on:
        return ""
    return (
        f", about {state.back_likely_on:%-d %b} "
        f"({state.back_from_on:%-d %b} to {state.back_to_on:%-d %b})"
    )


@transaction.atomic
def answer_rest(
    *, question_id: int, choice: str, user: User | None, now: datetime, channel: str = ""
) -> RestQuestion:
    """Take a buyer's answer; the office may answer for it until the same hour.

    ``user`` is None for a customer's own system, which asks for its own orders only.
    Raises NotAllowed, RestAnswerTooLate, RestChoiceNotOffered, AboveWhatIsLeft.
    """
    line_order = RestQuestion.objects.values_list("line__order", flat=True).get(pk=question_id)
    order = _locked(line_order)
    refuse_stranger(order=order, user=user, act="answer for another customer")
    question = (
        RestQuestion.objects.select_for_update(of=("self",))
        .select_related("line__listing__strain_form__strain")
        .get(pk=question_id)
    )
    question.line.order = order
    _refuse_late(question, order, now)
    chosen = _chosen(question, choice, now)
    if chosen.instead is not None:
        _put_instead(question, order, chosen.instead, user, now, channel)
    else:
        if choice == Choice.WAIT:
            name = question.line.listing.name
            watch_listing(ship_to=order.ship_to, listing_name=name, user=user, now=now)
        _cancel(question, order, now, State.ANSWERED, user, choice, channel)
    return question


def _refuse_late(question: RestQuestion, order: Order, now: datetime) -> None:
    until = answer_until(order=order)
    promise = Promise.objects.filter(line=question.line, state=Promise.State.INKED).first()
    if question.state == State.ASKED and promise is not None and now <= until:
        return
    state = question.get_state_display() if question.state != State.ASKED else "settled"
    raise RestAnswerTooLate(
        line=question.line, until=f"{timezone.localtime(until):%a %-d %b %H:%M %Z}", state=state
    )


def _chosen(question: RestQuestion, choice: str, now: datetime) -> RestChoice:
    offered = {row.name: row for row in choices_of(question=question, now=now)}
    if choice not in offered:
        why = f"choose {', '.join(offered)}"
        raise RestChoiceNotOffered(choice=repr(choice[:40]), line=question.line, why=why)
    if offered[choice].why_not:
        why = offered[choice].why_not
        raise RestChoiceNotOffered(choice=choice.capitalize(), line=question.line, why=why)
    return offered[choice]


def _put_instead(
    question: RestQuestion,
    order: Order,
    instead: Instead,
    user: User | None,
    now: datetime,
    channel: str,
) -> None:
    before = facts_of(order=order)
    who = user.name if user is not None else order.customer.name
    reason = f"{question.reason}; {who} takes {instead.listing.name} instead"
    question.new_line = put_instead(
        line=question.line,
        listing=instead.listing,
        units=question.units,
        now=now,
        user=user,
        reason=reason,
    )
    choice = Choice.WINTER if instead.listing.is_winter else Choice.INSTEAD
    write_change(order=order, before=before, now=now, user=user, channel=channel, reason=reason)
    _settle(question, order, now, State.ANSWERED, user, choice)


def _cancel(
    question: RestQuestion,
    order: Order,
    now: datetime,
    state: str,
    user: User | None,
    choice: str = "",
    channel: str = "",
) -> None:
    """Take the line off; an order of which nothing is left is withdrawn."""
    before = facts_of(order=order)
    ends: dict[str, str] = {Choice.WAIT: "waits for its return", Choice.CANCEL: "cancelled"}
    why = ends.get(choice, "cancelled: no answer came in time")
    reason = f"{question.reason}; {why}"
    take_off(line=question.line, now=now, user=user, code="rested", reason=reason)
    if not order.lines.filter(state__in=STANDING).exists():
        order.move_to(Order.State.WITHDRAWN)
    write_change(order=order, before=before, now=now, user=user, channel=channel, reason=reason)
    _settle(question, order, now, state, user, choice)


def _settle(
    question: RestQuestion,
    order: Order,
    now: datetime,
    state: str,
    user: User | None,
    choice: str = "",
) -> None:
    question.state, question.choice = state, choice
    question.settled_at, question.settled_by = now, user
    question.save(update_fields=["state", "choice", "settled_at", "settled_by", "new_line"])
    facts = {
        "order": order.number,
        "customer": order.customer.code,
        "question": question.pk,
        "listing": question.line.listing.name,
        "state": state,
        "reason": question.line.reason or question.reason,
    }
    Happening.objects.create(kind="rest.settled", at=now, facts=facts)


def settle_due(*, now: datetime) -> int:
    """Cancel every line whose buyer did not answer in time. Safe to run late or twice."""
    settled = 0
    waiting = RestQuestion.objects.filter(state=State.ASKED).select_related("line__order")
    for question in waiting:
        promise = Promise.objects.filter(line=question.line).first()
        is_inked = promise is not None and promise.state == Promise.State.INKED
        if is_inked and now <= answer_until(order=question.line.order):
            continue
        settled += _settle_one(question.pk, now)
    return settled


@transaction.atomic
def _settle_one(question_id: int, now: datetime) -> int:
    order = _locked(RestQuestion.objects.values_list("line__order", flat=True).get(pk=question_id))
    question = (
        RestQuestion.objects.select_for_update(of=("self",))
        .select_related("line__listing")
        .get(pk=question_id)
    )
    if question.state != State.ASKED:
        return 0
    question.line.order = order
    if Promise.objects.filter(line=question.line, state=Promise.State.INKED).exists():
        _cancel(question, order, now, State.LAPSED, None)
    else:
        # Withdrawn, or settled some other way: there is nothing left to ask about.
        _settle(question, order, now, State.VOID, None)
    return 1


def _void_questions(listing_name: str, reason: str, now: datetime) -> None:
    waiting: Iterable[RestQuestion] = RestQuestion.objects.filter(
        state=State.ASKED, line__listing__name=listing_name
    ).select_related("line__order__customer", "line__listing")
    for question in waiting:
        question.line.reason = f"{reason}: your promise stands"
        _settle(question, question.line.order, now, State.VOID, None)
