"""HOP 10c answers: what a shop says about the way its box may travel -> the order, planned anew.

Call from: shipping/answer_pages.py.
Locks: the order's row, then those of the plan.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove
from inventory.models import Happening
from inventory.people import User
from orders.amending import withdraw_order
from orders.models import LaneLeg, Order
from orders.weeks import answer_until
from shipping.bench_numbers import Bench
from shipping.boxing import bags_of
from shipping.clearing import make_plan, set_aside
from shipping.crediting import LATE_RISK_SHARE

LATE_RISK, DEPOT, OTHER_DAY, CANCEL = "late risk", "depot", "other day", "cancel"


class AnswerTooLate(FarmError):
    code = "answer_too_late"
    title = "That answer comes too late"
    message = "Answers on order {order} counted until {until}. Call the office."


class ChoiceNotOffered(FarmError):
    code = "choice_not_offered"
    title = "That choice is not offered"
    message = "{choice} cannot be chosen for order {order}: {why}."


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer a shop may give: what it says and what follows. ``why_not`` is empty if it may."""

    name: str
    words: str
    follows: str
    why_not: str = ""


def choices_of(*, order: Order) -> list[Choice]:
    """Every answer on an order, those that are not to be had with their reason."""
    late_share = round(100 * LATE_RISK_SHARE)
    later = later_day(order=order)
    is_loose = order.state == Order.State.PROMISED
    started = "" if is_loose else "it is being picked or packed; call the office"
    return [
        Choice(
            LATE_RISK,
            "Send it all the same: I accept the risk of a late delivery",
            f"If it is a day late and pieces die, {late_share} % of their price is credited.",
            "you have accepted it already" if order.is_late_risk_accepted else "",
        ),
        Choice(
            DEPOT,
            "Let it wait at the depot, where I collect it",
            "It is planned anew; the depot is used where the door is too cold or too hot.",
            _why_no_depot(order),
        ),
        Choice(
            OTHER_DAY,
            f"Send it on {later:%a %-d %b} instead" if later else "Send it on another day",
            "What is promised stays promised; it is planned for that day's weather.",
            started or ("" if later else "its week has no later ship day"),
        ),
        Choice(
            CANCEL, "Cancel the order", "What was promised goes back to the list at once.", started
        ),
    ]


def later_day(*, order: Order) -> date | None:
    """The next ship day of the order's own week."""
    return next((day for day in order.week.ship_days if day > order.ship_on), None)


def _why_no_depot(order: Order) -> str:
    ship_to = order.ship_to
    if ship_to.is_collected:
        return "it is collected there already"
    if ship_to.is_depot_allowed or order.is_depot_accepted:
        return "the depot is allowed already"
    has_depot = LaneLeg.objects.filter(profile=ship_to.lane.profile, mode=LaneLeg.Mode.DEPOT)
    return "" if has_depot.exists() else "that way has no depot"


@transaction.atomic
def answer(*, order: Order, choice: str, user: User, now: datetime) -> Order:
    """Take a shop's answer and plan the order anew. The office may answer for it, at any time.

    Raises AnswerTooLate, ChoiceNotOffered, ForbiddenMove, NotAllowed.
    """
    if user.is_staff_member:
        user.must("order_for_customer")
    order = (
        Order.objects.select_for_update(of=("self",))
        .select_related("ship_to__lane", "ship_to__zone", "customer", "week")
        .get(pk=order.pk)
    )
    _refuse(order, choice, user, now)
    words = f"{user.name} chose: {choice}"
    if choice == CANCEL:
        return withdraw_order(order_id=order.pk, now=now, user=user, reason=words)
    if choice == OTHER_DAY:
        to = later_day(order=order)
        assert to is not None  # _refuse has looked
        order = set_aside(order=order, to=to, now=now, reason=words)
    else:
        order.is_late_risk_accepted = order.is_late_risk_accepted or choice == LATE_RISK
        order.is_depot_accepted = order.is_depot_accepted or choice == DEPOT
        order.office_note = f"{words}, {timezone.localtime(now):%a %-d %b %H:%M}"
        order.save(update_fields=["is_late_risk_accepted", "is_depot_accepted", "office_note"])
    facts = {"order": order.number, "customer": order.customer.code, "choice": choice}
    Happening.objects.create(kind="order.answered", at=now, facts=facts)
    if bags_of(order=order):
        bench = Bench.read(on=order.ship_on)
        make_plan(order=order, now=now, bench=bench, stage="after an answer")
    return order


def _refuse(order: Order, choice: str, user: User, now: datetime) -> None:
    if order.state not in (Order.State.PROMISED, Order.State.IN_PICK, Order.State.PACKED):
        raise ForbiddenMove(
            kind="Order",
            name=order.number,
            state=order.get_state_display(),
            wanted="sent another way",
            why="only an order that is promised and has not left can be",
        )
    until = answer_until(order=order)
    if not user.is_staff_member and now > until:
        words = f"{timezone.localtime(until):%a %-d %b %H:%M}"
        raise AnswerTooLate(order=order.number, until=words)
    offered: Mapping[str, Choice] = {row.name: row for row in choices_of(order=order)}
    if choice not in offered:
        raise ChoiceNotOffered(
            choice=repr(choice[:20]), order=order.number, why=f"choose {', '.join(offered)}"
        )
    if offered[choice].why_not:
        why = offered[choice].why_not
        raise ChoiceNotOffered(choice=choice.capitalize(), order=order.number, why=why)
