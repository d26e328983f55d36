"""HOP 6 order: page, sheet, API, phone -> Order, Line, pencilled Promise. One path for all.

Call from: orders/basket.py, orders/api.py, config/playing.py.
Locks: the strain-forms of first-come lines, lowest key first.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory.errors import FarmError
from inventory.models import Happening, Listing
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.calc.pricing import best_unit_price
from orders.calc.weeks import may_still_order
from orders.listing import newest_version, prices_on, tier_prices
from orders.models import Customer, Line, ListLine, Order, Price, Promise, ShipTo, ShipWeek
from orders.paper_left import PaperLeft, short_words
from orders.promising import (
    AboveWhatIsLeft,
    CanPromise,
    left_under_lock,
    make_promise,
)
from orders.rules import Judgement, RuleBook


class OrderNotRight(FarmError):
    code = "order_not_right"
    status = 422
    title = "The order cannot be read"
    message = "Nothing was ordered: {first}. Mend the rows named and send it again."


class WeekNotOpen(FarmError):
    code = "week_not_open"
    title = "That list is not open"
    message = "The list of {week} {why}. {remedy}"


class ShipDayNotOffered(FarmError):
    code = "ship_day_not_offered"
    status = 422
    title = "Nothing ships that day"
    message = "{week} ships on {days}, not on {asked}. Choose one of those days."


class NotYourShipTo(FarmError):
    code = "not_your_ship_to"
    status = 404
    title = "No such ship-to"
    message = "{customer} has no ship-to {ship_to}. Use one of {known}."


class NothingStands(FarmError):
    code = "nothing_stands"
    title = "No line could be taken"
    message = "Nothing was ordered: {first}."


@dataclass(frozen=True, slots=True)
class Asked:
    """One row of an order as it came in, in sale units."""

    listing: str
    asked: int
    unit: int = 1
    least: int | None = None
    note: str = ""
    takes_now: bool = False


@dataclass(slots=True)
class Draft:
    """A row on its way to becoming a Line, or a raised one."""

    row: int
    asked: Asked
    listing: Listing
    state: str = Line.State.OPEN
    reason_code: str = ""
    reason: str = ""

    @property
    def is_first_come(self) -> bool:
        return self.asked.takes_now or self.listing.share_rule == Listing.Rule.FIRST_COME


def send_order(
    *,
    customer: Customer,
    ship_to_code: str,
    week: ShipWeek,
    ship_on: date,
    rows: Sequence[Asked],
    source: str,
    idempotency_key: str,
    now: datetime,
    user: User | None = None,
    version_seen: int | None = None,
    number: str | None = None,
    note: str = "",
) -> Order:
    """Take in one order: refuse what cannot be read, stop what may not go, pencil first come.

    A row that may not go (resting, forbidden there) is kept as a refused line with its reason; the
    others stand. Only the loader gives an order its ``number``. The same key returns the first
    order. Raises WeekNotOpen, ShipDayNotOffered, NotYourShipTo, OrderNotRight, NothingStands,
    AboveWhatIsLeft (office orders are all or nothing).
    """
    ship_to = own_ship_to(customer=customer, code=ship_to_code)
    known = Order.objects.filter(customer=customer, idempotency_key=idempotency_key).first()
    if known is not None:
        return known
    _refuse_closed_week(week, now)
    if ship_on not in week.ship_days:
        days = " and ".join(f"{day:%a %-d %b}" for day in week.ship_days)
        raise ShipDayNotOffered(week=week.name, days=days, asked=f"{ship_on:%a %-d %b}")
    drafts = _read_rows(rows)
    try:
        return _write_order(
            drafts,
            customer,
            ship_to,
            week,
            ship_on,
            now,
            number,
            source=source,
            idempotency_key=idempotency_key,
            placed_by=user,
            version_seen=version_seen,
            note=note,
        )
    except IntegrityError:
        # The same key at the same moment: the other request won, this one reads what it wrote.
        known = Order.objects.filter(customer=customer, idempotency_key=idempotency_key).first()
        if known is None:
            raise
        return known


@transaction.atomic
def _write_order(
    drafts: list[Draft],
    customer: Customer,
    ship_to: ShipTo,
    week: ShipWeek,
    ship_on: date,
    now: datetime,
    number: str | None,
    **fields: Any,
) -> Order:
    order = Order.objects.create(
        number=number or secrets.token_hex(6),
        customer=customer,
        ship_to=ship_to,
        week=week,
        ship_on=ship_on,
        tier=customer.tier_on(timezone.localdate(now)),
        sent_at=now,
        **fields,
    )
    if number is None:
        give_number(order)
    judge_drafts(drafts, order)
    _write_lines(drafts, order, now)
    _refuse_empty(order)
    facts = {"order": order.number, "week": week.name, "customer": customer.code}
    Happening.objects.create(kind="order.sent", at=now, facts=facts)
    return order


def own_ship_to(*, customer: Customer, code: str) -> ShipTo:
    """A customer's own ship-to by its code. Raises NotYourShipTo."""
    ship_to = customer.ship_tos.filter(code=code).first()
    if ship_to is None:
        known = ", ".join(customer.ship_tos.values_list("code", flat=True))
        raise NotYourShipTo(customer=customer.name, ship_to=code or "(none)", known=known)
    return ship_to


