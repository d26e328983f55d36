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
from orders.list_rows import row_anchor
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
        for line in offered.select_related(
            "listing__strain_form__strain__strain_class", "listing__strain_form__form"
        )
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
    mine: dict[User, list[tuple[ListLine, Watch]]] = {}
    for watch in watches:
        line, to = lines[watch.listing_id], _readers_of(watch, readers)
        # What no ship-to of theirs may receive would be an invitation to nothing.
        if not to or not _may_have(line, books, on) or not _claim(watch, now):
            continue
        for user in to:
            mine.setdefault(user, []).append((line, watch))
    return [
        _letter(user, rows, customer, _shop_of(rows, shops), version, now)
        for user, rows in mine.items()
    ]


def _shop_of(rows: list[tuple[ListLine, Watch]], shops: list[ShipTo]) -> ShipTo:
    """The ship-to that asked first of what is back; the first of all where none is known."""
    asked = next((watch.ship_to_id for _, watch in rows if watch.ship_to_id), None)
    return next((shop for shop in shops if shop.pk == asked), shops[0])


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
    rows: list[tuple[ListLine, Watch]],
    customer: Customer,
    shop: ShipTo,
    version: ListVersion,
    now: datetime,
) -> Letter:
    week, zone = version.week, shop.time_zone
    tier = customer.tier_on(timezone.localdate(now))
    titles = [line.listing.title for line, _ in rows]
    more = f" and {len(titles) - 1} more" if len(titles) > 1 else ""
    context = {
        "week": week,
        "rows": [
            {
                "title": line.listing.title,
                "name": line.listing.name,
                "shown": shown_words(line.shown, line.can_promise),
                "price": line.price(tier),
                "wanted": _wanted_words(line, watch),
            }
            for line, watch in rows
        ],
        "can_add": any(watch.wanted for _, watch in rows),
        "cut_off_words": time_text(at=week.cut_off_at, zone=zone),
        **week_context(week=week, ship_to=shop, now=now),
    }
    return Letter(
        key=f"back:{week.name}:{version.number}:{rows[0][1].pk}",
        kind="back on the list",
        user=user,
        subject=f"{titles[0]}{more} can be ordered for {week.name}",
        why=f"{customer.name} asked to be told when it is back",
        action=_action(rows, week, shop),
        template="back_on_list",
        context=context,
    )


def _wanted_words(line: ListLine, watch: Watch) -> str:
    """What is offered again, in the words of the list's own button."""
    unit_word = line.listing.strain_form.form.unit_word
    return f"{watch.wanted} {unit_word}" if watch.wanted else ""


def _action(rows: list[tuple[ListLine, Watch]], week: ShipWeek, shop: ShipTo) -> Action:
    """The list of that shop, opened at what is back, where one tap adds what was wanted once."""
    line, watch = rows[0]
    path = f"{reverse('list', args=[week.name])}?ship_to={shop.code}"
    path += f"#{row_anchor(line.listing.name)}"
    words = f"Open the list at {line.listing.title}"
    wanted = _wanted_words(line, watch)
    return Action(f"{words} and add {wanted}" if wanted else words, path)
