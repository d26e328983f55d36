"""Letters of the selling side: the list is out, a line may be short, a rule needs a look.

Call from: config/ticking.py. Each letter is written in the transaction of its cause, once.
"""

from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone

from inventory.clock import doing_once, is_first
from inventory.messaging import Action, File, Letter, write_messages
from inventory.models import Happening, Listing, Substitute
from inventory.people import Role, User
from inventory.setting_book import SettingBook
from inventory.walk_messages import people
from orders.calc.weeks import moment_of, time_text
from orders.models import (
    Customer,
    ListLine,
    ListVersion,
    Order,
    RegionRule,
    Seat,
    ShipTo,
    ShipWeek,
)
from orders.papers import availability_pdf
from orders.rules import RuleBook
from orders.sharing import preview_plan
from orders.sheet_out import XLSX_KIND, list_csv, list_xlsx
from orders.weeks import week_line


def readers_of(*, customer: Customer) -> list[User]:
    """Everybody who orders for a customer and may log in."""
    return readers_by_customer(Seat.objects.filter(customer=customer)).get(customer.pk, [])


def readers_by_customer(seats: QuerySet[Seat]) -> dict[int, list[User]]:
    """The people of some seats who may log in, by customer, in one statement."""
    found: dict[int, list[User]] = {}
    active = seats.filter(user__is_active=True).select_related("user").order_by("user__pk")
    for seat in active:
        found.setdefault(seat.customer_id, []).append(seat.user)
    return found


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """The first version of a list is told to every shop that may receive something of it."""
    if happening.kind == "list.published" and happening.facts["version"] == 1:
        week = ShipWeek.objects.get(name=happening.facts["week"])
        _write_list_is_out(week.versions.get(number=1), now)


def _write_list_is_out(version: ListVersion, now: datetime) -> None:
    on = timezone.localdate(version.published_at)
    lines = list(version.lines.select_related("listing__strain_form__strain__strain_class"))
    offered = [line for line in lines if line.status == ListLine.Status.OFFERED]
    resting = [line for line in lines if line.status == ListLine.Status.RESTING]
    counts = {"offered": len(offered), "resting": len(resting)}
    readers = readers_by_customer(Seat.objects.all())
    # No paper lifts what a region forbids, so the answer is the same for every shop of a region.
    open_regions: dict[tuple[str, bool], bool] = {}
    letters: list[Letter] = []
    for customer in Customer.objects.prefetch_related("tiers", "ship_tos__customer"):
        shops = []
        for ship_to in customer.ship_tos.all():
            region = (ship_to.region, ship_to.is_export)
            if region not in open_regions:
                open_regions[region] = _may_receive(ship_to, offered, on)
            if open_regions[region]:
                shops.append(ship_to)
        if shops:
            people_there = readers.get(customer.pk, [])
            letters += _list_letters(version, customer, shops, people_there, counts, now)
    write_messages(letters, now=now)


def _list_letters(
    version: ListVersion,
    customer: Customer,
    shops: list[ShipTo],
    readers: list[User],
    counts: dict[str, int],
    now: datetime,
) -> list[Letter]:
    week, zone = version.week, shops[0].time_zone
    cut_off_words = time_text(at=week.cut_off_at, zone=zone)
    context = {
        "week": week,
        **counts,
        "shops": ", ".join(shop.place for shop in shops),
        "cut_off_words": cut_off_words,
        "ship_words": " and ".join(f"{day:%a %-d %b}" for day in week.ship_days),
        **week_context(week=week, ship_to=shops[0], now=now),
    }
    tier = customer.tier_on(timezone.localdate(version.published_at))
    facts = {"week": week.name, "version": version.number, "tier": tier}
    sheets = tuple(
        (maker, {"week": week.name, "version": version.number, "ship_to": shop.code})
        for shop in shops
        for maker in ("list.xlsx", "list.csv")
    )
    return [
        Letter(
            key=f"list:{week.name}",
            kind="list is out",
            user=user,
            subject=f"Availability {week.name}: order until {cut_off_words}",
            why=f"you order for {customer.name}",
            action=Action(f"Open the list of {week.name}", reverse("list", args=[week.name])),
            template="list_is_out",
            context=context,
            attachments=(("list.pdf", facts), *sheets),
        )
        for user in readers
    ]


def _may_receive(ship_to: ShipTo, offered: Iterable[ListLine], on: date) -> bool:
    book = RuleBook.read(ship_to=ship_to)
    strains = (line.listing.strain_form.strain for line in offered)
    return any(book.judge(strain=strain, on=on).verdict != "forbid" for strain in strains)


