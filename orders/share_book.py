"""HOP 7c share numbers: a week's lines as rows, shared over arrays -> what each line gets.

Call from: orders/sharing.py, orders/share_plan.py, orders/likely.py. Reads only. The numbers are
those that the rules of orders/calc/sharing.py give listing by listing; what a line reads of them is
made from the run when it is read.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
from django.db.models import Q, QuerySet

from inventory.models import Listing
from inventory.setting_book import SettingBook
from orders.amending import PaperStep
from orders.calc.share_arrays import RULE_NAMES, share_arrays
from orders.calc.share_arrays_orders import OrderBook, share_arrays_by_order
from orders.calc.share_orders import WAYS
from orders.calc.share_parts import ArrayBook
from orders.calc.share_replay import canonical
from orders.calc.share_rules import RuleSettings
from orders.exporting import missing_ticks
from orders.models import Line, Order, Promise, ShipWeek
from orders.promising import CanPromise

OTHER_RULES = ("first_come", "equal", "proportional")
BY_ITEM, BY_ORDER = WAYS


class BookLine(NamedTuple):
    """A line that is shared. Asked, unit and least are in sale units."""

    pk: int
    listing_id: int
    strain_form_id: int
    order_number: str
    position: int
    asked: int
    unit: int
    least: int
    tier: int
    sent_at: datetime
    customer: str
    is_first_come: bool

    @property
    def ref(self) -> str:
        return f"{self.order_number}/{self.position}"


@dataclass(frozen=True, slots=True)
class ListingNumbers:
    """A listing and what its lines get, line by line: as chosen, without a change by hand, by
    either way and by the other rules. [sale units] ``reasons`` are those of changes by hand."""

    listing: Listing
    available: int
    unit_pieces: int
    is_stopped: bool
    lines: Sequence[BookLine]
    refs: Sequence[str]
    promised: Sequence[int] = ()
    by_rule: Sequence[int] = ()
    by_item: Sequence[int] = ()
    by_order: Sequence[int] = ()
    first_come: Sequence[int] = ()
    equal: Sequence[int] = ()
    proportional: Sequence[int] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WeekNumbers:
    """What a way of sharing gives a week. ``fill`` is t*, an exact fraction as text."""

    way: str
    fill: str
    settings: RuleSettings
    listings: tuple[ListingNumbers, ...]


def open_lines(*, week: ShipWeek, opening: Iterable[int] = ()) -> QuerySet[Line]:
    """Open lines of a week, less those that law, papers, export or a credit stop keep back.

    ``opening`` are lines that are taken for open, by their keys.
    """
    is_open = Q(state=Line.State.OPEN) | Q(pk__in=opening) if opening else Q(state=Line.State.OPEN)
    lines = Line.objects.filter(is_open, order__week=week)
    lines = lines.exclude(order__state__in=[Order.State.WITHDRAWN, Order.State.SET_ASIDE])
    if week.inked_at is None:
        # Carried over from a week that fell short: first in line, promised before the list is.
        lines = lines.exclude(promise__state=Promise.State.INKED)
    may_stop = Q(customer__is_credit_stopped=True) | Q(ship_to__is_export=True)
    orders = Order.objects.filter(may_stop, week=week).select_related("customer", "ship_to")
    stopped = [
        order.pk
        for order in orders
        if order.customer.is_credit_stopped or missing_ticks(order=order)
    ]
    return lines.exclude(order__in=stopped)


def shareable_lines(*, week: ShipWeek, steps: Sequence[PaperStep] = ()) -> list[Line]:
    """The lines that are shared, with all that a page says of them.

    ``steps`` are what papers will do to some of them before they are shared: the lines stand as
    they will then, though nothing is written yet.
    """
    after = {step.line.pk: step.line for step in steps}
    rows = open_lines(week=week, opening=list(after)).select_related(
        "order__customer",
        "order__ship_to__customer",
        "listing__strain_form__form",
        "listing__strain_form__strain",
    )
    lines = sorted(rows, key=lambda line: (line.listing.name, line.order.number, line.position))
    for line in lines:
        if line.pk in after:
            will = after[line.pk]
            line.state, line.asked = will.state, will.asked
            line.reason_code, line.reason = will.reason_code, will.reason
    return [line for line in lines if line.state == Line.State.OPEN]


def book_lines(*, week: ShipWeek) -> list[BookLine]:
    """The lines that are shared, as plain rows, in the sequence of shareable_lines.

    A whole book is read at once. What a listing or an order says stands in each of its lines: it
    is read once, and its name is compared once.
    """
    listings = list(Listing.objects.order_by().values_list("name", "pk", "strain_form_id"))
    of_listing = {pk: (at, form) for at, (_, pk, form) in enumerate(sorted(listings))}
    said = (
        Order.objects.filter(week=week)
        .order_by()
        .values_list("number", "pk", "tier", "sent_at", "customer__code")
    )
    of_order = {row[1]: (at, row) for at, row in enumerate(sorted(said))}
    rows = list(
        open_lines(week=week)
        .order_by("position")
        .values_list(
            "pk",
            "listing_id",
            "order_id",
            "position",
            "asked",
            "unit",
            "least",
            "sent_at",
            "is_first_come",
        )
    )
    # Sorts that leave equal ones as they stand: by listing, in it by order, in that by position.
    rows.sort(key=lambda row: of_order[row[2]][0])
    rows.sort(key=lambda row: of_listing[row[1]][0])
    found = []
    for pk, listing, order, position, asked, unit, least, raised_at, is_first in rows:
        number, _, tier, sent_at, customer = of_order[order][1]
        found.append(
            BookLine(pk, listing, of_listing[listing][1], number, position, asked, unit, least,
                     tier, raised_at or sent_at, customer, is_first)
        )  # fmt: skip
    return found


def is_stopped(*, can: CanPromise, listing: Listing) -> bool:
    """Whether a rest keeps a listing back: a look in colour of a resting strain, or the other."""
    return can.stock.is_resting != listing.is_winter and can.stock.colour != "none"


def held_units(*, week: ShipWeek) -> dict[int, int]:
    """Sale units that lines of a week hold already."""
    live = Promise.objects.filter(line__order__week=week, state__in=Promise.LIVE)
    return dict(live.values_list("line_id", "units"))


def rule_settings(*, book: SettingBook) -> RuleSettings:
    """The sharing rule's numbers from the farm's settings."""
    return RuleSettings(
        weights={tier: book.text(f"tier_{tier}_weight") for tier in (1, 2, 3)},
        unit_stretch=book.text("unit_stretch"),
    )


def listings_to_share(
    *, week: ShipWeek, lines: Sequence[BookLine], can: Mapping[int, CanPromise]
) -> list[ListingNumbers]:
    """Listings with their lines and what there is of each to share; no numbers yet."""
    by_listing: dict[int, list[BookLine]] = {}
    for line in lines:
        by_listing.setdefault(line.listing_id, []).append(line)
    listings = Listing.objects.select_related("strain_form__form").in_bulk(by_listing)
    held = held_units(week=week)
    found = []
    for pk, rows in by_listing.items():
        listing, left = listings[pk], can[listings[pk].strain_form_id]
        is_kept = is_stopped(can=left, listing=listing)
        mine = sum(held.get(line.pk, 0) for line in rows)
        found.append(
            ListingNumbers(
                listing=listing,
                available=0 if is_kept else left.units + mine,
                unit_pieces=left.stock.unit,
                is_stopped=is_kept,
                lines=rows,
                refs=[line.ref for line in rows],
            )
        )
    return found


def share_week(*, rows: Sequence[ListingNumbers], way: str, settings: RuleSettings) -> WeekNumbers:
    """Share a week's listings both ways and by every rule, all of them at once."""
    book = _order_book(rows)
    numbers = {rule: _by_rule(book.lines, rule, settings) for rule in OTHER_RULES}
    numbers["by_item"] = share_arrays(book.lines, settings)
    numbers["by_order"], fill = _by_order(rows, book, numbers["by_item"], settings)
    numbers["by_rule"] = numbers["promised"] = numbers["by_item" if way == BY_ITEM else "by_order"]
    units = {name: values.tolist() for name, values in numbers.items()}
    found, start = [], 0
    for row in rows:
        end = start + len(row.lines)
        found.append(replace(row, **{name: values[start:end] for name, values in units.items()}))
        start = end
    return WeekNumbers(way, str(fill), settings, tuple(found))


