"""What a list page reads beside its lines: who looks at which version, and what hangs on a ship-to.

Call from: orders/list_pages.py. Reads only. A page of four hundred lines is opened by every shop in
the same hour, so its small tables come along as JSON inside a statement that is made anyway.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any

from django.db.models import Aggregate, F, OuterRef, Q, QuerySet, Subquery, TextField, Value
from django.db.models.functions import JSONObject
from django.utils import timezone

from inventory.errors import Unknown
from inventory.models import Clock, Site, User
from orders.basket import Typed
from orders.calc.weeks import monday_of
from orders.likely import Asks, asks_of, refresh_asks
from orders.models import (
    AskSnapshot,
    Basket,
    BasketRow,
    Customer,
    CustomerTier,
    ListVersion,
    Paper,
    PaperUse,
    RegionRule,
    ShipTo,
    ShipWeek,
    Watch,
)
from orders.models.customers import tier_of
from orders.rules import RuleBook, papers_for, regions_of

WEEK = (
    "id", "name", "monday", "publish_at", "cut_off_at", "first_ship_on", "last_ship_on",
    "published_at", "closed_at", "shared_at", "inked_at",
)  # fmt: skip
VERSION = ("id", "number", "published_at", "reason")
# What JSON hands on as text of the fields that are read here.
DAYS = frozenset(
    ("monday", "first_ship_on", "last_ship_on", "starts_on", "review_by", "valid_from", "valid_to")
)
MOMENTS = frozenset(
    ("publish_at", "cut_off_at", "published_at", "closed_at", "shared_at", "inked_at", "asked_at",
     "told_at")
)  # fmt: skip


class Rows(Aggregate):
    """The rows of a subquery as one JSON text, on both databases."""

    output_field = TextField()

    def as_sqlite(self, compiler: Any, connection: Any, **more: Any) -> Any:
        template = "json_group_array(%(expressions)s)"
        return super().as_sql(compiler, connection, template=template, **more)

    def as_postgresql(self, compiler: Any, connection: Any, **more: Any) -> Any:
        template = "CAST(json_agg(%(expressions)s) AS text)"
        return super().as_sql(compiler, connection, template=template, **more)


def _rows(found: QuerySet[Any, Any], *names: str) -> Subquery:
    """A subquery's rows with these fields, as JSON. Days and moments come as ISO text."""
    row = JSONObject(**{name: F(name) for name in names})
    return Subquery(found.order_by().values(all=Value(1)).annotate(r=Rows(row)).values("r"))


def _read(text: str | None) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(text) if text else []
    return [{name: _value(name, value) for name, value in row.items()} for row in rows]


def _value(name: str, value: Any) -> Any:
    if value is None or (name not in DAYS and name not in MOMENTS):
        return value
    if name in DAYS:
        return date.fromisoformat(value)
    at = datetime.fromisoformat(value)
    # SQLite keeps a moment without its zone, which is UTC.
    return at if at.tzinfo else at.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Who:
    """Who looks at which version of the list, for which ship-to, and when."""

    now: datetime
    is_demo: bool
    farm_name: str
    newest_week: str
    ship_tos: Sequence[ShipTo]
    ship_to: ShipTo | None
    customer: Customer | None
    tier: int
    version: ListVersion
    newest: int


def read_who(*, user: User, ship_to_code: str | None, week_name: str, number: str) -> Who:
    """The reader's ship-tos, the one of that code or else the first, and the farm's time.

    The version of that number, else the week's newest. Raises Unknown where no list is out.
    """
    found = ShipTo.objects.select_related("customer")
    if not user.is_staff_member:
        found = found.filter(customer__seats__user=user)
    elif not user.may("order_for_customer"):
        found = found.none()
    tiers = CustomerTier.objects.filter(customer=OuterRef("customer"))
    head = _head(week_name)
    ship_tos = list(found.annotate(**head, tier_rows=_rows(tiers, "tier", "starts_on")))
    chosen = next((row for row in ship_tos if row.code == ship_to_code), None)
    ship_to = chosen or (ship_tos[0] if ship_tos else None)
    if ship_to is not None:
        read = {name: getattr(ship_to, name) for name in head}
        starts = _read(ship_to.tier_rows)  # type: ignore[attr-defined]
    else:
        # Somebody without a ship-to, a grower for one, looks at tier 1.
        read = User.objects.filter(pk=user.pk).annotate(**head).values(*head).get()
        starts = []
    now = read["demo_now_at"] or timezone.now()
    version, newest = _version_of(read, week_name, number)
    return Who(
        now=now,
        is_demo=read["demo_now_at"] is not None,
        farm_name=read["farm_name"] or "The farm",
        newest_week=read["newest_week"] or "",
        ship_tos=ship_tos,
        ship_to=ship_to,
        customer=ship_to.customer if ship_to and not user.is_staff_member else None,
        tier=tier_of(
            [(row["tier"], row["starts_on"]) for row in starts], on=timezone.localdate(now)
        ),
        version=version,
        newest=newest,
    )


