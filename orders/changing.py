"""HOP 6b changes: what a buyer wants otherwise -> lines raised, lowered, added or taken off.

Call from: orders/change_pages.py, orders/api.py.
Locks: the week's row, the order's, strain-forms (lowest key first), then promises.

Until the cut-off everything may change, by the same rules as a new order: a first-come line gives
back at once what it no longer asks and pencils at most what is left; any other line only asks. What
is raised or added counts as sent now, for its place among equals and for its price; what is lowered
keeps both. After the cut-off a line can only be taken off, until it is picked.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError
from inventory.ledger import lock_strain_forms
from inventory.models import Happening, Listing
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.amending import refuse_stranger, take_line_back
from orders.calc.weeks import may_still_order
from orders.change_records import (
    STANDING,
    changes_shown,
    channel_of,
    facts_of,
    when_words,
    write_change,
)
from orders.intake import Asked, Draft, asked_problem, first_words, judge_drafts, price_of
from orders.listing import prices_on
from orders.models import Line, Order, OrderChange, Promise, ShipWeek
from orders.promising import (
    AboveWhatIsLeft,
    CanPromise,
    change_promise,
    left_under_lock,
    make_promise,
    resize_promise,
)

NOT_PICKED_YET = (
    Order.State.SENT,
    Order.State.CHECKED,
    Order.State.PROMISED,
    Order.State.SET_ASIDE,
)


class ChangeNotRight(FarmError):
    code = "change_not_right"
    status = 422
    title = "The change cannot be made"
    message = "Nothing was changed: {first}. Mend the rows named and send it again."


class OrderChangedSince(FarmError):
    code = "order_changed_since"
    status = 412
    title = "The order has changed since"
    message = (
        "Nothing was changed: order {order} was changed after you read it ({since}). "
        "Read it again, then send what you still want."
    )


class ChangeTooLate(FarmError):
    code = "change_too_late"
    title = "The order cannot be changed any more"
    message = "Nothing was changed: {why}. {remedy}"


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line as it shall be, in sale units. Asked 0 takes it off; None leaves as it is."""

    listing: str
    asked: int
    unit: int | None = None
    least: int | None = None
    note: str = ""


@dataclass(slots=True)
class _Step:
    """One line that is to change, with what it was."""

    row: int
    listing: Listing
    asked: Asked
    line: Line | None
    was: int
    state: str = Line.State.OPEN
    reason_code: str = ""
    reason: str = ""

    @property
    def is_off(self) -> bool:
        return not self.asked.asked

    @property
    def is_up(self) -> bool:
        return self.asked.asked > self.was

    @property
    def is_first_come(self) -> bool:
        if self.line is not None and self.was:
            return self.line.is_first_come
        return self.listing.share_rule == Listing.Rule.FIRST_COME


def may_change(*, order: Order, now: datetime) -> bool:
    """Whether its lines may still be raised, lowered and added to."""
    week = order.week
    return (
        order.state in NOT_PICKED_YET
        and week.closed_at is None
        and may_still_order(at=now, cut_off_at=week.cut_off_at)
    )


@transaction.atomic
def change_order(
    *,
    order_id: int,
    wanted: Sequence[Wanted],
    version_seen: int,
    now: datetime,
    user: User | None,
    channel: str = "",
) -> OrderChange | None:
    """Change a sent order, all rows or none. Lines that are not named stay; None: nothing differs.

    ``user`` is None for a customer's own system. Raises NotAllowed, OrderChangedSince,
    ChangeTooLate, ChangeNotRight, AboveWhatIsLeft (typed by the office: all or nothing).
    """
    # The week first: no change slips in between a sharing out's reading and its promises.
    week = ShipWeek.objects.select_for_update(of=("self",), no_key=True).get(orders=order_id)
    order = (
        Order.objects.select_for_update(of=("self",))
        .select_related("customer", "ship_to__customer")
        .get(pk=order_id)
    )
    order.week = week
    refuse_stranger(order=order, user=user, act="change another customer's order")
    channel = channel or channel_of(user)
    if order.version != version_seen:
        raise OrderChangedSince(order=order.number, since=_since(order, version_seen))
    _refuse_too_late(order, wanted, now)
    steps = _read(order, wanted)
    if not steps:
        return None
    _refuse_unfit(order, steps)
    before = facts_of(order=order)
    lock_strain_forms(
        {row.listing.strain_form_id for row in steps if row.is_first_come or row.is_off}
    )
    # What is given back first: it may be what another line of this very change takes.
    for step in sorted(steps, key=lambda row: (row.is_up, row.row)):
        _take(step, order, now, user, channel)
    return write_change(order=order, before=before, now=now, user=user, channel=channel)


