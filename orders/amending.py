"""HOP 6c amend: confirm, judge again, withdraw -> lines opened or taken back, promises freed.

Call from: orders/pages.py, orders/api.py, orders/sharing.py, config/scene_acts.py.
Locks: the line's or order's row, strain-forms lowest key first, then the promises' rows.
"""

from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import Q, QuerySet

from inventory.errors import ForbiddenMove, NotAllowed
from inventory.ledger import lock_strain_forms
from inventory.models import Happening
from inventory.people import User
from orders.change_records import facts_of, write_change
from orders.models import Line, Order, OrderChange, Paper, Promise, Seat, ShipWeek
from orders.paper_left import Fit, PaperLeft, fit_to_paper
from orders.promising import change_promise
from orders.rules import Judgement, RuleBook


def refuse_stranger(*, order: Order, user: User | None, act: str) -> None:
    """Anybody who orders for the customer may, and the office for everybody.

    ``user`` is None for the customer's own system. Raises NotAllowed, which names the ``act``.
    """
    if user is None:
        return
    if user.is_staff_member:
        user.must("order_for_customer")
    elif not Seat.objects.filter(user=user, customer=order.customer).exists():
        raise NotAllowed(role=user.get_role_display().capitalize(), act=act, who="the office")


@transaction.atomic
def confirm_line(*, line_id: int, user: User, now: datetime, note: str = "") -> Line:
    """A named person confirms a line that a rule row leaves to a person."""
    user.must("confirm_line")
    line = Line.objects.select_for_update().get(pk=line_id)
    if line.state != Line.State.NEEDS_PERSON:
        raise ForbiddenMove(
            kind="Line",
            name=str(line),
            state=line.get_state_display(),
            wanted="confirmed",
            why="only a line that waits for a person can be confirmed",
        )
    line.state, line.confirmed_by, line.confirmed_at = Line.State.OPEN, user, now
    line.note = note or line.note
    line.save(update_fields=["state", "confirmed_by", "confirmed_at", "note"])
    return line


@dataclass(frozen=True, slots=True)
class PaperStep:
    """What a look at the papers does to a line. ``line`` stands as it will once that is written;
    ``asked_before`` is its ask now. [sale units]"""

    line: Line
    was: str
    asked_before: int

    @property
    def is_lowered(self) -> bool:
        return self.line.asked < self.asked_before


def paper_steps(*, week: ShipWeek) -> list[PaperStep]:
    """What judge_again would write now: lines that a paper opens, lowers or lets wait.

    Writes nothing. First sent is first served.
    """
    rows = list(_resting_on_papers(week))
    papers = PaperLeft(without=[line.pk for line in rows])
    books: dict[int, RuleBook] = {}
    steps = []
    for line in rows:
        ship_to = line.order.ship_to
        if ship_to.pk not in books:
            books[ship_to.pk] = RuleBook.read(ship_to=ship_to)
        strain = line.listing.strain_form.strain
        judged = books[ship_to.pk].judge(strain=strain, on=line.order.ship_on)
        if judged.verdict == "allow":
            steps.append(_step(line, judged, papers))
    return [step for step in steps if step is not None]


def _step(line: Line, judged: Judgement, papers: PaperLeft) -> PaperStep | None:
    """A line as it will stand; None where a paper leaves it as it is."""
    was, asked, said = line.state, line.asked, line.reason
    fit = fit_to_paper(line=line, judged=judged, papers=papers)
    if not fit.why and was == Line.State.OPEN and line.reason_code != "paper_short":
        return None
    line.state = Line.State.OPEN if fit.units else Line.State.NEEDS_PAPER
    line.asked = fit.units or asked
    line.reason_code, line.reason = _said(fit, judged, asked)
    is_as_it_was = (line.state, line.asked, line.reason) == (was, asked, said)
    return None if is_as_it_was else PaperStep(line, was, asked)


def _said(fit: Fit, judged: Judgement, asked: int) -> tuple[str, str]:
    """The code and the words that a line carries after a look at its paper."""
    if not fit.why:
        return "", judged.reason
    if fit.units == 0:
        return "paper_short", fit.why[:400]
    return "paper_lowered", f"lowered from {asked} to {fit.units}: {fit.why}"[:400]