def _head(week_name: str) -> dict[str, Subquery]:
    """What the page's head says, whoever looks."""
    try:
        monday = monday_of(week_name)
    except ValueError:
        raise Unknown(kind="ship week", name=week_name) from None
    out = ShipWeek.objects.filter(published_at__isnull=False).order_by("-monday")
    return {
        "demo_now_at": Subquery(Clock.objects.values("demo_now_at")[:1]),
        "farm_name": Subquery(Site.objects.filter(is_origin=True).values("name")[:1]),
        "newest_week": Subquery(out.values("name")[:1]),
        "weeks": _rows(ShipWeek.objects.filter(monday=monday), *WEEK),
        "versions": _rows(ListVersion.objects.filter(week__monday=monday), *VERSION),
    }


def _version_of(read: dict[str, Any], week_name: str, number: str) -> tuple[ListVersion, int]:
    """The version wanted by its number, else the newest; and the newest one's number."""
    weeks = [ShipWeek(**row) for row in _read(read["weeks"])]
    versions = {row["number"]: ListVersion(week=weeks[0], **row) for row in _read(read["versions"])}
    if not versions:
        raise Unknown(kind="list for", name=week_name)
    newest = max(versions)
    wanted = int(number) if number.isascii() and number.isdigit() and len(number) < 5 else newest
    return versions.get(wanted, versions[newest]), newest


@dataclass(frozen=True, slots=True)
class Watched:
    """A customer's watch of a listing: since when it waits, and when one was last answered.

    ``told_id`` and ``wanted`` are of the one answered last: what to offer again. [sale units]
    """

    asked_at: datetime | None = None
    told_at: datetime | None = None
    told_id: int = 0
    wanted: int | None = None


@dataclass(frozen=True, slots=True)
class Beside:
    """What bears on one ship-to and week beside the lines. Drafts and watches by listing's id."""

    book: RuleBook
    draft: Mapping[int, Typed]
    watches: Mapping[int, Watched]
    ship_on: date | None
    asks: Asks | None


def read_beside(*, ship_to: ShipTo, week: ShipWeek, now: datetime) -> Beside:
    """The region's rules, papers and their use, the draft, watches, and what is asked."""
    papers = papers_for(ship_to)
    in_force = papers.filter(Q(valid_to__isnull=True) | Q(valid_to__gte=timezone.localdate(now)))
    basket = Basket.objects.filter(ship_to=OuterRef("pk"), week=week)
    asks = AskSnapshot.objects.filter(week=week)
    rules = RegionRule.objects.filter(region__in=regions_of(ship_to))
    draft = BasketRow.objects.filter(basket__ship_to=ship_to, basket__week=week)
    watches = Watch.objects.filter(customer=ship_to.customer_id)
    read = {
        "rules": _rows(rules, "region", "strain_class_id", "taxon", "verdict", "text", "review_by"),
        "papers_read": _rows(
            papers, "pk", "code", "kind", "classes", "allowed", "valid_from", "valid_to"
        ),
        "uses": _rows(PaperUse.objects.filter(paper__in=in_force), "paper_id", "taxon", "pieces"),
        "draft": _rows(draft, "listing_id", "asked", "least"),
        "watches": _rows(watches, "pk", "listing_id", "asked_at", "told_at", "wanted"),
        "ship_on": Subquery(basket.values("ship_on")[:1]),
        "asks_at": Subquery(asks.values("at")[:1]),
        "asks_body": Subquery(asks.values("body")[:1]),
    }
    found = ShipTo.objects.filter(pk=ship_to.pk).annotate(**read).values(*read).get()
    used: dict[tuple[int, str], int] = {}
    for row in _read(found["uses"]):
        key = (row["paper_id"], row["taxon"])
        used[key] = used.get(key, 0) + row["pieces"]
    book = RuleBook(
        ship_to=ship_to,
        rules=[RegionRule(**row) for row in _read(found["rules"])],
        papers=[_paper(row) for row in _read(found["papers_read"])],
        used=used,
    )
    return Beside(
        book=book,
        draft={
            row["listing_id"]: Typed(row["asked"], row["least"]) for row in _read(found["draft"])
        },
        watches=_watches(_read(found["watches"])),
        ship_on=found["ship_on"],
        asks=_asks(week, found["asks_at"], found["asks_body"], now),
    )


def _watches(rows: list[dict[str, Any]]) -> dict[int, Watched]:
    """Of each listing the watch that waits, and the answer that came last."""
    found: dict[int, Watched] = {}
    for row in rows:
        before = found.get(row["listing_id"], Watched())
        if row["told_at"] is None:
            before = replace(before, asked_at=row["asked_at"])
        elif before.told_at is None or before.told_at <= row["told_at"]:
            before = Watched(before.asked_at, row["told_at"], row["pk"], row["wanted"])
        found[row["listing_id"]] = before
    return found


def _asks(week: ShipWeek, at: datetime | None, body: str | None, now: datetime) -> Asks | None:
    if week.closed_at is not None:
        return None
    if at is None or body is None:
        snapshot = refresh_asks(week=week, now=now)
        at, body = snapshot.at, snapshot.body
    return asks_of(at=at, body=body)


def _paper(row: dict[str, Any]) -> Paper:
    for name in ("classes", "allowed"):
        # SQLite keeps JSON as text, and hands it on as text.
        if isinstance(row[name], str):
            row[name] = json.loads(row[name])
    return Paper(**row)
