"""HOP 5b feed: happenings -> numbered events, gap-free for each retailer's system.

Call from: config/ticking.py; orders/api.py reads what it leaves.
Locks: the client's row, so that no sequence number is given twice or skipped.
"""

import hashlib
import json
import secrets
from datetime import datetime
from typing import Any
from urllib.parse import quote

from django.db import transaction
from django.utils import timezone

from inventory.models import Happening, Listing, StrainForm
from orders.hooks import call_for
from orders.models import Customer, FeedClient, FeedEvent

# Everybody reads these.
FOR_ALL = frozenset(
    {
        "line.rested",
        "line.returned",
        "line.sold_through",
        "line.quantity",
        "hold.raised",
        "hold.lifted",
        "list.published",
    }
)
# What a line's number says beside its name.
OF_NUMBER = ("week", "status", "shown", "is_more_than_shown")
# Only the customer concerned reads these.
FOR_ONE = frozenset({"order.promised", "order.changed", "shipment.handed_over", "recall.notice"})


def make_client(*, code: str, customer: Customer) -> tuple[FeedClient, str]:
    """A new reader of the feed and its token, which is shown this once and kept only as a hash."""
    token = secrets.token_urlsafe(32)
    client = FeedClient.objects.create(code=code, customer=customer, token_hash=hash_token(token))
    return client, token


def renew_token(*, client: FeedClient) -> str:
    """Give a client a new token; the old one stops at once."""
    token = secrets.token_urlsafe(32)
    client.token_hash = hash_token(token)
    client.save(update_fields=["token_hash"])
    return token


def hash_token(token: str) -> str:
    """A token as it is kept. A long random token needs no slow hash."""
    return hashlib.sha256(token.encode()).hexdigest()


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """Write the events that a happening means to each client who reads its kind."""
    if happening.kind in FOR_ALL:
        clients = FeedClient.objects.filter(is_active=True)
    elif happening.kind in FOR_ONE:
        clients = FeedClient.objects.filter(
            is_active=True, customer__code=happening.facts["customer"]
        )
    else:
        return
    for client_id in clients.order_by("pk").values_list("pk", flat=True):
        for facts in _event_facts(happening):
            _append_event(client_id, happening, facts)


def _event_facts(happening: Happening) -> list[dict[str, Any]]:
    """One entry an event: a hold becomes one event a listing that it touches."""
    facts = happening.facts
    if happening.kind.startswith("hold."):
        listings = Listing.objects.filter(
            strain_form_id__in=facts.get("strain_forms", []), strain_form__strain__is_making=True
        ).select_related("strain_form__strain", "strain_form__form")
        reason = "its water system is being watched"
        if happening.kind == "hold.lifted":
            reason = "its water system is clean again"
        return [_of_listing(row, reason) for row in listings.order_by("name")]
    if happening.kind.startswith("line."):
        listing = Listing.objects.select_related("strain_form__strain", "strain_form__form").get(
            name=facts["listing"]
        )
        more = {key: facts[key] for key in facts if key.startswith("back_") or key in OF_NUMBER}
        if happening.kind in ("line.rested", "line.returned"):
            more["photos"] = _photos(listing)
        return [_of_listing(listing, facts.get("reason", "")) | more]
    return [dict(facts)]


def photo_address(listing: Listing) -> str | None:
    """Where a listing's photo is read over the feed; None where it has none."""
    return f"/api/v1/listings/{quote(listing.name)}/photo/" if listing.photo else None


def _photos(listing: Listing) -> list[dict[str, Any]]:
    """The photo of each look there is of it: a web shop swaps one for the other by itself."""
    looks = Listing.objects.filter(strain_form=listing.strain_form_id).exclude(photo="")
    return [
        {
            "listing": row.name,
            "look": row.look or "colour",
            "photo": photo_address(row),
            "photo_on": row.photo_on.isoformat() if row.photo_on else None,
        }
        for row in looks.order_by("look", "name")
    ]


def _of_listing(listing: Listing, reason: str) -> dict[str, Any]:
    strain_form: StrainForm = listing.strain_form
    return {
        "listing": listing.name,
        "strain": strain_form.strain.key,
        "form": strain_form.form.key,
        "reason": reason,
    }


@transaction.atomic
def _append_event(client_id: int, happening: Happening, facts: dict[str, Any]) -> FeedEvent:
    client = FeedClient.objects.select_for_update().get(pk=client_id)
    sequence = client.last_sequence + 1
    at = timezone.localtime(happening.at).isoformat(timespec="seconds")
    body = {"sequence": sequence, "type": happening.kind, "at": at, **facts}
    client.last_sequence = sequence
    client.save(update_fields=["last_sequence"])
    event = FeedEvent.objects.create(
        client=client,
        sequence=sequence,
        kind=happening.kind,
        listing=str(facts.get("listing", "")),
        at=happening.at,
        # Frozen as text: a database may reorder the keys of a JSON column.
        body=json.dumps(body, ensure_ascii=False, separators=(",", ":")),
    )
    call_for(event=event)
    return event
