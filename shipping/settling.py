"""HOP 8d settle: what is left when no more of the same pieces can be had -> lines moved, signed.

Call from: shipping/shortfalls.py.
Locks: the order's row, then strain-forms and promises.

Who was inked last loses first. A substitute goes only to a shop that takes them; what is carried
over is promised in the next week before its list is shared out; the mother reserve is touched by
the owner alone, and never below its hard floor.
"""

import json
from collections.abc import Iterator
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory.holds import lower_floor
from inventory.models import Happening, Listing, Strain
from inventory.people import User
from inventory.standing import StrainStock, read_stock
from inventory.supply import reserve_gap
from orders.change_records import facts_of, write_change
from orders.models import Line, Order, Promise, ShipWeek
from orders.replacing import can_next, carry_over, put_instead, substitutes_for
from shipping.freight_crediting import draft_freight_credit
from shipping.models import FreightCredit, PackPlan, Shortfall
from shipping.picked import lacking, make_way

SUBSTITUTE, NEXT_WEEK, RESERVE = "substitute", "next week", "reserve"
LAST_REMEDIES = (SUBSTITUTE, NEXT_WEEK, RESERVE)
# How many of those who lose first are named.
SHOWN_LOSERS = 3
Remedy = dict[str, Any]


def last_remedies(
    *, stock: StrainStock, week: ShipWeek, pieces: int, now: datetime
) -> list[Remedy]:
    """Substitutes, next week and the reserve, each with what it could give. [pieces]"""
    # Whose pieces were looked for at the tray and lack: no other order's pieces reach those.
    picked = [
        (row.promise, row.missing_units)
        for row in lacking(strain_form_id=stock.strain_form_id, week=week)
    ]
    inked = [(promise, _units(promise, pieces)) for promise in _losers(stock.strain_form_id, week)]
    # A person may pass over the first to lose, not choose among all.
    first = [*picked, *inked[:SHOWN_LOSERS]]
    return [
        *(row for loser in [*picked, *inked] for row in _substitutes(*loser, now)),
        *(row for loser in first for row in _next_week(*loser, now)),
        *_reserve(stock, week, pieces),
    ]


def _losers(strain_form_id: int, week: ShipWeek) -> Iterator[Promise]:
    """Inked promises, who was inked last first: the earliest loses last."""
    rows = Promise.objects.filter(
        strain_form_id=strain_form_id, week=week, state=Promise.State.INKED
    ).select_related(
        "line__order__customer", "line__order__week", "line__order__ship_to__customer",
        "line__listing__strain_form__strain",
    )  # fmt: skip
    return iter(rows.order_by("-inked_at", "-line__order__number"))


