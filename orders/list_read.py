"""What a list page reads, in three statements: who looks, the version's lines, law and asks.

Call from: orders/list_pages.py. Reads only. A page of four hundred lines is opened by every shop in
the same hour, so its small tables come along as JSON inside a statement that is made anyway.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Aggregate, F, Max, OuterRef, Q, QuerySet, Subquery, TextField, Value
from django.db.models.functions import JSONObject
from django.utils import timezone

from inventory.clock import farm_now
from inventory.errors import Unknown
from inventory.models import Clock, Site, User
from orders.calc.weeks import monday_of
from orders.likely import Asks, asks_of, refresh_asks
from orders.models import (
    AskSnapshot,
    Basket,
    BasketRow,
    Customer,
    CustomerTier,
    ListLine,
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
    """A subquery's rows with these fields, as JSON. Dates come as ISO text."""
    row = JSONObject(**{name: F(name) for name in names})
    return Subquery(found.order_by().values(all=Value(1)).annotate(r=Rows(row)).values("r"))


def _read(text: str | None) -> list[dict[str, Any]]:
    return json.loads(text) if text else []


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


@dataclass(frozen=True, slots=True)
class Who:
    """Who looks at the list, for which ship-to, and when."""

    now: datetime
    is_demo: bool
    farm_name: str
    newest_week: str
    ship_tos: Sequence[ShipTo]
    ship_to: ShipTo | None
    customer: Customer | None
    tier: int

    @property
    def whose(self) -> Customer | None:
        """The customer the list is shown for: the reader's own, or the one the office chose."""
        return self.customer or (self.ship_to.customer if self.ship_to else None)


def read_who(*, user: User, wanted: str | None) -> Who:
    """The reader's ship-tos, the one wanted by code or else the first, and the farm's time."""
    found = ShipTo.objects.select_related("customer")
    if not user.is_staff_member:
        found = found.filter(customer__seats__user=user)
    elif not user.may("order_for_customer"):
        found = found.none()
    tiers = CustomerTier.objects.filter(customer=OuterRef("customer"))
    out = ShipWeek.objects.filter(published_at__isnull=False).order_by("-monday")
    head = {
        "demo_now_at": Subquery(Clock.objects.values("demo_now_at")[:1]),
        "farm_name": Subquery(Site.objects.filter(is_origin=True).values("name")[:1]),
        "newest_week": Subquery(out.values("name")[:1]),
    }
    ship_tos = list(found.annotate(**head, tier_rows=_rows(tiers, "tier", "starts_on")))
    chosen = next((row for row in ship_tos if row.code == wanted), None)
    ship_to = chosen or (ship_tos[0] if ship_tos else None)
    if ship_to is None:
        return _nobody(user, head)
    demo_now_at: datetime | None = ship_to.demo_now_at  # type: ignore[attr-defined]
    now = demo_now_at or timezone.now()
    starts = [
        (row["tier"], date.fromisoformat(row["starts_on"]))
        for row in _read(ship_to.tier_rows)  # type: ignore[attr-defined]
    ]
    return Who(
        now=now,
        is_demo=demo_now_at is not None,
        farm_name=ship_to.farm_name or "The farm",  # type: ignore[attr-defined]
        newest_week=ship_to.newest_week or "",  # type: ignore[attr-defined]
        ship_tos=ship_tos,
        ship_to=ship_to,
        customer=None if user.is_staff_member else ship_to.customer,
        tier=tier_of(starts, on=timezone.localdate(now)),
    )


def _nobody(user: User, head: dict[str, Subquery]) -> Who:
    """Somebody without a ship-to, a grower for one, looks at tier 1."""
    row = User.objects.filter(pk=user.pk).annotate(**head).values(*head).get()
    now = row["demo_now_at"] or farm_now()
    is_demo = row["demo_now_at"] is not None
    name = row["farm_name"] or "The farm"
    return Who(now, is_demo, name, row["newest_week"] or "", (), None, None, 1)


def read_lines(*, week_name: str, wanted: str, ship_to: ShipTo | None) -> list[ListLine]:
    """The lines of a week's version with what this ship-to typed and watches beside each.

    The version wanted by number, else the newest. Raises Unknown where no list is out.
    """
    try:
        monday = monday_of(week_name)
    except ValueError:
        raise Unknown(kind="ship week", name=week_name) from None
    versions = ListVersion.objects.filter(week__monday=monday)
    newest = versions.order_by().values("week").annotate(n=Max("number")).values("n")
    of_week = ListLine.objects.filter(version__week__monday=monday)
    number = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 5 else 0
    rows = (
        of_week.filter(version__number=number or Subquery(newest))
        .select_related(
            "version__week",
            "listing__strain_form__strain__strain_class",
            "listing__strain_form__form",
        )
        .defer("version__snapshot", "terms")
        .annotate(newest=Subquery(newest), **_beside(ship_to))
        .order_by("position")
    )
    lines: list[ListLine] = list(rows)
    if lines:
        return lines
    if number and versions.exists():
        return read_lines(week_name=week_name, wanted="", ship_to=ship_to)
    raise Unknown(kind="list for", name=week_name)


