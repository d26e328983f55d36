"""HOP 5e tokens: a shop's own system is let into the feed, gets a new token, or is shut out.

Call from: orders/hook_pages.py. A token stands in one answer only; what is kept is its hash.
Locks: the client's row.
"""

from datetime import datetime

from django.db import transaction

from inventory.changing import note_change
from inventory.errors import Unknown
from inventory.people import User
from orders.feeding import make_client, renew_token
from orders.models import Customer, FeedClient

RIGHT = "edit_people"
SUBJECT = "feed client"


@transaction.atomic
def let_in(*, customer_code: str, user: User, now: datetime, reason: str) -> tuple[FeedClient, str]:
    """A new client of a customer, and its token. Raises NotAllowed, Unknown, ReasonMissing."""
    user.must(RIGHT)
    # Locked, so that of two who press at once each takes a number of its own.
    customers = Customer.objects.select_for_update()
    customer = next((row for row in customers.order_by("pk") if row.code == customer_code), None)
    if customer is None:
        raise Unknown(kind="customer", name=customer_code or "(none)")
    client, token = make_client(code=_next_code(), customer=customer)
    _keep(client, "let in", "", customer.code, user, now, reason)
    return client, token


@transaction.atomic
def give_new_token(*, code: str, user: User, now: datetime, reason: str) -> tuple[FeedClient, str]:
    """A new token for a client; the old one stops at once, and one that was shut out is in again.

    Raises NotAllowed, Unknown, ReasonMissing.
    """
    user.must(RIGHT)
    client = _locked(code)
    token = renew_token(client=client)
    FeedClient.objects.filter(pk=client.pk).update(is_active=True)
    _keep(client, "token", "the old one", "a new one", user, now, reason)
    return client, token


@transaction.atomic
def shut_out(*, code: str, user: User, now: datetime, reason: str) -> FeedClient:
    """A client's token is good no more and no event is written for it, until it gets a new one.

    Raises NotAllowed, Unknown, ReasonMissing.
    """
    user.must(RIGHT)
    client = _locked(code)
    client.is_active = False
    client.save(update_fields=["is_active"])
    _keep(client, "is in", True, False, user, now, reason)
    return client


def _locked(code: str) -> FeedClient:
    clients = FeedClient.objects.select_for_update(of=("self",)).select_related("customer")
    client = clients.filter(code=code).first()
    if client is None:
        raise Unknown(kind="feed client", name=code or "(none)")
    return client


def _next_code() -> str:
    known = set(FeedClient.objects.values_list("code", flat=True))
    return next(code for n in range(1, len(known) + 2) if (code := f"FC-{n}") not in known)


def _keep(
    client: FeedClient,
    field: str,
    was: object,
    now_is: object,
    user: User,
    now: datetime,
    reason: str,
) -> None:
    note_change(
        what=SUBJECT,
        name=client.code,
        field=field,
        was=was,
        now_is=now_is,
        reason=reason,
        user=user,
        at=now,
    )