def _since(order: Order, seen: int) -> str:
    shown, zone = changes_shown(order=order, after=seen), order.ship_to.time_zone
    return (
        "; ".join(f"{when_words(row, zone=zone)}: {row.words}" for row in shown)
        or "by another window"
    )


def _read(order: Order, wanted: Sequence[Wanted]) -> list[_Step]:
    """Every row that differs from what stands, or one refusal that names all rows at fault."""
    lines = {line.listing.name: line for line in order.lines.select_related("listing")}
    listings = Listing.objects.select_related(
        "strain_form__strain__strain_class", "strain_form__form"
    ).in_bulk([row.listing for row in wanted], field_name="name")
    problems: list[dict[str, Any]] = []
    steps: list[_Step] = []
    seen: dict[str, int] = {}
    for index, row in enumerate(wanted, 1):
        line, listing = lines.get(row.listing), listings.get(row.listing)
        was = line.asked if line is not None and line.state in STANDING else 0
        asked = _asked(row, line if was else None)
        problem = _inked_problem(line, was, asked)
        if problem is None and (asked.asked or listing is None or row.listing in seen):
            problem = asked_problem(asked, listing, seen)
        if problem is not None:
            problems.append({"row": index, "listing": row.listing, **problem})
        elif listing is not None and _differs(asked, line, was):
            steps.append(_Step(index, listing, asked, line, was))
        seen.setdefault(row.listing, index)
    if problems:
        raise ChangeNotRight(first=first_words(problems), rows=problems)
    return steps


def _inked_problem(line: Line | None, was: int, asked: Asked) -> dict[str, str] | None:
    """A line carried over from a short week is inked before its list closes."""
    if line is None or not was or not asked.asked or not _differs(asked, line, was):
        return None
    if not Promise.objects.filter(line=line, state=Promise.State.INKED).exists():
        return None
    return {"code": "line_inked", "detail": "it is promised already; leave it or take it off"}


def _asked(row: Wanted, line: Line | None) -> Asked:
    """A row with what it leaves open filled in from the line that stands."""
    unit = row.unit or (line.unit if line else 1)
    least = row.least
    if least is None and line is not None and row.asked:
        # The least that was said stands; it cannot pass what is asked now.
        least = max(1, min(line.least, row.asked))
    return Asked(row.listing, row.asked, unit, least or unit, row.note)


def _differs(asked: Asked, line: Line | None, was: int) -> bool:
    if line is None or not was or not asked.asked:
        return asked.asked != was
    return (asked.asked, asked.unit, asked.least) != (was, line.unit, line.least)


def _refuse_too_late(order: Order, wanted: Sequence[Wanted], now: datetime) -> None:
    if may_change(order=order, now=now):
        return
    if order.state not in NOT_PICKED_YET:
        why = f"order {order.number} is {order.get_state_display()}"
        is_gone = order.state == Order.State.WITHDRAWN
        remedy = "Send a new order." if is_gone else "Call the office."
        raise ChangeTooLate(why=why, remedy=remedy)
    if not any(row.asked for row in wanted):
        return  # one's own line, before it is picked
    closed = f"{timezone.localtime(order.week.cut_off_at):%a %-d %b %H:%M %Z}"
    raise ChangeTooLate(
        why=f"order {order.number} could be changed until {closed}",
        remedy="Until it is picked you can still take a whole line off or withdraw the order; for "
        "anything else call the office, or order from the next list.",
    )