def _refuse_closed_week(week: ShipWeek, now: datetime) -> None:
    if week.published_at is None or now < week.published_at:
        opens = f"{timezone.localtime(week.publish_at):%a %-d %b %H:%M %Z}"
        raise WeekNotOpen(
            week=week.name, why=f"is not out before {opens}", remedy="Order when it is out."
        )
    # 12:00:00 is still in.
    if week.closed_at is not None or not may_still_order(at=now, cut_off_at=week.cut_off_at):
        closed = f"{timezone.localtime(week.cut_off_at):%a %-d %b %H:%M %Z}"
        raise WeekNotOpen(
            week=week.name, why=f"closed on {closed}", remedy="Order from the next week's list."
        )


def _read_rows(rows: Sequence[Asked]) -> list[Draft]:
    """Every row as a draft, or one refusal that names all rows that cannot be read."""
    problems: list[dict[str, Any]] = []
    drafts: list[Draft] = []
    listings = {
        row.name: row
        for row in Listing.objects.filter(name__in=[row.listing for row in rows]).select_related(
            "strain_form__strain__strain_class", "strain_form__form"
        )
    }
    seen: dict[str, int] = {}
    for index, row in enumerate(rows, 1):
        listing = listings.get(row.listing)
        problem = asked_problem(row, listing, seen)
        if problem is not None:
            problems.append({"row": index, "listing": row.listing, **problem})
        elif listing is not None:
            drafts.append(Draft(row=index, asked=row, listing=listing))
        seen.setdefault(row.listing, index)
    if not rows:
        problems.append({"row": 0, "code": "order_empty", "detail": "the order has no rows"})
    if problems:
        raise OrderNotRight(first=first_words(problems), rows=problems)
    return drafts


def first_words(problems: list[dict[str, Any]]) -> str:
    """The first of several rows at fault, and how many more there are."""
    first = problems[0]
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return f"row {first['row']} {first.get('listing', '')}: {first['detail']}{more}"


def asked_problem(
    row: Asked, listing: Listing | None, seen: dict[str, int]
) -> dict[str, str] | None:
    """Why a row cannot be read as an ask, with a stable code; None where it can."""
    if listing is None:
        return {"code": "listing_unknown", "detail": "there is no such listing"}
    if row.listing in seen:
        detail = f"it is on row {seen[row.listing]} already; put the sum on one row"
        return {"code": "listing_twice", "detail": detail}
    form = listing.strain_form.form
    if row.asked < 1 or row.unit < 1:
        return {"code": "asked_too_small", "detail": "ask for one or more"}
    if row.asked % row.unit:
        detail = f"{row.asked} is not a whole number of {row.unit}s"
        return {"code": "asked_not_whole_units", "detail": detail}
    if row.asked < form.minimum_line:
        detail = f"the least that is sent of this form is {form.minimum_line} {form.unit_word}"
        return {"code": "below_minimum_line", "detail": detail}
    if row.least is not None and not 1 <= row.least <= row.asked:
        detail = f"the least acceptable must lie between 1 and {row.asked}"
        return {"code": "least_above_asked", "detail": detail}
    return None


def give_number(order: Order) -> None:
    """The service's own numbers begin at 10001. They follow the row's key: two orders sent at the
    same moment can never be given the same one."""
    order.number = str(10000 + order.pk)
    order.save(update_fields=["number"])


def judge_drafts(drafts: list[Draft], order: Order) -> None:
    """Say of each row whether the newest list and the rules of its region let it go."""
    version = newest_version(week=order.week)
    offered = {row.listing_id: row for row in version.lines.all()} if version else {}
    book = RuleBook.read(ship_to=order.ship_to)
    listings = [draft.listing.pk for draft in drafts]
    mine = Line.objects.filter(order=order, listing__in=listings) if order.pk else ()
    papers = PaperLeft(without=[line.pk for line in mine])
    for draft in drafts:
        line = offered.get(draft.listing.pk)
        if line is None or line.status != ListLine.Status.OFFERED:
            _stop_draft(draft, line)
            continue
        judged = book.judge(strain=draft.listing.strain_form.strain, on=order.ship_on)
        _apply_judgement(draft, judged)
        _say_what_a_paper_lets_go(draft, judged, papers)


