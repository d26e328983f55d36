"""Request keys: claimed in a committed row of their own before the work begins.

Call from: orders/api_answers.py. Not inside a transaction: the claim must be seen by a second
request while the first is still running.
"""

import hashlib
import json
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction

from inventory.errors import FarmError
from orders.models import Customer, IdempotencyClaim

TAKE_OVER_AFTER = timedelta(seconds=60)


class KeyMissing(FarmError):
    code = "idempotency_key_missing"
    status = 400
    title = "The request has no key"
    message = (
        "Send an Idempotency-Key header, a new one for each order, report or answer, of at most 80 "
        "printable characters."
    )


class KeyHasOtherBody(FarmError):
    code = "idempotency_key_reused"
    status = 422
    title = "That key was used for another body"
    message = "The key {key} was sent before with another body. Send this order with a new key."


class StillRunning(FarmError):
    code = "request_still_running"
    status = 409
    title = "The first request is still running"
    message = "The key {key} is being worked on. Ask again in a few seconds with the same key."


def body_hash(body: Any) -> str:
    """A request body as one hash, whatever the order of its keys and its white space."""
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def claim_key(
    *, customer: Customer, key: str, digest: str, at: datetime
) -> tuple[IdempotencyClaim, bool]:
    """Claim a key. The second value says whether its work is done already and may be replayed.

    Raises KeyMissing, KeyHasOtherBody, StillRunning.
    """
    if not key or len(key) > 80 or not key.isprintable():
        raise KeyMissing()
    try:
        with transaction.atomic():
            claim = IdempotencyClaim.objects.create(
                customer=customer, key=key, body_hash=digest, claimed_at=at
            )
        return claim, False
    except IntegrityError:
        claim = IdempotencyClaim.objects.get(customer=customer, key=key)
    if claim.body_hash != digest:
        raise KeyHasOtherBody(key=key)
    if claim.state == IdempotencyClaim.State.DONE:
        return claim, True
    return _take_over(claim, at), False


def _take_over(claim: IdempotencyClaim, at: datetime) -> IdempotencyClaim:
    """A claim whose worker died may be taken over, by one caller only."""
    taken = IdempotencyClaim.objects.filter(
        pk=claim.pk, state=IdempotencyClaim.State.RUNNING, claimed_at__lte=at - TAKE_OVER_AFTER
    ).update(claimed_at=at)
    if taken != 1:
        raise StillRunning(key=claim.key)
    return claim


def finish_claim(*, claim: IdempotencyClaim, status: int, reply: str) -> None:
    """Keep the answer word for word, so that a retry gets the same."""
    IdempotencyClaim.objects.filter(pk=claim.pk).update(
        state=IdempotencyClaim.State.DONE, status=status, reply=reply
    )


def drop_claim(*, claim: IdempotencyClaim) -> None:
    """Nothing was done: the key may be used again for a mended order."""
    IdempotencyClaim.objects.filter(pk=claim.pk, state=IdempotencyClaim.State.RUNNING).delete()
