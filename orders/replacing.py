"""HOP 6d replace: a promised line that cannot go -> another line in its place, or none.

Call from: orders/resting.py, shipping/settling.py.
Locks: the caller holds the order's row; here strain-forms, lowest key first, then promises.
"""

import secrets
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal

from django.utils import timezone

from inventory.ledger import lock_strain_forms
from inventory.models import Listing, Strain, Substitute
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.amending import free_promise
from orders.change_records import STANDING
from orders.intake import give_number, price_of
from orders.listing import prices_on
from orders.models import Line, Order, Promise, ShipWeek
from orders.promising import (
    CanPromise,
    can_promise_all,
    change_promise,
    cut_promise,
    make_promise,
)
from orders.rules import RuleBook


@dataclass(frozen=True, slots=True)
class Instead:
    """A listing that could go in place of a line. [sale units, $ a unit]"""

    listing: Listing
    price: Decimal
    left: int
    why_not: str = ""


def winter_look(*, line: Line, now: datetime) -> Instead | None:
    """The winter look of a line's own strain-form at its own price; None where it has none."""
    form_id = line.listing.strain_form_id
    listing = Listing.objects.filter(strain_form_id=form_id, look=Listing.Look.WINTER).first()
    if listing is None:
        return None
    prices = prices_on(on=timezone.localdate(now))
    if listing.pk not in prices:
        return None
    book = SettingBook.read(on=timezone.localdate(now))
    promise = Promise.objects.filter(line=line, state__in=Promise.LIVE).first()
    units = promise.units if promise else 0
    price = price_of(prices[listing.pk], units, line.order, book)
    return Instead(listing, price, units, _on_it_already(line.order, listing))


def substitutes_for(*, line: Line, units: int, now: datetime) -> list[Instead]:
    """Every substitute named for a line's listing, those that cannot be had with their reason.

    At the same or a lower price, never one that stings more, never one whose rule at that ship-to
    asks more than the line's own, never a listing that is short itself.
    """
    on = timezone.localdate(now)
    named = Substitute.objects.filter(listing=line.listing).select_related(
        "substitute__strain_form__strain__strain_class", "substitute__strain_form__form"
    )
    listings = [row.substitute for row in named]
    if not listings:
        return []
    book, prices = SettingBook.read(on=on), prices_on(on=on)
    rules = RuleBook.read(ship_to=line.order.ship_to)
    cans = can_promise_all(
        week=line.order.week,
        on=on,
        is_on_sale=True,
        book=book,
        strain_form_ids={row.strain_form_id for row in listings},
    )
    found = []
    for listing in listings:
        if listing.pk not in prices:
            continue
        can = cans[listing.strain_form_id]
        price = price_of(prices[listing.pk], units, line.order, book)
        strain = listing.strain_form.strain
        is_resting = can.stock.is_resting and not listing.is_winter
        why_not = (
            _on_it_already(line.order, listing)
            or _dearer(price, line)
            or _stings_more(strain, line)
            or ("it rests" if is_resting else "")
            or ("" if can.units >= units else f"only {max(0, can.units)} are left")
            or _law(rules, strain, line)
        )
        found.append(Instead(listing, price, max(0, can.units), why_not))
    return found


def _on_it_already(order: Order, listing: Listing) -> str:
    is_on_it = order.lines.filter(listing=listing, state__in=STANDING).exists()
    return "it is on the order already" if is_on_it else ""


def _dearer(price: Decimal, line: Line) -> str:
    return f"it costs more: ${price} each" if price > line.unit_price else ""


def _stings_more(strain: Strain, line: Line) -> str:
    return "it stings more" if strain.sting > line.listing.strain_form.strain.sting else ""


def _law(rules: RuleBook, strain: Strain, line: Line) -> str:
    """Never across papers: it may go there as it is, by the same kind of rule as the line."""
    verdict = rules.judge(strain=strain, on=line.order.ship_on)
    own = rules.judge(strain=line.listing.strain_form.strain, on=line.order.ship_on)
    if verdict.verdict != "allow":
        return f"it may not go there as it is: {verdict.reason}"
    is_same_paper = getattr(verdict.paper, "pk", None) == getattr(own.paper, "pk", None)
    return "" if is_same_paper else "it would go on another paper"


def take_off(
    *, line: Line, now: datetime, user: User | None, code: str, reason: str
) -> Promise | None:
    """Free what a line was promised and close the line, with a cause of its own."""
    promise = Promise.objects.select_for_update().filter(line=line).first()
    if promise is not None and (
        promise.state in Promise.IN_THE_WATER
        # Picked, and everything is back in its tray.
        or (promise.state == Promise.State.PULLED and not promise.pieces_out)
    ):
        free_promise(promise=promise, now=now, reason=reason)
    line.state, line.reason_code, line.reason = Line.State.WITHDRAWN, code, reason[:400]
    line.save(update_fields=["state", "reason_code", "reason"])
    return promise


