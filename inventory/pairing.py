"""HOP 1f phones: a code on the office screen -> a phone that may send walk notes and nothing else.

Call from: inventory/phone_pages.py, inventory/walk_door.py.
Code and key are random and only their SHA-256 is kept: 256 and 128 bits need no slow hash.
Times are the machine's, as for every log-in.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction

from inventory.errors import FarmError, NotAllowed, Unknown
from inventory.models import PairingCode, Phone
from inventory.people import User

CODE_LASTS = timedelta(minutes=15)
CODE_BYTES = 16
KEY_BYTES = 32


class CodeNotGood(FarmError):
    code = "pairing_code_not_good"
    status = 422
    title = "That code is not good"
    message = (
        "The code {why}. Ask the office for a new one under Phones; notes on this phone stay where "
        "they are."
    )


@dataclass(frozen=True, slots=True)
class Offer:
    """A pairing code in the clear, for the one screen that shows it."""

    code: str
    row: PairingCode


@dataclass(frozen=True, slots=True)
class Paired:
    """A phone and its key in the clear, for the one answer that hands it over."""

    key: str
    phone: Phone


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def offer_pairing(*, walker: User, name: str, by: User, now: datetime) -> Offer:
    """Make a code for one walker's phone, good once and for a quarter of an hour."""
    by.must("pair_phones")
    if not walker.may("walk"):
        raise NotAllowed(
            role=walker.name, act="walk the troughs", who="the office for another role"
        )
    code = secrets.token_urlsafe(CODE_BYTES)
    row = PairingCode.objects.create(
        code_hash=_hash(code),
        name=name[:40] or f"{walker.name}'s phone",
        user=walker,
        made_at=now,
        made_by=by,
        good_until=now + CODE_LASTS,
    )
    return Offer(code, row)


def find_offer(*, code: str, now: datetime) -> PairingCode:
    """The offer that a code stands for, while it is good. Raises CodeNotGood."""
    row = PairingCode.objects.select_related("user").filter(code_hash=_hash(code)).first()
    if row is None:
        raise CodeNotGood(why="is not known here")
    if row.phone_id is not None:
        raise CodeNotGood(why="has been used already")
    if row.good_until < now:
        raise CodeNotGood(why="has run out: it was good for 15 minutes")
    return row


@transaction.atomic
def pair_phone(*, code: str, now: datetime) -> Paired:
    """Use a code up and hand out a key. Raises CodeNotGood."""
    offer = find_offer(code=code, now=now)
    key = secrets.token_urlsafe(KEY_BYTES)
    phone = Phone.objects.create(
        name=offer.name,
        user=offer.user,
        key_hash=_hash(key),
        paired_at=now,
        paired_by=offer.made_by,
        seen_at=now,
    )
    # Claimed by the conditional update: of two phones that scan one code only one is paired.
    claimed = PairingCode.objects.filter(pk=offer.pk, phone__isnull=True).update(phone=phone)
    if claimed != 1:
        raise CodeNotGood(why="has been used already")
    return Paired(key, phone)


def phone_of_key(*, key: str, now: datetime) -> Phone | None:
    """The phone whose key this is, revoked or not; None for no phone's."""
    if not key:
        return None
    phone = Phone.objects.select_related("user").filter(key_hash=_hash(key)).first()
    if phone is not None and not phone.is_revoked:
        Phone.objects.filter(pk=phone.pk).update(seen_at=now)
    return phone


def revoke_phone(*, phone_id: int, by: User, now: datetime) -> Phone:
    """Take a phone off the list. What it still sends is kept aside. The first word is kept."""
    by.must("pair_phones")
    Phone.objects.filter(pk=phone_id, revoked_at__isnull=True).update(revoked_at=now, revoked_by=by)
    phone = Phone.objects.select_related("user").filter(pk=phone_id).first()
    if phone is None:
        raise Unknown(kind="phone", name=str(phone_id))
    return phone
