"""HOP 6a basket: what a buyer types -> a draft that keeps it, and the order it becomes.

Call from: orders/list_pages.py, config/ticking.py.
Locks: the basket's row; sending goes through orders.intake like every other order.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Protocol

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, Unknown
from inventory.models import Happening, Listing
from inventory.people import User
from orders.calc.cells import CellRead, read_asked, read_pieces
from orders.intake import Asked, send_order
from orders.listing import newest_version
from orders.models import (
    Basket,
    BasketRow,
    Line,
    ListLine,
    Order,
    ShipTo,
    ShipWeek,
    StandingRow,
    Watch,
)


class BasketNotRight(FarmError):
    code = "basket_not_right"
    status = 422
    title = "Some rows need mending"
    message = "Nothing was ordered and everything typed is kept: {first}."


class BasketEmpty(FarmError):
    code = "basket_empty"
    status = 422
    title = "The basket is empty"
    message = "Nothing was ordered: no row of the basket has a number. Type how many you want."


@dataclass(frozen=True, slots=True)
class Typed:
    """One row as typed."""

    asked: str
    least: str = ""


@dataclass(frozen=True, slots=True)
class Dropped:
    """What could be put into a basket, and the listings that could not, each with why."""

    filled: int
    left_out: tuple[str, ...]


@transaction.atomic
def save_basket(
    *,
    ship_to: ShipTo,
    week: ShipWeek,
    typed: Mapping[str, Typed],
    user: User | None,
    now: datetime,
    ship_on: date | None = None,
    version_seen: int | None = None,
) -> Basket:
    """Keep a draft exactly as typed, readable or not. Rows that are not named stay as they are."""
    basket, _ = Basket.objects.select_for_update().get_or_create(
        ship_to=ship_to, week=week, defaults={"changed_at": now}
    )
    basket.changed_at, basket.changed_by = now, user
    basket.ship_on = ship_on or basket.ship_on
    basket.version_seen = version_seen or basket.version_seen
    basket.save()
    listings = {row.name: row for row in Listing.objects.filter(name__in=typed)}
    for name, row in typed.items():
        listing = listings.get(name)
        if listing is None:
            continue
        if not row.asked.strip() and not row.least.strip():
            BasketRow.objects.filter(basket=basket, listing=listing).delete()
            continue
        BasketRow.objects.update_or_create(
            basket=basket,
            listing=listing,
            defaults={"asked": row.asked[:40], "least": row.least[:40]},
        )
    return basket


class SoldAs(Protocol):
    """How a form is sold. [pieces a unit, units]"""

    @property
    def unit_pieces(self) -> int: ...
    @property
    def minimum_line(self) -> int: ...
    @property
    def unit_word(self) -> str: ...


def row_problem(row: BasketRow) -> CellRead:
    """How a basket's row reads: its number, or what to mend. Units and minimums are checked."""
    return typed_problem(Typed(row.asked, row.least), row.listing.strain_form.form)


def typed_problem(typed: Typed, form: SoldAs) -> CellRead:
    """How a row reads as typed for a listing of that form."""
    asked = read_pieces(typed.asked, form.unit_pieces) or read_asked(typed.asked)
    if asked.is_bad or asked.value is None:
        return asked
    least = read_asked(typed.least)
    if least.is_bad:
        return CellRead(asked.value, least.code, f"least: {least.words}")
    if asked.value < form.minimum_line:
        words = f"the least that is sent of this is {form.minimum_line} {form.unit_word}"
        return CellRead(asked.value, "below_minimum_line", words)
    if least.value is not None and least.value > asked.value:
        words = f"the least acceptable is more than {asked.value}; type less"
        return CellRead(asked.value, "least_above_asked", words)
    return asked


def send_basket(
    *,
    basket: Basket,
    ship_on: date,
    source: str,
    idempotency_key: str,
    user: User,
    now: datetime,
    takes_now: bool = False,
) -> Order:
    """Send a basket as an order and empty it. A row that cannot be read stops all of it.

    Raises BasketNotRight, BasketEmpty, and what orders.intake refuses; the basket then stands.
    """
    customer = basket.ship_to.customer
    sent = Order.objects.filter(customer=customer, idempotency_key=idempotency_key).first()
    if sent is not None:
        return sent
    rows: list[Asked] = []
    problems = []
    for row in basket.rows.select_related("listing__strain_form__form").order_by("listing__name"):
        read = row_problem(row)
        if read.is_bad:
            problems.append({"row": row.listing.name, "code": read.code, "detail": read.words})
        elif read.value is not None:
            least = read_asked(row.least).value
            rows.append(
                Asked(
                    listing=row.listing.name,
                    asked=read.value,
                    least=least,
                    takes_now=takes_now,
                )
            )
    if problems:
        first = f"{problems[0]['row']}: {problems[0]['detail']}"
        raise BasketNotRight(first=first, rows=problems)
    if not rows:
        raise BasketEmpty()
    order = send_order(
        customer=customer,
        ship_to_code=basket.ship_to.code,
        week=basket.week,
        ship_on=ship_on,
        rows=rows,
        source=source,
        idempotency_key=idempotency_key,
        now=now,
        user=user,
        version_seen=basket.version_seen,
        note=basket.note,
    )
    Basket.objects.filter(pk=basket.pk).delete()
    return order


