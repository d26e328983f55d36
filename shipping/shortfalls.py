"""HOP 8c shortfall: promised pieces that are not there -> a row a person settles, with remedies.

The remedies stand in the order of the farm's terms: uncounted margin, a growing tray graded ready,
another tray or clean system (shipping/refilling.py), then (shipping/settling.py) a buyer's
substitute, next week first in line with a share of the freight credited, and the mother reserve
above its hard floor, signed by the owner.

Call from: shipping/picking.py, shipping/keying.py, shipping/following.py, shipping/pages.py.
A promise once inked is never shrunk by a rule; what is missing is proposed, not decided.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.errors import ForbiddenMove, Unknown
from inventory.models import Happening
from inventory.people import User
from inventory.standing import StrainStock, read_stock
from orders.models import ShipWeek
from shipping.models import Shortfall
from shipping.refilling import need_of, remedies_of_the_same, take_the_same
from shipping.settling import LAST_REMEDIES, last_remedies, take_last_remedy


@transaction.atomic
def record_short(
    *, stock: StrainStock, week: ShipWeek, pieces: int, cause: str, now: datetime
) -> Shortfall:
    """Record that promised pieces are missing. An open row of the week takes the new number."""
    remedies = remedies_for(stock=stock, week=week, pieces=pieces, now=now)
    open_row = Shortfall.objects.filter(
        strain_form_id=stock.strain_form_id, week=week, settled_at__isnull=True
    ).first()
    if open_row is not None:
        open_row.pieces, open_row.cause, open_row.remedies = pieces, cause[:200], remedies
        open_row.save(update_fields=["pieces", "cause", "remedies"])
        return open_row
    row = Shortfall.objects.create(
        strain_form_id=stock.strain_form_id,
        week=week,
        pieces=pieces,
        cause=cause[:200],
        found_at=now,
        remedies=remedies,
    )
    facts = {"strain_form": stock.key, "week": week.name, "pieces": pieces, "reason": cause}
    Happening.objects.create(kind="shortfall.found", at=now, facts=facts)
    return row


def check_stock(*, strain_form_id: int, week: ShipWeek, cause: str, now: datetime) -> int:
    """Compare what stands with what is promised up to a week; record what is missing. [pieces]"""
    stock = read_stock(strain_form_ids=[strain_form_id])[0]
    short = need_of(stock=stock, week=week).short
    if short:
        record_short(stock=stock, week=week, pieces=short, cause=cause, now=now)
    return short


@transaction.atomic
def close_what_is_there(*, strain_form_ids: Iterable[int], cause: str, now: datetime) -> None:
    """A hold is off: an open row of which nothing lacks any more is settled, others say what
    still lacks."""
    rows = Shortfall.objects.select_for_update().filter(
        strain_form_id__in=list(strain_form_ids), settled_at=None
    )
    for row in rows.select_related("week").order_by("pk"):
        left = check_stock(
            strain_form_id=row.strain_form_id, week=row.week, cause=row.cause, now=now
        )
        if not left:
            row.settled_at = now
            row.settled_how = "; ".join(part for part in (row.settled_how, cause) if part)[:300]
            row.save(update_fields=["settled_at", "settled_how"])


def remedies_for(
    *, stock: StrainStock, week: ShipWeek, pieces: int, now: datetime
) -> list[dict[str, Any]]:
    """Every remedy in its order, each with what it could give. [pieces]"""
    return [
        *remedies_of_the_same(stock=stock, week=week, pieces=pieces),
        *last_remedies(stock=stock, week=week, pieces=pieces, now=now),
    ]


def _settle(row: Shortfall, remedy: dict[str, Any], user: User, now: datetime) -> None:
    """Keep what was taken. What it does not cover stays open, with what else could give it."""
    row.settled_how = "; ".join(part for part in (row.settled_how, remedy["words"]) if part)[:300]
    left = row.pieces - int(remedy["pieces"])
    if left > 0:
        stock = read_stock(strain_form_ids=[row.strain_form_id])[0]
        found = remedies_for(stock=stock, week=row.week, pieces=left, now=now)
        row.pieces = left
        row.remedies = [one for one in found if one["words"] not in row.settled_how]
    else:
        row.settled_at, row.settled_by = now, user
    row.save(update_fields=["pieces", "remedies", "settled_at", "settled_by", "settled_how"])


@transaction.atomic
def accept_remedy(*, shortfall_id: int, index: int, user: User, now: datetime) -> Shortfall:
    """A person takes one of the remedies; the sheets are drawn anew with what it gives.

    Raises Unknown, BagsStillTied, ForbiddenMove when the row is settled already.
    """
    row = Shortfall.objects.select_for_update().select_related("week").get(pk=shortfall_id)
    if row.settled_at is not None:
        raise ForbiddenMove(
            kind="Shortfall",
            name=str(row.pk),
            state="settled",
            wanted="settled again",
            why="it was settled before; look at the sheets",
        )
    if not 0 <= index < len(row.remedies):
        raise Unknown(kind="remedy", name=str(index))
    remedy = row.remedies[index]
    if remedy["kind"] in LAST_REMEDIES:
        take_last_remedy(shortfall=row, remedy=remedy, user=user, now=now)
    else:
        take_the_same(shortfall=row, remedy=remedy, user=user, now=now)
    _settle(row, remedy, user, now)
    facts = {
        "strain_forms": [row.strain_form_id],
        "week": row.week.name,
        "reason": remedy["words"],
    }
    Happening.objects.create(kind="shortfall.settled", at=now, facts=facts)
    return row