@transaction.atomic
def judge_again(*, week: ShipWeek, now: datetime) -> int:
    """Look again at lines that wait for a paper: one may have been filed. Returns how many open.

    A line that rests on a paper is lowered to what the paper still lets go, and its order's record
    says so.
    """
    steps = paper_steps(week=week)
    for step in steps:
        line = step.line
        order = Order.objects.select_for_update(of=("self",)).get(pk=line.order_id)
        before = facts_of(order=order)
        line.save(update_fields=["state", "asked", "reason_code", "reason"])
        if step.is_lowered:
            write_change(order=order, before=before, now=now, user=None, reason=line.reason)
    return sum(step.was != Line.State.OPEN == step.line.state for step in steps)


def _resting_on_papers(week: ShipWeek) -> QuerySet[Line]:
    """Lines that wait for a paper, and open ones of shops that have one, first sent first."""
    limited = Paper.objects.exclude(allowed={})
    rows = Line.objects.filter(
        Q(state=Line.State.NEEDS_PAPER)
        | Q(state=Line.State.OPEN, order__customer__in=limited.values("customer"))
        | Q(state=Line.State.OPEN, order__ship_to__in=limited.values("ship_to")),
        order__week=week,
        promise__isnull=True,
    )
    return rows.select_related(
        "order__ship_to__customer", "listing__strain_form__strain", "listing__strain_form__form"
    ).order_by("order__sent_at", "order__number", "position")


@transaction.atomic
def withdraw_line(
    *, line_id: int, now: datetime, user: User | None, reason: str, channel: str = ""
) -> Line:
    """Take one line back before it is picked. Its promise is freed with a reason and a notice.

    Raises ForbiddenMove once pieces have left their tray.
    """
    order_id = Line.objects.values_list("order_id", flat=True).get(pk=line_id)
    order = _locked(order_id)
    before = facts_of(order=order)
    line = order.lines.select_related("listing").get(pk=line_id)
    take_line_back(line=line, now=now, user=user, reason=reason)
    write_change(order=order, before=before, now=now, user=user, channel=channel, reason=reason)
    return line


def _locked(order_id: int) -> Order:
    return (
        Order.objects.select_for_update(of=("self",))
        .select_related("week", "customer")
        .get(pk=order_id)
    )


def take_line_back(*, line: Line, now: datetime, user: User | None, reason: str) -> None:
    """One line of an order that the caller has locked, without telling of it."""
    promise = Promise.objects.select_for_update().filter(line=line).first()
    if promise is not None and promise.state in Promise.IN_THE_WATER:
        free_promise(promise=promise, now=now, reason=reason)
    elif promise is not None and promise.state != Promise.State.FREED:
        raise ForbiddenMove(
            kind="Line",
            name=str(line),
            state=promise.get_state_display(),
            wanted="withdrawn",
            why="its pieces have left their tray; put them back first",
        )
    line.state, line.reason_code, line.reason = Line.State.WITHDRAWN, "withdrawn", reason[:400]
    line.save(update_fields=["state", "reason_code", "reason"])


@transaction.atomic
def withdraw_order(
    *, order_id: int, now: datetime, user: User | None, reason: str, channel: str = ""
) -> Order:
    """Take a whole order back before anything of it is picked."""
    order = _locked(order_id)
    before = facts_of(order=order)
    order.move_to(Order.State.WITHDRAWN, why="it is being picked or packed; ask the office")
    lines = list(order.lines.exclude(state=Line.State.WITHDRAWN).select_related("listing"))
    # In the order everybody keeps to: two callers that want the same two then wait in turn.
    lock_strain_forms({line.listing.strain_form_id for line in lines})
    for line in lines:
        take_line_back(line=line, now=now, user=user, reason=reason)
    write_change(
        order=order,
        before=before,
        now=now,
        user=user,
        channel=channel,
        kind=OrderChange.Kind.WITHDRAWN,
        reason=reason,
    )
    return order


@transaction.atomic
def free_promise(*, promise: Promise, now: datetime, reason: str) -> Promise:
    """Free a promise with a cause. The sharing rule can never do this to an inked one."""
    if Promise.State.FREED not in Promise.MOVES[promise.state]:
        raise ForbiddenMove(
            kind="Promise",
            name=str(promise.line),
            state=promise.get_state_display(),
            wanted="freed",
            why="it is on its way or already settled",
        )
    was = promise.state
    promise = change_promise(promise_id=promise.pk, state=Promise.State.FREED, reason=reason)
    facts = {
        "promise": promise.pk,
        "line": promise.line_id,
        "was": was,
        "strain_form": promise.strain_form_id,
        "order": promise.line.order.number,
        "customer": promise.line.order.customer.code,
        "reason": reason,
    }
    Happening.objects.create(kind="promise.freed", at=now, facts=facts)
    return promise