def repeat_last_order(
    *, ship_to: ShipTo, week: ShipWeek, user: User | None, now: datetime
) -> Dropped:
    """Fill the basket with what this ship-to asked last, and name what cannot be had this week.

    Raises Unknown where nothing was ordered before.
    """
    last = (
        Order.objects.filter(ship_to=ship_to)
        .exclude(state=Order.State.WITHDRAWN)
        .order_by("-sent_at", "-pk")
        .first()
    )
    if last is None:
        raise Unknown(kind="earlier order of", name=str(ship_to))
    lines = last.lines.exclude(state=Line.State.WITHDRAWN).select_related("listing")
    wanted = {line.listing: line.asked for line in lines}
    return _drop_in(ship_to, week, wanted, user, now)


def _drop_in(
    ship_to: ShipTo,
    week: ShipWeek,
    wanted: Mapping[Listing, int],
    user: User | None,
    now: datetime,
) -> Dropped:
    version = newest_version(week=week)
    lines = {row.listing_id: row for row in version.lines.all()} if version else {}
    typed: dict[str, Typed] = {}
    left_out = []
    for listing, asked in wanted.items():
        line = lines.get(listing.pk)
        if line is not None and line.status == ListLine.Status.OFFERED:
            typed[listing.name] = Typed(str(asked))
        else:
            why = (line.reason or line.status) if line else "not on this list"
            left_out.append(f"{listing.title}: {why}")
    save_basket(ship_to=ship_to, week=week, typed=typed, user=user, now=now)
    return Dropped(len(typed), tuple(left_out))


@transaction.atomic
def keep_as_standing(*, basket: Basket) -> int:
    """Make the readable rows of a basket what this ship-to wants every week."""
    rows = []
    for row in basket.rows.select_related("listing__strain_form__form"):
        read = row_problem(row)
        if not read.is_bad and read.value is not None:
            rows.append(StandingRow(ship_to=basket.ship_to, listing=row.listing, asked=read.value))
    StandingRow.objects.filter(ship_to=basket.ship_to).delete()
    StandingRow.objects.bulk_create(rows)
    return len(rows)


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """A first version drops every standing basket in; nothing is sent by itself."""
    if happening.kind != "list.published" or happening.facts.get("version") != 1:
        return
    week = ShipWeek.objects.filter(name=happening.facts["week"]).first()
    if week is None:
        return
    for ship_to in ShipTo.objects.filter(standing__isnull=False).distinct():
        if Basket.objects.filter(ship_to=ship_to, week=week).exists():
            continue
        rows = ship_to.standing.select_related("listing")
        _drop_in(ship_to, week, {row.listing: row.asked for row in rows}, None, now)


@transaction.atomic
def watch_listing(*, ship_to: ShipTo, listing_name: str, user: User | None, now: datetime) -> Watch:
    """Ask to be told once when a listing is back or opens. Asking twice is asking once.

    What the ship-to asked of it last is kept, to be offered again on its return.
    """
    listing = Listing.objects.filter(name=listing_name).first()
    if listing is None:
        raise Unknown(kind="listing", name=listing_name or "(none)")
    row, _ = Watch.objects.get_or_create(
        customer_id=ship_to.customer_id,
        listing=listing,
        told_at=None,
        defaults={
            "user": user,
            "ship_to": ship_to,
            "wanted": _wanted_last(ship_to, listing),
            "asked_at": now,
        },
    )
    return row


def _wanted_last(ship_to: ShipTo, listing: Listing) -> int | None:
    """What a ship-to typed, ordered or wants weekly of a listing, the newest first. [sale units]"""
    drafts = BasketRow.objects.filter(basket__ship_to=ship_to, listing=listing)
    for row in drafts.order_by("-basket__week__monday"):
        read = row_problem(row)
        if not read.is_bad and read.value:
            return read.value
    lines = Line.objects.filter(order__ship_to=ship_to, listing=listing)
    asked = lines.order_by("-order__sent_at", "-pk").values_list("asked", flat=True).first()
    standing = StandingRow.objects.filter(ship_to=ship_to, listing=listing)
    return asked or standing.values_list("asked", flat=True).first()


def add_wanted(
    *, watch_id: int, ship_to: ShipTo, week: ShipWeek, user: User | None, now: datetime
) -> BasketRow:
    """Put what was wanted of a listing that is back into the draft; a number in it stays.

    Raises Unknown where no such watch of theirs was told with a number.
    """
    watch = Watch.objects.filter(
        pk=watch_id, customer_id=ship_to.customer_id, told_at__isnull=False, wanted__isnull=False
    ).first()
    if watch is None:
        raise Unknown(kind="return that you were told of", name=str(watch_id))
    name, drafted = watch.listing.name, BasketRow.objects.filter(listing=watch.listing)
    if not drafted.filter(basket__ship_to=ship_to, basket__week=week).exists():
        typed = {name: Typed(str(watch.wanted))}
        save_basket(ship_to=ship_to, week=week, typed=typed, user=user, now=now)
    return drafted.get(basket__ship_to=ship_to, basket__week=week)


@dataclass(frozen=True, slots=True)
class WatchWords:
    """What a list row says of the reader's own watch."""

    words: str
    is_waiting: bool


def watch_words(*, asked_at: datetime | None, told_at: datetime | None) -> WatchWords:
    """What a row says of a watch: one that waits since then, or one that was answered then."""
    if asked_at is not None:
        asked = timezone.localtime(asked_at)
        return WatchWords(f"asked {asked:%a %-d %b}; a letter goes out when it is back", True)
    words = f"told {timezone.localtime(told_at):%a %-d %b}" if told_at else ""
    return WatchWords(words, False)