def _stop_draft(draft: Draft, line: ListLine | None) -> None:
    draft.state = Line.State.REFUSED
    if line is None:
        draft.reason_code, draft.reason = "not_on_list", "it is not on this week's list"
        return
    draft.reason_code = "line_" + line.status.replace(" ", "_")
    draft.reason = f"{line.status}: {line.reason}" if line.reason else line.status


def _apply_judgement(draft: Draft, judgement: Judgement) -> None:
    state = {
        "allow": Line.State.OPEN,
        "ask": Line.State.NEEDS_PERSON,
        "paper": Line.State.NEEDS_PAPER,
        "forbid": Line.State.REFUSED,
    }[judgement.verdict]
    if state != Line.State.OPEN:
        draft.state = state
        draft.reason_code, draft.reason = judgement.code, judgement.reason


def _say_what_a_paper_lets_go(draft: Draft, judged: Judgement, papers: PaperLeft) -> None:
    """A row that asks for more than its paper lets go stands, and says what will be promised."""
    form = draft.listing.strain_form
    pieces = draft.asked.asked * form.form.unit_pieces
    left = papers.of(judged=judged, taxon=form.strain.taxon)
    if draft.state == Line.State.OPEN and left is not None and judged.paper and pieces > left:
        draft.reason_code = "paper_short"
        draft.reason = short_words(code=judged.paper.code, left=left, pieces=pieces)
    papers.take(judged=judged, taxon=form.strain.taxon, pieces=pieces)


def _write_lines(drafts: list[Draft], order: Order, now: datetime) -> None:
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    prices = prices_on(on=on)
    first_come = [row for row in drafts if row.is_first_come and row.state != Line.State.REFUSED]
    left: dict[int, CanPromise] = {}
    if first_come:
        ids = [row.listing.strain_form_id for row in first_come]
        left = left_under_lock(strain_form_ids=ids, week=order.week, on=on, book=book)
    for position, draft in enumerate(drafts, 1):
        asked = draft.asked
        line = Line.objects.create(
            order=order,
            position=position,
            listing=draft.listing,
            asked=asked.asked,
            unit=asked.unit,
            least=asked.least if asked.least is not None else asked.unit,
            is_first_come=draft.is_first_come,
            state=draft.state,
            reason_code=draft.reason_code,
            reason=draft.reason[:400],
            unit_price=price_of(prices[draft.listing.pk], asked.asked, order, book),
            note=asked.note,
        )
        if draft in first_come:
            _pencil(line, left[draft.listing.strain_form_id], order, now)


def price_of(price: Price, asked: int, order: Order, book: SettingBook) -> Decimal:
    """The tier's price, or the line's break where that is lower; never both."""
    return best_unit_price(
        tier_price=tier_prices(price=price, book=book)[order.tier - 1],
        units=asked,
        break_units=price.break_units,
        break_price=price.break_price,
    )


def _pencil(line: Line, left: CanPromise, order: Order, now: datetime) -> None:
    """Pencil a first-come line at once from what is left; the rest of the ask is answered."""
    # A line of the same strain-form may have pencilled a moment ago, under this same lock.
    units_left = left.units - _pencilled_in_order(order, left.stock.strain_form_id)
    if order.source == Order.Source.PHONE and line.asked > units_left:
        raise AboveWhatIsLeft(
            asked=line.asked,
            listing=line.listing.name,
            week=order.week.name,
            left=max(0, units_left),
        )
    units = min(line.asked, max(0, units_left)) // line.unit * line.unit
    if units < line.least:
        units = 0
    if units < line.asked:
        line.reason_code = "short"
        line.reason = f"{line.asked - units} short: {max(0, units_left)} were left"
        line.save(update_fields=["reason_code", "reason"])
    if units:
        make_promise(
            line=line,
            can=left,
            units=units,
            now=now,
            user=order.placed_by,
            reason=f"first come: {units} of {line.asked}",
        )
    if units_left - units < 1:
        facts = {"listing": line.listing.name, "reason": "the last of it is promised"}
        Happening.objects.create(kind="line.sold_through", at=now, facts=facts)


def _pencilled_in_order(order: Order, strain_form_id: int) -> int:
    promises = Promise.objects.filter(line__order=order, strain_form_id=strain_form_id)
    return sum(promises.values_list("units", flat=True))


def _refuse_empty(order: Order) -> None:
    lines = list(order.lines.select_related("listing"))
    if any(row.state != Line.State.REFUSED for row in lines):
        return
    rows = [
        {
            "row": row.position,
            "listing": row.listing.name,
            "code": row.reason_code,
            "detail": row.reason,
        }
        for row in lines
    ]
    raise NothingStands(first=f"{rows[0]['listing']}: {rows[0]['detail']}", rows=rows)
