"""HOP 8c shortfall: promised pieces that are not there -> a row a person settles, with remedies.

The remedies stand in the order of the farm's terms: uncounted margin, a growing tray graded ready,
another clean system, then (shipping/settling.py) a buyer's substitute, next week first in line with
a share of the freight credited, and the mother reserve above its hard floor, signed by the owner.

Call from: shipping/picking.py, shipping/keying.py, shipping/following.py, shipping/pages.py.
A promise once inked is never shrunk by a rule; what is missing is proposed, not decided.
"""

from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.errors import ForbiddenMove, Unknown
from inventory.ledger import change_lot_state
from inventory.models import Happening, Lot
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock, read_stock
from inventory.supply import reserve_gap, tray_countable
from orders.models import PromisedTotal, ShipWeek
from shipping.models import Shortfall
from shipping.picked import held_on_bench
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


def physical_pieces(*, stock: StrainStock, week: ShipWeek) -> int:
    """Pieces that stand ready and may leave, as counted, before decay and above the reserve."""
    sellable = [row for row in stock.trays if _may_leave(row, stock, week)]
    gap = reserve_gap(floor_pieces=stock.floor_pieces, kept=_kept(stock), monday=week.monday)
    return max(0, sum(row.pieces for row in sellable) - gap)


def _may_leave(row: TrayStock, stock: StrainStock, week: ShipWeek) -> bool:
    is_in = row.state == "ready" or (
        row.state == "growing" and row.p80_on is not None and row.p80_on <= week.monday
    )
    return is_in and not row.is_held_in(week.monday) and not stock.is_pale(row)


def _kept(stock: StrainStock) -> list[TrayStock]:
    sisters = [row for row in read_stock() if row.strain_id == stock.strain_id]
    return [row for sister in sisters for row in sister.trays if row.state == "kept"]


def check_stock(*, strain_form_id: int, week: ShipWeek, cause: str, now: datetime) -> int:
    """Compare what stands with what is promised up to a week; record what is missing. [pieces]"""
    stock = read_stock(strain_form_ids=[strain_form_id])[0]
    promised = sum(
        PromisedTotal.objects.filter(
            strain_form_id=strain_form_id, week__monday__lte=week.monday
        ).values_list("pieces", flat=True)
    )
    short = max(0, promised - physical_pieces(stock=stock, week=week)) if promised else 0
    short += held_on_bench(strain_form_id=strain_form_id, week=week)
    if short:
        record_short(stock=stock, week=week, pieces=short, cause=cause, now=now)
    return short


def remedies_for(
    *, stock: StrainStock, week: ShipWeek, pieces: int, now: datetime
) -> list[dict[str, Any]]:
    """Every remedy in its order, each with what it could give. [pieces]"""
    return [
        *_of_the_same(stock, week, pieces),
        *last_remedies(stock=stock, week=week, pieces=pieces, now=now),
    ]


def _of_the_same(stock: StrainStock, week: ShipWeek, pieces: int) -> list[dict[str, Any]]:
    """The first three: more of the same pieces from somewhere."""
    book = SettingBook.read(on=week.first_ship_on)
    ready = [row for row in stock.trays if row.state == "ready" and _may_leave(row, stock, week)]
    margin = sum(
        row.pieces - tray_countable(row=row, stock=stock, ship_on=week.first_ship_on, book=book)
        for row in ready
    )
    found: list[dict[str, Any]] = []
    if margin:
        words = f"{margin} pieces stand above what is counted on: look whether they will do"
        found.append({"kind": "margin", "pieces": min(margin, pieces), "words": words})
    for row in stock.trays:
        is_stopped = row.is_held_in(week.monday) or stock.is_pale(row)
        if row.state == "growing" and not is_stopped:
            most = min(pieces, row.pieces)
            words = f"grade {most} of {row.tray} ready on the bench; {row.pieces} stand there"
            found.append(
                {
                    "kind": "grade",
                    "tray": row.tray,
                    "lot": row.lot_id,
                    "pieces": min(pieces, row.pieces),
                    "words": words,
                }
            )
    systems = {row.system for row in ready}
    if len(systems) > 1:
        for row in ready:
            words = f"{row.pieces} stand in {row.tray}, system {row.system}: take them there"
            found.append(
                {
                    "kind": "other system",
                    "tray": row.tray,
                    "pieces": min(pieces, row.pieces),
                    "words": words,
                }
            )
    return found


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
    """A person takes one of the remedies. Grading a lot ready is done here; the promises stand.

    Raises Unknown, ForbiddenMove when the row is settled already.
    """
    row = Shortfall.objects.select_for_update().get(pk=shortfall_id)
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
    elif remedy["kind"] == "grade":
        user.must("grade_ready")
        lot = Lot.objects.get(pk=remedy["lot"])
        if lot.state == Lot.State.GROWING:
            change_lot_state(lot_id=lot.pk, state=Lot.State.READY)
    else:
        user.must("pick")
    _settle(row, remedy, user, now)
    facts = {"strain_forms": [row.strain_form_id], "reason": remedy["words"]}
    Happening.objects.create(kind="shortfall.settled", at=now, facts=facts)
    return row