def week_context(
    *, week: ShipWeek, ship_to: ShipTo, now: datetime, ship_on: date | None = None
) -> dict[str, Any]:
    """The week line of a letter, as the clocks of one shop show it."""
    zone = ship_to.time_zone
    short = week.cut_off_at.astimezone(ZoneInfo(zone)).tzname()
    return {
        "week_line": week_line(week=week, now=now, zone=zone, ship_on=ship_on),
        "zone_words": f"{ship_to.town} ({short})",
    }


def write_to_shop(
    order: Order,
    *,
    now: datetime,
    key: str,
    kind: str,
    subject: str,
    action: Action,
    template: str,
    context: dict[str, Any],
) -> None:
    """One letter about an order to everybody who orders for its shop, once for its key."""
    letters = [
        Letter(
            key=key,
            kind=kind,
            user=user,
            subject=subject,
            why=f"you order for {order.customer.name}",
            action=action,
            template=template,
            context={"order": order, **context},
        )
        for user in readers_of(customer=order.customer)
    ]
    write_messages(letters, now=now)


def list_pdf(facts: Mapping[str, Any]) -> File:
    """The file that goes with "list is out": the list of one version at one tier's prices."""
    content = availability_pdf(version=_version_of(facts), tier=facts["tier"])
    return File(f"availability-{facts['week']}.pdf", content, "application/pdf")


def _version_of(facts: Mapping[str, Any]) -> ListVersion:
    versions = ListVersion.objects.select_related("week")
    return versions.get(week__name=facts["week"], number=facts["version"])


def sheet_csv(facts: Mapping[str, Any]) -> File:
    """The CSV that goes with "list is out": one ship-to's list, to be filled in and sent back."""
    return _sheet(facts, list_csv, "csv", "text/csv")


def sheet_xlsx(facts: Mapping[str, Any]) -> File:
    """The spreadsheet that goes with "list is out", to be filled in and sent back."""
    return _sheet(facts, list_xlsx, "xlsx", XLSX_KIND)


def _sheet(facts: Mapping[str, Any], make: Callable[..., bytes], ending: str, kind: str) -> File:
    version = _version_of(facts)
    ship_to = ShipTo.objects.select_related("customer").get(code=facts["ship_to"])
    # Made as of the version, so that a letter tried again carries the very same sheet.
    content = make(version=version, ship_to=ship_to, now=version.published_at)
    return File(f"list-{facts['week']}-{ship_to.code}.{ending}", content, kind)


def write_due(*, now: datetime) -> None:
    """What goes out by the hour: lines that may be short, rules past review. Safe to run twice."""
    _write_short_lines(now)
    _write_law_reviews(now)


def _write_short_lines(now: datetime) -> None:
    """On the evening before the cut-off, to whoever asked for more than the rule would give."""
    for week in ShipWeek.objects.filter(
        published_at__lte=now, closed_at__isnull=True, cut_off_at__gt=now
    ):
        if now < _short_notice_at(week):
            continue
        with doing_once(key=f"short lines {week.name}", now=now) as is_mine:
            if is_mine:
                _write_short_lines_of(week, now)


def _short_notice_at(week: ShipWeek) -> datetime:
    book = SettingBook.read(on=week.monday)
    last_day = timezone.localdate(week.cut_off_at)
    return moment_of(
        on=last_day - timedelta(days=1),
        at=time(book.whole("short_notice_h")),
        zone=settings.FARM_TIME_ZONE,
    )


class _Instead:
    """What could go in the place of a short line: on the list, not short itself, never dearer,
    never stinging more, and allowed as it is where the order goes. Read once for a week."""

    def __init__(self, week: ShipWeek, short: Iterable[int]) -> None:
        version = week.versions.order_by("-number").first()
        rows = (
            version.lines.select_related("listing__strain_form__strain__strain_class")
            if (version is not None)
            else ()
        )
        self._lines = {row.listing_id: row for row in rows}
        self._short = set(short)
        self._named: dict[int, list[int]] = {}
        named = Substitute.objects.filter(listing__in=self._short).order_by("pk")
        for listing_id, other_id in named.values_list("listing", "substitute"):
            self._named.setdefault(listing_id, []).append(other_id)
        self._books: dict[int, RuleBook] = {}

    def words(self, order: Order, listing: Listing) -> str:
        own = self._lines.get(listing.pk)
        if own is None or order.customer.takes_substitutes == "no":
            return ""
        found = [
            f"{row.listing.title} ({row.listing.name}) at ${row.price(order.tier)}"
            for other_id in self._named.get(listing.pk, ())
            if (row := self._lines.get(other_id)) is not None and self._fits(row, own, order)
        ]
        return " or ".join(found)

    def _fits(self, row: ListLine, own: ListLine, order: Order) -> bool:
        strain = row.listing.strain_form.strain
        is_to_be_had = row.status == ListLine.Status.OFFERED and row.listing_id not in self._short
        is_dearer = row.price(order.tier) > own.price(order.tier)
        stings_more = strain.sting > own.listing.strain_form.strain.sting
        if not is_to_be_had or is_dearer or stings_more:
            return False
        if order.ship_to_id not in self._books:
            self._books[order.ship_to_id] = RuleBook.read(ship_to=order.ship_to)
        verdict = self._books[order.ship_to_id].judge(strain=strain, on=order.ship_on)
        return verdict.verdict == "allow"


