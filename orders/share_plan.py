"""HOP 7b share plan: a week's lines, a way of sharing and changes by hand -> what each line gets.

Call from: orders/sharing.py. Reads only; the same lines, stock and changes give the same plan, and
its mark stands for every number in it, so that what is signed is what was shown.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from inventory.errors import FarmError, ReasonMissing
from inventory.models import Listing
from inventory.setting_book import SettingBook
from orders.amending import PaperStep
from orders.calc.share_orders import WAYS, BookShares, ShortBook, fills, share_book, share_both_ways
from orders.calc.share_rules import RuleSettings
from orders.calc.share_words import buyer_hand_words, buyer_sentence, hand_words, sentence
from orders.calc.sharing import share
from orders.models import Line, ShipWeek
from orders.promising import CanPromise
from orders.share_book import (
    BY_ITEM,
    BY_ORDER,
    OTHER_RULES,
    ListingNumbers,
    WeekNumbers,
    held_units,
    is_stopped,
    mark_of,
    rule_settings,
)
from orders.share_runs import SharedLine, SharedListing, ask_of, line_ref, paper_words


class HandChangeNotPossible(FarmError):
    code = "hand_change_not_possible"
    status = 422
    title = "That number cannot be"
    message = "{line} cannot be set to {units}: {why}. Nothing was changed."


class WayUnknown(FarmError):
    code = "way_of_sharing_unknown"
    status = 422
    title = "No such way of sharing"
    message = "There is no way of sharing called {way}. Choose one of: {ways}."


@dataclass(frozen=True, slots=True)
class HandChange:
    """A line set by a person, with the reason. ``units`` as typed; sale units once read."""

    ref: str
    units: str
    reason: str


@dataclass(frozen=True, slots=True)
class OrderFill:
    """Pieces of one order: asked, and promised by either way and as chosen."""

    number: str
    shop: str
    asked: int
    by_item: int
    by_order: int
    chosen: int


@dataclass(frozen=True, slots=True)
class Payer:
    """A line that a change by hand moves: sale units without it and with it."""

    order_number: str
    shop: str
    listing: str
    without: int
    chosen: int


@dataclass(frozen=True, slots=True)
class SharePlan:
    """All that a person is shown before sharing out. ``fill`` is t*; the tight orders and
    listings are those that keep it from being more, ``rounds`` the fills tried on the way,
    ``papers`` what a look at the papers changes before anything is shared."""

    way: str
    hand: tuple[HandChange, ...]
    listings: tuple[SharedListing, ...]
    orders: tuple[OrderFill, ...]
    payers: tuple[Payer, ...]
    fill: Fraction
    tight_orders: tuple[str, ...]
    tight_listings: tuple[str, ...]
    rounds: tuple[Fraction, ...]
    mark: str
    papers: tuple[PaperStep, ...] = ()


@dataclass(frozen=True, slots=True)
class _Group:
    listing: Listing
    lines: tuple[Line, ...]
    book: ShortBook


def make_share_plan(
    *,
    week: ShipWeek,
    lines: Sequence[Line],
    can: Mapping[int, CanPromise],
    book: SettingBook,
    way: str,
    hand: Sequence[HandChange],
) -> SharePlan:
    """Share the lines of a week both ways and take the chosen one, changes by hand included.

    Raises WayUnknown, HandChangeNotPossible, ReasonMissing.
    """
    refuse_unknown(way=way)
    groups = _groups(week, lines, can)
    changed = _with_hand(groups, hand)
    settings = rule_settings(book=book)
    plain = [group.book for group in groups]
    ways = share_both_ways(listings=plain, settings=settings)
    chosen = ways[way]
    if hand:
        chosen = share_book(way=way, listings=changed, settings=settings)
    shown = tuple(
        _shared_listing(group, row, ways, chosen, way, hand, book)
        for group, row in zip(groups, changed, strict=True)
    )
    return SharePlan(
        way=way,
        hand=tuple(hand),
        listings=shown,
        orders=_order_fills(groups, ways, chosen),
        payers=_payers(shown) if hand else (),
        fill=chosen.fill,
        tight_orders=chosen.tight_orders,
        tight_listings=chosen.tight_listings,
        rounds=chosen.rounds,
        mark=_mark_of(week, way, hand, chosen, shown),
    )


def refuse_unknown(*, way: str) -> None:
    """Raise WayUnknown unless there is such a way."""
    if way not in WAYS:
        raise WayUnknown(way=way or "nothing", ways=", ".join(WAYS))


def _groups(
    week: ShipWeek, lines: Sequence[Line], promises: Mapping[int, CanPromise]
) -> list[_Group]:
    """Listings with their lines and what may be shared of each, pencils of a last run set aside."""
    by_listing: dict[int, list[Line]] = {}
    for line in lines:
        by_listing.setdefault(line.listing_id, []).append(line)
    promised = held_units(week=week)
    groups = []
    for rows in by_listing.values():
        listing = rows[0].listing
        can = promises[listing.strain_form_id]
        is_kept = is_stopped(can=can, listing=listing)
        # Sale units to share: what is left, and what these lines hold already.
        mine = sum(promised.get(line.pk, 0) for line in rows)
        book = ShortBook(
            name=listing.name,
            rule=listing.share_rule,
            available=0 if is_kept else can.units + mine,
            unit_pieces=can.stock.unit,
            asks=tuple(ask_of(line) for line in rows),
            is_stopped=is_kept,
        )
        groups.append(_Group(listing, tuple(rows), book))
    return groups


def _with_hand(groups: Sequence[_Group], hand: Sequence[HandChange]) -> list[ShortBook]:
    """The listings with the lines that are set by hand; every change is looked at first."""
    places = {line_ref(line): (group, line) for group in groups for line in group.lines}
    fixed: dict[str, dict[str, int]] = {}
    for change in hand:
        if change.ref not in places:
            raise _not_possible(change, "no such line is being shared")
        group, line = places[change.ref]
        mine = fixed.setdefault(group.book.name, {})
        mine[change.ref] = _read_change(change, line, group.book)
        if sum(mine.values()) > group.book.available:
            why = f"there are {group.book.available} of {group.book.name} in all"
            raise _not_possible(change, why)
    return [replace(group.book, hand=fixed.get(group.book.name, {})) for group in groups]


def _read_change(change: HandChange, line: Line, book: ShortBook) -> int:
    text = change.units.strip()
    if not text.isascii() or not text.isdigit():
        raise _not_possible(change, "a share is a whole number, 0 or more")
    units = int(text)
    if book.rule == "first_come" or line.is_first_come:
        why = "it was promised when the order came, first come, first served"
    elif units > line.asked:
        why = f"the order asks {line.asked}"
    elif units % line.unit:
        why = f"it takes whole units of {line.unit}"
    elif 0 < units < line.least:
        why = f"the least the shop accepts is {line.least}, or nothing"
    elif not change.reason.strip():
        raise ReasonMissing(what=f"order {line.order.number}, {book.name}, set to {units}")
    else:
        return units
    raise _not_possible(change, why)


def _not_possible(change: HandChange, why: str) -> HandChangeNotPossible:
    line = f"Line {change.ref}" if change.ref else "No line"
    return HandChangeNotPossible(line=line, units=change.units or "nothing", why=why)


def _shared_listing(
    group: _Group,
    row: ShortBook,
    ways: Mapping[str, BookShares],
    chosen: BookShares,
    way: str,
    hand: Sequence[HandChange],
    book: SettingBook,
) -> SharedListing:
    settings = rule_settings(book=book)
    rules = {
        name: share(rule=name, available=row.available, asks=row.asks, settings=settings).promised
        for name in OTHER_RULES
    }
    mine = chosen.shares[row.name]
    by = {name: shared.shares[row.name].promised for name, shared in ways.items()}
    reasons = {change.ref: change.reason.strip() for change in hand if change.ref in row.hand}
    words = hand_words(mine, reasons)
    unit_word = group.listing.strain_form.form.unit_word
    lines = []
    for line in group.lines:
        ref = line_ref(line)
        lines.append(
            SharedLine(
                line_id=line.pk,
                order_number=line.order.number,
                shop=line.order.ship_to.customer.name,
                asked=line.asked,
                promised=mine.promised[ref],
                first_come=rules["first_come"][ref],
                equal=rules["equal"][ref],
                proportional=rules["proportional"][ref],
                sentence=sentence(mine, ref, words, counted_in=unit_word),
                buyer_sentence=buyer_sentence(
                    mine, ref, buyer_hand_words(ref, reasons), counted_in=unit_word
                ),
                ref=ref,
                by_item=by[BY_ITEM][ref],
                by_order=by[BY_ORDER][ref],
                by_rule=by[way][ref],
                hand_reason=reasons.get(ref, ""),
                paper_words=paper_words(line),
            )
        )
    return SharedListing(
        listing=group.listing,
        rule=row.rule,
        available=row.available,
        asked=sum(line.asked for line in group.lines),
        is_short=any(line.promised < line.asked for line in lines),
        lines=tuple(lines),
        trace=mine.trace,
        book=row,
        hand_reasons=reasons,
    )


def _order_fills(
    groups: Sequence[_Group], ways: Mapping[str, BookShares], chosen: BookShares
) -> tuple[OrderFill, ...]:
    books = [group.book for group in groups]
    shops = {
        line.order.number: line.order.ship_to.customer.name
        for group in groups
        for line in group.lines
    }
    found = {name: fills(books, shared.shares) for name, shared in ways.items()}
    now = fills(books, chosen.shares)
    return tuple(
        OrderFill(
            number=number,
            shop=shops[number],
            asked=asked,
            by_item=found[BY_ITEM][number][0],
            by_order=found[BY_ORDER][number][0],
            chosen=promised,
        )
        for number, (promised, asked) in sorted(now.items())
    )


def _payers(listings: Sequence[SharedListing]) -> tuple[Payer, ...]:
    return tuple(
        Payer(line.order_number, line.shop, row.listing.name, line.by_rule, line.promised)
        for row in listings
        for line in row.lines
        if line.by_rule != line.promised
    )


def _mark_of(
    week: ShipWeek,
    way: str,
    hand: Sequence[HandChange],
    chosen: BookShares,
    listings: Sequence[SharedListing],
) -> str:
    return mark_of(
        week=week,
        way=way,
        hand=[(change.ref, change.units.strip(), change.reason.strip()) for change in hand],
        fill=str(chosen.fill),
        rows=[
            [
                row.listing.name,
                row.available,
                [[line.ref, line.asked, line.by_item, line.by_order, line.promised]
                 for line in row.lines],
            ]
            for row in listings
        ],
    )  # fmt: skip


def numbers_of(
    *, plan: SharePlan, rows: Sequence[ListingNumbers], settings: RuleSettings
) -> WeekNumbers:
    """The numbers of a plan with its changes by hand, for the rows that it was made of."""
    shown = {row.listing.pk: row for row in plan.listings}
    found = []
    for row in rows:
        mine = shown[row.listing.pk]
        by_line = {line.line_id: line for line in mine.lines}
        lines = [by_line[line.pk] for line in row.lines]
        units: dict[str, Any] = {
            name: [getattr(line, name) for line in lines]
            for name in ("promised", "by_rule", "by_item", "by_order", *OTHER_RULES)
        }
        found.append(replace(row, reasons=mine.hand_reasons, **units))
    return WeekNumbers(plan.way, str(plan.fill), settings, tuple(found))
