"""HOP 6f who ordered: who is silent before a cut-off, and what each shop asked, got and kept.

Call from: config/who_page.py, config/pages.py. Reads only: two statements for the silent, two for
the record, however many shops there are.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, F, IntegerField, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone

from orders.calc.weeks import time_text
from orders.models import (
    Basket,
    BasketRow,
    Line,
    Order,
    Promise,
    Seat,
    ShipTo,
    ShipWeek,
    StandingRow,
)


@dataclass(frozen=True, slots=True)
class Silent:
    """A ship-to without an order for a week, and what it takes to have a word with it."""

    code: str
    name: str
    prepared: str
    is_prepared: bool
    last: str
    last_number: str
    contact: str
    people: tuple[tuple[str, str], ...]
    cut_off: str
    is_credit_stopped: bool


@dataclass(slots=True)
class Sums:
    """Single pieces of some lines. ``alive`` counts only what has arrived."""

    asked: int = 0
    promised: int = 0
    given_back: int = 0
    arrived: int = 0
    lost: int = 0

    @property
    def alive(self) -> int | None:
        """Pieces that arrived and live; None as long as nothing has arrived."""
        return max(0, self.arrived - self.lost) if self.arrived else None

    @property
    def percent(self) -> int | None:
        """How much of what was asked was promised. [%]"""
        return round(100 * self.promised / self.asked) if self.asked and self.promised else None

    def add(self, other: "Sums") -> None:
        self.asked += other.asked
        self.promised += other.promised
        self.given_back += other.given_back
        self.arrived += other.arrived
        self.lost += other.lost


@dataclass(slots=True)
class ShopRecord:
    """One ship-to over some weeks, the newest first."""

    code: str
    name: str
    weeks: list[tuple[str, Sums]] = field(default_factory=list)
    total: Sums = field(default_factory=Sums)
    asks_now: int | None = None


@dataclass(frozen=True, slots=True)
class Record:
    shops: tuple[ShopRecord, ...]
    total: Sums


def _count_of(grouped: QuerySet[Any, Any]) -> Coalesce:
    """How many of some rows there are, counted apart so that joins do not multiply them."""
    counted = grouped.order_by().annotate(n=Count("pk")).values("n")[:1]
    return Coalesce(Subquery(counted, output_field=IntegerField()), 0)


def not_ordered(*, week: ShipWeek) -> list[Silent]:
    """Every ship-to without an order for a week, in the order of their codes."""
    orders = Order.objects.filter(ship_to=OuterRef("pk")).exclude(state=Order.State.WITHDRAWN)
    last = orders.order_by("-sent_at", "-pk")
    draft = Basket.objects.filter(ship_to=OuterRef("pk"), week=week)
    draft_rows = BasketRow.objects.filter(basket__ship_to=OuterRef("pk"), basket__week=week).values(
        "basket__ship_to"
    )
    standing = StandingRow.objects.filter(ship_to=OuterRef("pk")).values("ship_to")
    shops = (
        ShipTo.objects.filter(~Exists(orders.filter(week=week)))
        .select_related("customer")
        .annotate(
            draft_rows=_count_of(draft_rows),
            standing_rows=_count_of(standing),
            draft_at=Subquery(draft.values("changed_at")[:1]),
            draft_by=Subquery(draft.values("changed_by__name")[:1]),
            last_number=Subquery(last.values("number")[:1]),
            last_sent_at=Subquery(last.values("sent_at")[:1]),
            last_week=Subquery(last.values("week__name")[:1]),
        )
    )
    people: dict[int, list[tuple[str, str]]] = {}
    for seat in Seat.objects.filter(user__is_active=True).select_related("user").order_by("pk"):
        people.setdefault(seat.customer_id, []).append((seat.user.name, seat.user.email))
    return [_silent(row, week, people) for row in shops.order_by("code")]


def _silent(row: ShipTo, week: ShipWeek, people: Mapping[int, list[tuple[str, str]]]) -> Silent:
    prepared = _prepared(row)
    return Silent(
        code=row.code,
        name=str(row),
        prepared=prepared or "nothing prepared",
        is_prepared=bool(prepared),
        last=_last(row),
        last_number=getattr(row, "last_number", None) or "",
        contact=row.contact,
        people=tuple(people.get(row.customer_id, ())),
        cut_off=time_text(at=week.cut_off_at, zone=row.time_zone),
        is_credit_stopped=row.customer.is_credit_stopped,
    )


def _prepared(row: ShipTo) -> str:
    """The draft of a ship-to in words: whose it is and when, or that it is only the standing."""
    rows, standing = getattr(row, "draft_rows", 0), getattr(row, "standing_rows", 0)
    if rows:
        at: datetime = row.draft_at  # type: ignore[attr-defined]
        by = getattr(row, "draft_by", None)
        when = f"{timezone.localtime(at):%a %-d %b %H:%M}"
        of = f"by {by}" if by else "the standing basket, untouched"
        return f"a draft of {_rows(rows)}, {when}, {of}"
    return f"a standing basket of {_rows(standing)}, not in a draft" if standing else ""


def _rows(count: int) -> str:
    return f"{count} row" if count == 1 else f"{count} rows"


def _last(row: ShipTo) -> str:
    sent_at: datetime | None = getattr(row, "last_sent_at", None)
    if sent_at is None:
        return "has never ordered"
    return f"for {row.last_week}, sent {timezone.localtime(sent_at):%a %-d %b}"  # type: ignore[attr-defined]


def weeks_up_to(*, week: ShipWeek, weeks: int) -> list[ShipWeek]:
    """A week and those before it whose promises are inked, newest first.

    An open list has asks without promises; among the others it would read as over-asking.
    """
    inked = ShipWeek.objects.filter(inked_at__isnull=False, monday__lte=week.monday)
    return list(inked.order_by("-monday")[:weeks])


# Lines a shop meant: refused ones and those that wait were never in its hands to ask too much of.
# A line it took back counts once it was promised: pieces that others could have had.
MEANT = Q(state=Line.State.OPEN) | Q(state=Line.State.WITHDRAWN, promise__inked_at__isnull=False)


def record_of(
    *,
    weeks: list[ShipWeek],
    open_week: ShipWeek | None = None,
    lost: Mapping[tuple[int, int], int] | None = None,
) -> Record:
    """What each ship-to asked, was promised, gave back and has alive, in single pieces.

    ``lost`` are pieces dead, missing or wrong on arrival by (ship-to id, week id); the floor that
    hears of arrivals knows them. What is asked of ``open_week`` stands beside, outside the sums.
    Shops that asked most stand first.
    """
    promised = Q(promise__inked_at__isnull=False)
    here = ("arrived", "settled")
    rows = (
        Line.objects.filter(MEANT, order__week__in=[*weeks, *([open_week] if open_week else [])])
        .values("order__ship_to", "order__week")
        .annotate(
            asked=Sum(F("asked") * F("listing__strain_form__form__unit_pieces")),
            promised=Sum("promise__pieces", filter=promised, default=0),
            given_back=Sum(
                "promise__pieces", filter=promised & Q(state=Line.State.WITHDRAWN), default=0
            ),
            arrived=Sum(
                "promise__pieces",
                filter=Q(promise__state=Promise.State.GONE, order__state__in=here),
                default=0,
            ),
        )
    )
    found = {(row["order__ship_to"], row["order__week"]): row for row in rows}
    shops: list[ShopRecord] = []
    total = Sums()
    for ship_to in ShipTo.objects.select_related("customer"):
        shop = ShopRecord(code=ship_to.code, name=str(ship_to))
        for week in weeks:
            row = found.get((ship_to.pk, week.pk))
            if row is not None:
                key = (ship_to.pk, week.pk)
                sums = Sums(
                    row["asked"],
                    row["promised"],
                    row["given_back"],
                    row["arrived"],
                    (lost or {}).get(key, 0),
                )
                shop.weeks.append((week.name, sums))
                shop.total.add(sums)
        now = found.get((ship_to.pk, open_week.pk)) if open_week else None
        shop.asks_now = now["asked"] if now else None
        if shop.weeks or now:
            shops.append(shop)
            total.add(shop.total)
    shops.sort(key=lambda shop: (-shop.total.asked, shop.code))
    return Record(tuple(shops), total)