def give_up(
    *, line: Line, units: int, now: datetime, user: User | None, code: str, reason: str
) -> Promise:
    """Take all or some of what a line was promised away by a person's act, with a cause."""
    promise = Promise.objects.select_for_update().get(line=line)
    if units >= promise.units:
        taken = take_off(line=line, now=now, user=user, code=code, reason=reason)
        assert taken is not None
        return taken
    cut_promise(promise_id=promise.pk, units=promise.units - units, reason=reason)
    line.reason_code, line.reason = code, reason[:400]
    line.save(update_fields=["reason_code", "reason"])
    return promise


def put_instead(
    *, line: Line, listing: Listing, units: int, now: datetime, user: User | None, reason: str
) -> Line:
    """A new line of a listing with its promise inked at once, in place of a line taken off.

    Pieces of the same strain-form pass from one line to the other; others are fenced like a new
    promise. The place in time stays: who loses last is who was inked first. Raises AboveWhatIsLeft.
    """
    order, on = line.order, timezone.localdate(now)
    lock_strain_forms({line.listing.strain_form_id, listing.strain_form_id})
    old = give_up(line=line, units=units, now=now, user=user, code="replaced", reason=reason)
    book = SettingBook.read(on=on)
    new = order.lines.filter(listing=listing).first() or Line(
        order=order,
        listing=listing,
        position=max(row.position for row in order.lines.all()) + 1,
    )
    new.asked, new.unit, new.least = units, 1, 1
    new.is_first_come, new.sent_at, new.state = False, now, Line.State.OPEN
    new.reason_code = "instead"
    new.reason = f"in place of {units} {line.listing.name}: {reason}"[:400]
    new.unit_price = price_of(prices_on(on=on)[listing.pk], units, order, book)
    new.save()
    can = can_promise_all(
        week=order.week,
        on=on,
        is_on_sale=True,
        book=book,
        strain_form_ids=[listing.strain_form_id],
    )[listing.strain_form_id]
    if old.strain_form_id == listing.strain_form_id:
        # What this line held is its own to keep: the sum does not grow by passing it on.
        can = replace(can, pieces=max(can.pieces, units * can.stock.unit))
    _ink(new, can, units, now, old.inked_at or now, user, reason)
    return new


def _ink(
    line: Line,
    can: CanPromise,
    units: int,
    now: datetime,
    inked_at: datetime,
    user: User | None,
    reason: str,
) -> None:
    promise = make_promise(line=line, can=can, units=units, now=now, user=user, reason=reason)
    change_promise(promise_id=promise.pk, state=Promise.State.INKED, reason=reason)
    Promise.objects.filter(pk=promise.pk).update(inked_at=inked_at)


def carry_over(
    *, line: Line, units: int, week: ShipWeek, now: datetime, user: User, reason: str
) -> Order:
    """Promise what a line lost in a later week instead, before that week is shared out.

    An order of its own, inked at once: first in line. Raises AboveWhatIsLeft.
    """
    order, on = line.order, timezone.localdate(now)
    lock_strain_forms([line.listing.strain_form_id])
    give_up(line=line, units=units, now=now, user=user, code="carried", reason=reason)
    same_day = [day for day in week.ship_days if day.weekday() == order.ship_on.weekday()]
    carried = Order.objects.create(
        number=secrets.token_hex(6),
        customer=order.customer,
        ship_to=order.ship_to,
        week=week,
        ship_on=(same_day or list(week.ship_days))[0],
        tier=order.tier,
        source=Order.Source.PHONE,
        state=Order.State.PROMISED,
        idempotency_key=f"carried:{line.pk}:{week.name}",
        sent_at=now,
        placed_by=user,
        note=f"first in line: {units} {line.listing.name} carried from order {order.number}"[:300],
    )
    give_number(carried)
    new = Line.objects.create(
        order=carried,
        position=1,
        listing=line.listing,
        asked=units,
        unit=line.unit if units % line.unit == 0 else 1,
        least=1,
        unit_price=line.unit_price,
        reason=f"carried from order {order.number}: {reason}"[:400],
    )
    can = can_next(line=line, week=week, on=on)
    _ink(new, can, units, now, now, user, reason)
    return carried


def can_next(*, line: Line, week: ShipWeek, on: date) -> CanPromise:
    """What a later week can still promise of a line's strain-form, its list out or not."""
    form_id = line.listing.strain_form_id
    return can_promise_all(
        week=week,
        on=on,
        is_on_sale=week.published_at is not None,
        book=SettingBook.read(on=on),
        strain_form_ids=[form_id],
    )[form_id]