def _units(promise: Promise, pieces: int) -> int:
    """Sale units that cover the missing pieces, in the line's own whole units, at most all. What
    would be left below the least that is accepted goes as well."""
    line, a_unit = promise.line, promise.pieces // promise.units
    wanted = -(-pieces // a_unit)
    units = min(promise.units, -(-wanted // line.unit) * line.unit)
    return promise.units if promise.units - units < line.least else units


def _substitutes(promise: Promise, units: int, now: datetime) -> Iterator[Remedy]:
    line, order = promise.line, promise.line.order
    wish = order.customer.takes_substitutes
    if wish not in ("yes", "ask"):
        return
    for row in substitutes_for(line=line, units=units, now=now):
        if row.why_not:
            continue
        words = (
            f"{order.number} {order.customer.name} takes {units} {row.listing.name} at "
            f"${row.price} each instead of {units} {line.listing.name}; {row.left} are left"
        )
        if wish == "ask":
            words = f"after the shop said yes to it: {words}"
        yield {
            "kind": SUBSTITUTE,
            "pieces": units * (promise.pieces // promise.units),
            "line": line.pk,
            "listing": row.listing.name,
            "units": units,
            "words": words,
        }


def _next_week(promise: Promise, units: int, now: datetime) -> Iterator[Remedy]:
    line, order = promise.line, promise.line.order
    week = _week_after(order.week)
    if week is None or can_next(line=line, week=week, on=timezone.localdate(now)).units < units:
        return
    amount = freight_share(line=line, units=units)
    yield {
        "kind": NEXT_WEEK,
        "pieces": units * (promise.pieces // promise.units),
        "line": line.pk,
        "units": units,
        "words": f"{order.number} {order.customer.name} gets {units} {line.listing.name} in "
        f"{week.name} instead, first in line"
        + (f"; its share of the freight, ${amount}, waits to be approved" if amount else ""),
    }


def _week_after(week: ShipWeek) -> ShipWeek | None:
    """The next ship week that the farm has opened."""
    return ShipWeek.objects.filter(monday__gt=week.monday).order_by("monday").first()


def freight_share(*, line: Line, units: int) -> Decimal:
    """The share of an order's planned freight that some units of a line bear, by the bags it was
    planned with: what the picker did not find, or the packer put back, was to travel too. [$]"""
    plans = list(PackPlan.objects.filter(order=line.order).order_by("-id"))
    counted = [(plan, _bags_planned(plan)) for plan in plans]
    # The newest that still carried all of the line; it may be planned without since.
    whole = [row for row in counted if row[1].get(line.pk, 0) >= line.promise.units]
    plan, bags = [*whole, *counted, (None, {})][0]
    if plan is None or not bags:
        return Decimal("0.00")
    share = plan.freight * min(units, bags.get(line.pk, 0)) / sum(bags.values())
    return share.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)


def _bags_planned(plan: PackPlan) -> dict[int, int]:
    """How many bags a plan carries of each line."""
    bags: dict[int, int] = {}
    for box in json.loads(plan.record)["boxes"]:
        for line_id, count in box["bag_lines"]:
            bags[line_id] = bags.get(line_id, 0) + count
    return bags


def _reserve(stock: StrainStock, week: ShipWeek, pieces: int) -> Iterator[Remedy]:
    """Pieces held back for mothers in this strain's sale trays, down to the hard floor."""
    strain = Strain.objects.get(pk=stock.strain_id)
    sisters = [row for row in read_stock() if row.strain_id == stock.strain_id]
    kept = [row for sister in sisters for row in sister.trays if row.state == "kept"]
    gap = reserve_gap(floor_pieces=strain.floor_pieces, kept=kept, monday=week.monday)
    most = min(pieces, gap, strain.floor_pieces - strain.hard_floor_pieces)
    if most <= 0:
        return
    floor = strain.floor_pieces - most
    yield {
        "kind": RESERVE,
        "pieces": most,
        "floor": floor,
        "words": f"the owner signs {most} out of the mother reserve of {strain.key}: its floor "
        f"goes from {strain.floor_pieces} to {floor}, the hard floor is "
        f"{strain.hard_floor_pieces}",
    }


@transaction.atomic
def take_last_remedy(*, shortfall: Shortfall, remedy: Remedy, user: User, now: datetime) -> None:
    """Do what one of these remedies says. Raises NotAllowed, AboveWhatIsLeft, BagsStillTied,
    ForbiddenMove."""
    if remedy["kind"] == RESERVE:
        lower_floor(
            strain_key=shortfall.strain_form.strain.key,
            pieces=int(remedy["floor"]),
            reason=f"{shortfall.week.name}: {shortfall.cause}",
            user=user,
            at=now,
        )
        return
    user.must("free_promise")
    line = _locked_line(int(remedy["line"]))
    before = facts_of(order=line.order)
    credit: FreightCredit | None = None
    reason = f"{shortfall.cause}; {remedy['words']}"
    promise = Promise.objects.select_for_update().get(line=line)
    make_way(promise=promise, units=int(remedy["units"]), user=user, now=now, note=reason)
    if remedy["kind"] == SUBSTITUTE:
        put_instead(
            line=line,
            listing=Listing.objects.get(name=remedy["listing"]),
            units=int(remedy["units"]),
            now=now,
            user=user,
            reason=reason,
        )
    else:
        credit = _carry(shortfall, line, int(remedy["units"]), user, now, reason)
    # The letter of line.moved says what goes instead.
    write_change(order=line.order, before=before, now=now, user=user, reason=reason, is_told=True)
    facts = {
        "order": line.order.number,
        "customer": line.order.customer.code,
        "listing": line.listing.name,
        "kind": remedy["kind"],
        "cause": shortfall.cause,
        "reason": remedy["words"],
        "freight_credit": credit.pk if credit is not None else None,
    }
    Happening.objects.create(kind="line.moved", at=now, facts=facts)


def _locked_line(line_id: int) -> Line:
    order_id = Line.objects.values_list("order_id", flat=True).get(pk=line_id)
    order = (
        Order.objects.select_for_update(of=("self",))
        .select_related("customer", "week", "ship_to__customer")
        .get(pk=order_id)
    )
    line = Line.objects.select_related("listing__strain_form__strain").get(pk=line_id)
    line.order = order
    return line


def _carry(
    shortfall: Shortfall, line: Line, units: int, user: User, now: datetime, reason: str
) -> FreightCredit | None:
    week = _week_after(line.order.week)
    assert week is not None  # _next_week has looked
    amount = freight_share(line=line, units=units)
    carried = carry_over(line=line, units=units, week=week, now=now, user=user, reason=reason)
    return draft_freight_credit(
        shortfall=shortfall,
        order=line.order,
        carried=carried,
        amount=amount,
        what=f"{units} {line.listing.name}",
        user=user,
        now=now,
    )
