"""HOP 6g watches: a listing comes back or opens -> whoever asked for it is told, once.

Call from: config/ticking.py. orders/basket.py takes the asking and says what was told.
Locks: each watch is claimed by a guarded update in the transaction of its letter.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime

from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone

from inventory.messaging import Action, Letter, write_messages
from inventory.models import Happening
from inventory.people import User
from orders.calc.weeks import time_text
from orders.listing import newest_version, shown_words
from orders.models import Customer, ListLine, ListVersion, Seat, ShipTo, ShipWeek, Watch
from orders.order_messages import readers_by_customer, week_context
from orders.rules import RuleBook


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """Each version that goes out is looked through for what somebody waits for."""
    if happening.kind != "list.published":
        return
    waiting = Watch.objects.filter(told_at__isnull=True)
    if not waiting.exists():
        return
    week = ShipWeek.objects.filter(name=happening.facts["week"], closed_at__isnull=True).first()
    # A version heard of late may have been superseded: what counts is what can be ordered now.
    version = newest_version(week=week) if week else None
    if version is not None:
        _tell(version, waiting, now)


def _tell(version: ListVersion, waiting: QuerySet[Watch], now: datetime) -> None:
    offered = version.lines.filter(status=ListLine.Status.OFFERED)
    lines = {
        line.listing_id: line
        for line in offered.select_related("listing__strain_form__strain__strain_class")
    }
    found = waiting.filter(listing__in=lines).select_related("customer", "user").order_by("pk")
    by_customer: dict[Customer, list[Watch]] = {}
    for watch in found:
        by_customer.setdefault(watch.customer, []).append(watch)
    seats = readers_by_customer(Seat.objects.filter(customer__in=by_customer))
    letters: list[Letter] = []
    for customer, watches in by_customer.items():
        letters += _letters_to(customer, watches, lines, version, seats.get(customer.pk, []), now)
    write_messages(letters, now=now)


def _letters_to(
    customer: Customer,
    watches: list[Watch],
    lines: Mapping[int, ListLine],
    version: ListVersion,
    readers: list[User],
    now: datetime,
) -> list[Letter]:
    """One letter a watcher of this customer, with all that has come back at once."""
    on = timezone.localdate(now)
    shops = list(customer.ship_tos.select_related("customer"))
    books = [RuleBook.read(ship_to=shop) for shop in shops]
    mine: dict[User, list[ListLine]] = {}
    firsts: dict[User, int] = {}
    for watch in watches:
        line, to = lines[watch.listing_id], _readers_of(watch, readers)
        # What no ship-to of theirs may receive would be an invitation to nothing.
        if not to or not _may_have(line, books, on) or not _claim(watch, now):
            continue
        for user in to:
            mine.setdefault(user, []).append(line)
            firsts.setdefault(user, watch.pk)
    return [
        _letter(user, rows, firsts[user], customer, shops[0], version, now)
        for user, rows in mine.items()
    ]


def _readers_of(watch: Watch, readers: list[User]) -> list[User]:
    """Who asked; where the office asked for them or that person has left, everybody there."""
    return [watch.user] if watch.user is not None and watch.user in readers else readers


def _may_have(line: ListLine, books: Iterable[RuleBook], on: object) -> bool:
    strain = line.listing.strain_form.strain
    return any(book.judge(strain=strain, on=on).verdict != "forbid" for book in books)  # type: ignore[arg-type]


def _claim(watch: Watch, now: datetime) -> bool:
    """Of two loops one tells; the other finds it told."""
    return Watch.objects.filter(pk=watch.pk, told_at__isnull=True).update(told_at=now) == 1


def _letter(
    user: User,
    rows: list[ListLine],
    first: int,
    customer: Customer,
    shop: ShipTo,
    version: ListVersion,
    now: datetime,
) -> Letter:
    week, zone = version.week, shop.time_zone
    tier = customer.tier_on(timezone.localdate(now))
    titles = [row.listing.title for row in rows]
    more = f" and {len(titles) - 1} more" if len(titles) > 1 else ""
    context = {
        "week": week,
        "rows": [
            {
                "title": row.listing.title,
                "name": row.listing.name,
                "shown": shown_words(row.shown, row.can_promise),
                "price": row.price(tier),
            }
            for row in rows
        ],
        "cut_off_words": time_text(at=week.cut_off_at, zone=zone),
        **week_context(week=week, ship_to=shop, now=now),
    }
    return Letter(
        key=f"back:{week.name}:{version.number}:{first}",
        kind="back on the list",
        user=user,
        subject=f"{titles[0]}{more} can be ordered for {week.name}",
        why=f"{customer.name} asked to be told when it is back",
        action=Action(f"Open the list of {week.name}", reverse("list", args=[week.name])),
        template="back_on_list",
        context=context,
    )