def _write_short_lines_of(week: ShipWeek, now: datetime) -> None:
    short: dict[int, list[dict[str, Any]]] = {}
    found = Order.objects.filter(week=week).select_related("customer", "ship_to__customer")
    orders = {row.number: row for row in found}
    plan = preview_plan(week=week, now=now)
    first_asked = {step.line.pk: step.asked_before for step in plan.papers}
    listings = [row.listing.pk for row in plan.listings if row.is_short]
    instead = _Instead(week, listings)
    for shared in plan.listings:
        for line in shared.lines:
            asked = first_asked.get(line.line_id, line.asked)
            if line.promised < asked:
                row = {
                    "title": shared.listing.title,
                    "name": shared.listing.name,
                    "order": line.order_number,
                    "asked": asked,
                    "likely": line.promised,
                    "why": line.paper_words,
                    "instead": instead.words(orders[line.order_number], shared.listing),
                }
                short.setdefault(orders[line.order_number].customer_id, []).append(row)
    for customer in Customer.objects.filter(pk__in=short).prefetch_related("ship_tos"):
        _write_short_lines_to(customer, short[customer.pk], week, now)


def _write_short_lines_to(
    customer: Customer, rows: list[dict[str, Any]], week: ShipWeek, now: datetime
) -> None:
    numbers = sorted({row["order"] for row in rows})
    if len(numbers) == 1:
        words = f"Change {numbers[0]}: lower the least, or take something else"
        action = Action(words, reverse("change-order", args=[numbers[0]]))
    else:
        action = Action("Look at your orders", reverse("orders"))
    first = Order.objects.select_related("ship_to").get(number=numbers[0])
    words = f" {numbers[0]}" if len(numbers) == 1 else f"s {', '.join(numbers)}"
    context = {
        "rows": rows,
        "plural": words,
        "by_paper": any(row["why"] for row in rows),
        **week_context(week=week, ship_to=first.ship_to, now=now, ship_on=first.ship_on),
    }
    letters = [
        Letter(
            key=f"short:{week.name}",
            kind="your line may be short",
            user=user,
            subject=f"{len(rows)} of your lines for {week.name} may end short",
            why=f"you order for {customer.name}",
            action=action,
            template="line_may_be_short",
            context=context,
        )
        for user in readers_of(customer=customer)
    ]
    write_messages(letters, now=now)


def _write_law_reviews(now: datetime) -> None:
    """To office and owner, each rule once, on the day it was to be looked at again."""
    on = timezone.localdate(now)
    with doing_once(key=f"law reviews {on}", now=now) as is_mine:
        if not is_mine:
            return
        past = RegionRule.objects.filter(review_by__lte=on).select_related("strain_class")
        rows = [
            row
            for row in past.order_by("region", "pk")
            if is_first(key=f"law review {row.pk} {row.review_by}", now=now)
        ]
        if rows:
            _write_law_review(rows, on, now)


def _write_law_review(rows: list[RegionRule], on: date, now: datetime) -> None:
    shown = [
        {
            "region": row.region,
            "what": row.taxon or (row.strain_class.name if row.strain_class else "everything"),
            "verdict": row.get_verdict_display(),
            "review_by": f"{row.review_by:%-d %b %Y}",
        }
        for row in rows
    ]
    letters = [
        Letter(
            key=f"law:{on}",
            kind="law row past review",
            user=user,
            subject=f"{len(rows)} region rules are due for a look",
            why="you look after the region rules",
            action=Action("Look at the region rules", rules_path()),
            template="law_review",
            context={"rows": shown, "count": len(rows)},
        )
        for user in people(Role.OFFICE, Role.OWNER)
    ]
    write_messages(letters, now=now)


def rules_path() -> str:
    """Where the region rules that are due are edited."""
    return reverse("edit-list", args=["region-rules"]) + "?q=read+it+again"