def _refuse_unfit(order: Order, steps: Sequence[_Step]) -> None:
    """What is raised or added must be on offer and allowed there; something must be left."""
    ups = [row for row in steps if row.is_up]
    drafts = [Draft(row=row.row, asked=row.asked, listing=row.listing) for row in ups]
    if drafts:
        judge_drafts(drafts, order)
    problems: list[dict[str, Any]] = []
    for step, draft in zip(ups, drafts, strict=True):
        if draft.state == Line.State.REFUSED:
            fault = {"code": draft.reason_code, "detail": f"it cannot be raised: {draft.reason}"}
            problems.append({"row": step.row, "listing": step.listing.name, **fault})
        step.state, step.reason_code = draft.state, draft.reason_code
        step.reason = draft.reason
    off = {row.line.pk for row in steps if row.is_off and row.line is not None}
    standing = order.lines.filter(state__in=STANDING).exclude(pk__in=off)
    if not ups and not standing.exists():
        first = next(row for row in steps if row.is_off)
        detail = "no line would be left; withdraw the whole order instead"
        row = {"row": first.row, "listing": first.listing.name, "code": "nothing_left"}
        problems.append({**row, "detail": detail})
    if problems:
        raise ChangeNotRight(first=first_words(problems), rows=problems)


def _take(step: _Step, order: Order, now: datetime, user: User | None, channel: str) -> None:
    if step.is_off:
        assert step.line is not None  # _differs has looked
        reason = f"taken off by {user.name if user else order.customer.name}"
        take_line_back(line=step.line, now=now, user=user, reason=reason)
        return
    line = _write_line(step, order, now)
    if line.is_first_come:
        _settle_first_come(line, order, now, user, channel)


def _write_line(step: _Step, order: Order, now: datetime) -> Line:
    asked = step.asked
    line = step.line or Line(
        order=order,
        listing=step.listing,
        position=max((row.position for row in order.lines.all()), default=0) + 1,
    )
    if not step.was:
        line.is_first_come = step.is_first_come
        line.state, line.reason_code = step.state, step.reason_code
        line.reason = step.reason[:400]
        line.confirmed_by, line.confirmed_at = None, None
    line.asked, line.unit = asked.asked, asked.unit
    line.least = asked.least if asked.least is not None else asked.unit
    line.note = asked.note or line.note
    if step.is_up:
        line.sent_at = now
    on = timezone.localdate(line.sent_at or order.sent_at)
    price = prices_on(on=on)[step.listing.pk]
    line.unit_price = price_of(price, line.asked, order, SettingBook.read(on=on))
    line.save()
    return line


def _settle_first_come(
    line: Line, order: Order, now: datetime, user: User | None, channel: str
) -> None:
    """Give back what is no longer asked, or pencil more of what is left; never less for more."""
    on = timezone.localdate(now)
    form_id = line.listing.strain_form_id
    book = SettingBook.read(on=on)
    # Locked since the change began: this reading is a statement after the wait.
    can = left_under_lock(strain_form_ids=[form_id], week=order.week, on=on, book=book)[form_id]
    promise = Promise.objects.filter(line=line, state=Promise.State.PENCILLED).first()
    held = promise.units if promise else 0
    reach = held + max(0, can.units)
    if channel == OrderChange.Channel.PHONE and line.asked > reach:
        raise AboveWhatIsLeft(
            asked=line.asked, listing=line.listing.name, week=order.week.name, left=reach
        )
    units = min(line.asked, reach) // line.unit * line.unit
    if units < line.least:
        units = 0
    _pencil(line, promise, can, units, now, user)
    is_short = units < line.asked
    line.reason_code = "short" if is_short else ""
    line.reason = f"{line.asked - units} short: {reach} were left" if is_short else ""
    line.save(update_fields=["reason_code", "reason"])
    if units > held and reach - units < 1:
        facts = {"listing": line.listing.name, "reason": "the last of it is promised"}
        Happening.objects.create(kind="line.sold_through", at=now, facts=facts)


def _pencil(
    line: Line,
    promise: Promise | None,
    can: CanPromise,
    units: int,
    now: datetime,
    user: User | None,
) -> None:
    reason = f"first come: {units} of {line.asked}"
    if promise is None:
        if units:
            make_promise(line=line, can=can, units=units, now=now, user=user, reason=reason)
    elif not units:
        words = "less is left than the least that is accepted"
        change_promise(promise_id=promise.pk, state=Promise.State.FREED, reason=words)
    elif units != promise.units:
        resize_promise(promise_id=promise.pk, can=can, units=units, reason=reason)