def _order_book(rows: Sequence[ListingNumbers]) -> OrderBook:
    """The lines in the sequence of the rows. Listings and orders are numbered by their names, so
    that whoever reads them shares them alike."""
    names = sorted(row.listing.name for row in rows)
    place = {name: at for at, name in enumerate(names)}
    by_name = sorted(rows, key=lambda row: row.listing.name)
    counts = [len(row.lines) for row in rows]
    lines = [line for row in rows for line in row.lines]
    numbers = sorted({line.order_number for line in lines})
    orders = {number: at for at, number in enumerate(numbers)}
    book = ArrayBook(
        listing=np.repeat(_whole(place[row.listing.name] for row in rows), counts),
        asked=_whole(line.asked for line in lines),
        unit=_whole(line.unit for line in lines),
        least=_whole(line.least for line in lines),
        tier=_whole(line.tier for line in lines),
        age=_ages(lines),
        available=_whole(row.available for row in by_name),
        rule=_whole(RULE_NAMES.index(row.listing.share_rule) for row in by_name),
    )
    return OrderBook(
        lines=book,
        order=_whole(orders[line.order_number] for line in lines),
        orders=len(orders),
        unit_pieces=_whole(row.unit_pieces for row in by_name),
    )


def _ages(lines: Sequence[BookLine]) -> Any:
    """The lines' places by age, as orders/calc/share_rules.py reads it. The lines of an order were
    mostly sent at once, so that few moments and numbers are compared; a name is compared as text.
    """
    sent = {(line.sent_at, line.order_number) for line in lines}
    by_age = sorted(sent, key=lambda one: (one[0], len(one[1]), one[1]))
    turn = {one: at for at, one in enumerate(by_age)}
    places = sorted({line.position for line in lines}, key=str)
    place = {position: at for at, position in enumerate(places)}
    of_order = _whole(turn[line.sent_at, line.order_number] for line in lines)
    ages = np.empty(len(lines), dtype=np.int64)
    ages[np.lexsort((_whole(place[line.position] for line in lines), of_order))] = np.arange(
        len(lines)
    )
    return ages


