"""HOP 12c freight credit: the freight share of what was carried over -> approved, applied, or void.

Call from: shipping/settling.py, shipping/credit_pages.py.
Locks: the credit's row.

Who may approve is the same as for a credit of an arrival report: the office up to its limit, the
owner any. A shop that was told of a credit hears what became of it.
"""

from datetime import datetime
from decimal import Decimal

from django.db import transaction

from inventory.errors import ForbiddenMove, ReasonMissing
from inventory.models import Happening
from inventory.people import User
from orders.models import Order
from shipping.crediting import MOVES, may_approve_amount
from shipping.models import FreightCredit, Shortfall

State = FreightCredit.State


def draft_freight_credit(
    *,
    shortfall: Shortfall,
    order: Order,
    carried: Order,
    amount: Decimal,
    what: str,
    user: User,
    now: datetime,
) -> FreightCredit | None:
    """Draft the credit for what of an order goes a week later; None where no freight was paid."""
    if not amount:
        return None
    return FreightCredit.objects.create(
        shortfall=shortfall,
        order=order,
        carried=carried,
        amount=amount,
        sentence=f"{what} of order {order.number} go in {carried.week.name} as order "
        f"{carried.number}: their share of the freight of {order.number} is ${amount}",
        at=now,
        user=user,
    )


@transaction.atomic
def approve_freight_credit(*, credit: FreightCredit, user: User, now: datetime) -> FreightCredit:
    """Approve a drafted freight credit. Raises NotAllowed, ForbiddenMove."""
    user.must("approve_credit")
    credit = _locked(credit)
    if not may_approve_amount(amount=credit.amount, user=user, now=now):
        user.must("approve_any_credit")
    _move(credit, State.APPROVED)
    credit.approved_at, credit.approved_by = now, user
    credit.save(update_fields=["state", "approved_at", "approved_by"])
    _tell(credit, "credit.approved", credit.sentence, now)
    return credit


@transaction.atomic
def apply_freight_credit(*, credit: FreightCredit, user: User, now: datetime) -> FreightCredit:
    """Note that an approved freight credit stands in the books."""
    user.must("approve_credit")
    credit = _locked(credit)
    _move(credit, State.APPLIED)
    credit.save(update_fields=["state"])
    _tell(credit, "credit.applied", credit.sentence, now)
    return credit


@transaction.atomic
def void_freight_credit(
    *, credit: FreightCredit, reason: str, user: User, now: datetime
) -> FreightCredit:
    """Take back a drafted freight credit, with the reason that its shop is told."""
    user.must("approve_credit")
    if not reason.strip():
        raise ReasonMissing(what="a credit that is taken back")
    credit = _locked(credit)
    _move(credit, State.VOID)
    credit.reason = reason.strip()[:200]
    credit.save(update_fields=["state", "reason"])
    _tell(credit, "credit.void", f"{credit.sentence}; taken back: {credit.reason}", now)
    return credit


def _locked(credit: FreightCredit) -> FreightCredit:
    rows = FreightCredit.objects.select_for_update(of=("self",))
    return rows.select_related("order__customer").get(pk=credit.pk)


def _move(credit: FreightCredit, state: str) -> None:
    if state not in MOVES[credit.state]:
        raise ForbiddenMove(
            kind="Freight credit of order",
            name=credit.order.number,
            state=credit.get_state_display(),
            wanted=str(state),
            why="what is approved can be applied, what is drafted approved or taken back",
        )
    credit.state = state


def _tell(credit: FreightCredit, kind: str, reason: str, now: datetime) -> None:
    facts = {
        "order": credit.order.number,
        "customer": credit.order.customer.code,
        "freight_credit": credit.pk,
        "amount": "0.00",
        "freight": str(credit.amount),
        "is_by_person": True,
        "reason": reason,
    }
    Happening.objects.create(kind=kind, at=now, facts=facts)