def _beside(ship_to: ShipTo | None) -> dict[str, Any]:
    """Per line: the cells of the ship-to's draft, and its customer's watch."""
    if ship_to is None:
        return {}
    typed = BasketRow.objects.filter(
        basket__ship_to=ship_to,
        basket__week=OuterRef("version__week"),
        listing=OuterRef("listing"),
    )
    watch = Watch.objects.filter(customer=ship_to.customer_id, listing=OuterRef("listing"))
    waiting = watch.filter(told_at__isnull=True)
    told = watch.filter(told_at__isnull=False).order_by("-told_at")
    return {
        "typed": Subquery(typed.values("asked")[:1]),
        "typed_least": Subquery(typed.values("least")[:1]),
        "watch_asked_at": Subquery(waiting.values("asked_at")[:1]),
        "watch_told_at": Subquery(told.values("told_at")[:1]),
    }


@dataclass(frozen=True, slots=True)
class LawAndAsks:
    """What bears on one ship-to and week beside the lines."""

    book: RuleBook
    has_basket: bool
    ship_on: date | None
    asks: Asks | None


def read_law_and_asks(*, ship_to: ShipTo, week: ShipWeek, now: datetime) -> LawAndAsks:
    """The region's rules, papers and their use, the draft's head, and what is asked of the week."""
    papers = papers_for(ship_to)
    in_force = papers.filter(Q(valid_to__isnull=True) | Q(valid_to__gte=timezone.localdate(now)))
    basket = Basket.objects.filter(ship_to=OuterRef("pk"), week=week)
    asks = AskSnapshot.objects.filter(week=week)
    rules = RegionRule.objects.filter(region__in=regions_of(ship_to))
    found = (
        ShipTo.objects.filter(pk=ship_to.pk)
        .annotate(
            rules=_rows(
                rules, "region", "strain_class_id", "taxon", "verdict", "text", "review_by"
            ),
            paper_rows=_rows(
                papers, "pk", "code", "kind", "classes", "allowed", "valid_from", "valid_to"
            ),
            uses=_rows(PaperUse.objects.filter(paper__in=in_force), "paper_id", "taxon", "pieces"),
            basket_id=Subquery(basket.values("pk")[:1]),
            ship_on=Subquery(basket.values("ship_on")[:1]),
            asks_at=Subquery(asks.values("at")[:1]),
            asks_body=Subquery(asks.values("body")[:1]),
        )
        .values("rules", "paper_rows", "uses", "basket_id", "ship_on", "asks_at", "asks_body")
        .get()
    )
    used: dict[tuple[int, str], int] = {}
    for row in _read(found["uses"]):
        key = (row["paper_id"], row["taxon"])
        used[key] = used.get(key, 0) + row["pieces"]
    book = RuleBook(
        ship_to=ship_to,
        rules=[RegionRule(**_dated(row, "review_by")) for row in _read(found["rules"])],
        papers=[_paper(row) for row in _read(found["paper_rows"])],
        used=used,
    )
    return LawAndAsks(
        book=book,
        has_basket=found["basket_id"] is not None,
        ship_on=found["ship_on"],
        asks=_asks(week, found["asks_at"], found["asks_body"], now),
    )


def _asks(week: ShipWeek, at: datetime | None, body: str | None, now: datetime) -> Asks | None:
    if week.closed_at is not None:
        return None
    if at is None or body is None:
        snapshot = refresh_asks(week=week, now=now)
        at, body = snapshot.at, snapshot.body
    return asks_of(at=at, body=body)


def _dated(row: dict[str, Any], *names: str) -> dict[str, Any]:
    return row | {name: _day(row[name]) for name in names}


def _paper(row: dict[str, Any]) -> Paper:
    row = _dated(row, "valid_from", "valid_to")
    for name in ("classes", "allowed"):
        # SQLite keeps JSON as text, and hands it on as text.
        if isinstance(row[name], str):
            row[name] = json.loads(row[name])
    return Paper(**row)