def _whole(values: Iterable[int]) -> Any:
    return np.fromiter(values, dtype=np.int64)


def _by_rule(book: ArrayBook, rule: str, settings: RuleSettings) -> Any:
    return share_arrays(
        replace(book, rule=np.full_like(book.rule, RULE_NAMES.index(rule))), settings
    )


def _by_order(
    rows: Sequence[ListingNumbers], book: OrderBook, by_item: Any, settings: RuleSettings
) -> tuple[Any, Any]:
    """What a stop keeps back is no part of an order's fill, and keeps what it has by item."""
    by_name = sorted(rows, key=lambda row: row.listing.name)
    counts = np.array([not row.is_stopped for row in by_name], dtype=np.bool_)
    mine = np.flatnonzero(counts[book.lines.listing])
    number = np.cumsum(counts) - 1
    orders, order = np.unique(book.order[mine], return_inverse=True)
    columns = {
        name: getattr(book.lines, name)[mine] for name in ("asked", "unit", "least", "tier", "age")
    }
    part = ArrayBook(
        listing=number[book.lines.listing[mine]],
        available=book.lines.available[counts],
        rule=book.lines.rule[counts],
        **columns,
    )
    live = OrderBook(part, order, len(orders), book.unit_pieces[counts])
    given, fill = share_arrays_by_order(live, settings)
    promised = by_item.copy()
    promised[mine] = given
    return promised, fill


def mark_of(
    *, week: ShipWeek, way: str, hand: Iterable[Sequence[str]], fill: str, rows: Iterable[Any]
) -> str:
    """Stands for every number that was shown. A row: name, available, and for every line ref,
    asked, by item, by order, promised."""
    shown = [week.name, way, [list(change) for change in hand], fill, list(rows)]
    return hashlib.sha256(canonical(shown).encode()).hexdigest()


def mark_rows(numbers: WeekNumbers) -> Iterable[Any]:
    """The rows of mark_of."""
    for row in numbers.listings:
        asked = [line.asked for line in row.lines]
        lines = zip(row.refs, asked, row.by_item, row.by_order, row.promised, strict=True)
        yield [row.listing.name, row.available, [list(line) for line in lines]]
