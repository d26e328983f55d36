"""HOP 6d likely: what is asked of an open list -> what a buyer's line is likely to get.

Call from: orders/list_pages.py, orders/change_pages.py, config/ticking.py.
Locks: none. The words promise nothing; what came of them is counted and shown.
"""

import json
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache

from django.db import transaction
from django.db.models import Q, Sum
from django.utils import timezone

from inventory.models import Happening
from inventory.setting_book import SettingBook
from orders.calc.likely import OWN, Likely, ask_growth, likely_promise
from orders.calc.sharing import Ask, RuleSettings
from orders.models import (
    AskSnapshot,
    LikelyWord,
    Line,
    Order,
    Promise,
    ShipWeek,
)
from orders.promising import can_promise_all
from orders.share_book import rule_settings, shareable_lines
from orders.share_runs import ask_of

REFRESH_EVERY = timedelta(minutes=10)
# From so many customers on, totals tell nothing of any one of them.
LEAST_CUSTOMERS_FOR_TOTALS = 5
# Answers kept of one refresh; they are forgotten with it.
MOST_SAID = 10_000


@dataclass(frozen=True)
class Asks:
    """What is asked of a week's listings, as of ``at``. Units are sale units."""

    at: datetime
    growth: tuple[float, float]
    settings: RuleSettings
    rows: dict[str, dict[str, object]]
    record: tuple[int, int] = (0, 0)
    _said: dict[tuple[str, Ask], Likely] = field(
        default_factory=dict, init=False, compare=False, repr=False
    )

    def likely(
        self,
        *,
        listing: str,
        asked: int,
        customer: str,
        tier: int,
        unit: int = 1,
        least: int | None = None,
    ) -> Likely | None:
        """What a line would get; None for a listing that is not on the list or takes no asks."""
        row = self.rows.get(listing)
        if row is None or asked < 1:
            return None
        own = Ask(
            ref=OWN,
            order_number="~",
            asked=asked,
            unit=unit,
            tier=tier,
            sent_at=self.at,
            least=least if least is not None else unit,
            customer=customer,
        )
        # A draft is read anew after each field of it, and all but one stand as they did before.
        said = self._said.get((listing, own))
        if said is None:
            said = self._likely(row, own)
            if len(self._said) >= MOST_SAID:
                self._said.clear()
            self._said[listing, own] = said
        return said

    def likely_of(self, line: Line) -> Likely | None:
        """What a line that was sent would get: itself set aside among the asks, then asked as it
        stands. None for a listing that is not on the list."""
        row = self.rows.get(line.listing.name)
        return None if row is None else self._likely(row, ask_of(line))

    def _likely(self, row: dict[str, object], own: Ask) -> Likely:
        return likely_promise(
            rule=str(row["rule"]),
            available=int(row["available"]),  # type: ignore[call-overload]
            others=[
                ask
                for ask in map(_ask_from, row["asks"])  # type: ignore[call-overload]
                if ask.ref != own.ref
            ],
            own=own,
            settings=self.settings,
            growth_low=self.growth[0],
            growth_high=self.growth[1],
        )

    def total_words(self, listing: str) -> str:
        """How much is asked of how much, only where that tells nothing of a single rival."""
        row = self.rows.get(listing)
        if row is None:
            return ""
        asks = [_ask_from(ask) for ask in row["asks"]]  # type: ignore[attr-defined]
        if len({ask.customer for ask in asks}) < LEAST_CUSTOMERS_FOR_TOTALS:
            return ""
        return f"{sum(ask.asked for ask in asks)} asked of {row['available']}"


def likely_words(likely: Likely | None, total: str) -> str:
    """What is likely, and the totals that make it less where a buyer may read them."""
    if likely is None:
        return ""
    return f"{likely.words}; {total}" if total and likely.likely < likely.asked else likely.words


def _ask_from(row: dict[str, object]) -> Ask:
    sent_at = datetime.fromisoformat(str(row["sent_at"]))
    return Ask(**{**row, "sent_at": sent_at})  # type: ignore[arg-type]


def read_asks(*, week: ShipWeek, now: datetime) -> Asks:
    """The asks of a week as of the last refresh; made now where there is none yet."""
    snapshot = AskSnapshot.objects.filter(week=week).first()
    if snapshot is None:
        snapshot = refresh_asks(week=week, now=now)
    return asks_of(at=snapshot.at, body=snapshot.body)


# A list that is open is read by every shop; the same text says the same, whoever asks.
@lru_cache(maxsize=8)
def asks_of(*, at: datetime, body: str) -> Asks:
    """A snapshot's text as asks. The rule's numbers and the record are those of the refresh."""
    read = json.loads(body)
    low, high = read["growth"]
    weights = {int(tier): weight for tier, weight in read["weights"].items()}
    settings = RuleSettings(weights=weights, unit_stretch=read["unit_stretch"])
    true, said = read["record"]
    return Asks(at, (low, high), settings, read["rows"], (true, said))


@transaction.atomic
def refresh_asks(*, week: ShipWeek, now: datetime) -> AskSnapshot:
    """Write what is asked of a week now. Safe to run as often as one likes."""
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    promises = can_promise_all(week=week, on=on, is_on_sale=True, book=book)
    lines = shareable_lines(week=week)
    held: dict[int, int] = {}
    for promise in Promise.objects.filter(line__in=lines, state__in=Promise.LIVE):
        held[promise.strain_form_id] = held.get(promise.strain_form_id, 0) + promise.units
    rows: dict[str, dict[str, object]] = {}
    version = week.versions.order_by("-number").first()
    offered = version.lines.select_related("listing") if version else ()
    for row in offered:
        can = promises.get(row.listing.strain_form_id)
        if can is None or row.status not in ("offered", "sold through"):
            continue
        rows[row.listing.name] = {
            "rule": row.listing.share_rule,
            "available": can.units + held.get(row.listing.strain_form_id, 0),
            "asks": [],
        }
    for line in lines:
        found = rows.get(line.listing.name)
        if found is not None:
            ask = asdict(ask_of(line))
            ask["sent_at"] = ask["sent_at"].isoformat()
            found["asks"].append(ask)  # type: ignore[attr-defined]
    settings = rule_settings(book=book)
    # What a page of the list needs beside the asks goes along, so that it reads this row alone.
    whole = {
        "growth": _growth(week, now),
        "weights": {tier: str(weight) for tier, weight in settings.weights.items()},
        "unit_stretch": str(settings.unit_stretch),
        "record": track_record(),
        "rows": rows,
    }
    body = json.dumps(whole, ensure_ascii=False)
    snapshot, _ = AskSnapshot.objects.update_or_create(
        week=week, defaults={"at": now, "body": body}
    )
    return snapshot


def _growth(week: ShipWeek, now: datetime) -> tuple[float, float]:
    """How asks grew from this hour before the cut-off to the cut-off itself, on earlier lists."""
    before = max(timedelta(0), week.cut_off_at - now)
    ratios = []
    closed = ShipWeek.objects.filter(closed_at__isnull=False, monday__lt=week.monday)
    for row in list(closed.order_by("-monday")[:8])[::-1]:
        asks = Line.objects.filter(order__week=row).aggregate(
            by_then=Sum("asked", filter=Q(order__sent_at__lte=row.cut_off_at - before)),
            at_cut_off=Sum("asked"),
        )
        if asks["by_then"]:
            ratios.append(asks["at_cut_off"] / asks["by_then"])
    return ask_growth(ratios=ratios)


def refresh_when_due(*, now: datetime) -> int:
    """Refresh every open list whose asks were read more than ten minutes ago."""
    due = ShipWeek.objects.filter(published_at__lte=now, closed_at__isnull=True).exclude(
        asks__at__gt=now - REFRESH_EVERY
    )
    weeks = list(due)
    for week in weeks:
        refresh_asks(week=week, now=now)
    return len(weeks)


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """An order that is sent or changed moves what others are likely to get, at once."""
    if happening.kind not in ("order.sent", "order.changed", "list.published"):
        return
    name = happening.facts.get("week")
    week = ShipWeek.objects.filter(
        name=name, published_at__isnull=False, closed_at__isnull=True
    ).first()
    if week is not None:
        refresh_asks(week=week, now=now)


def keep_words(*, order: Order, asks: Asks) -> None:
    """Keep what the sender was told of each line, to be compared with what is promised."""
    rows = []
    for line in order.lines.filter(state=Line.State.OPEN).select_related("listing"):
        found = asks.likely(
            listing=line.listing.name,
            asked=line.asked,
            customer=order.customer.code,
            tier=order.tier,
            unit=line.unit,
            least=line.least,
        )
        if found is not None:
            rows.append(LikelyWord(line=line, low=found.low, likely=found.likely, high=found.high))
    LikelyWord.objects.bulk_create(rows, ignore_conflicts=True)


def track_record(*, before: ShipWeek | None = None) -> tuple[int, int]:
    """(came true, in all): lines whose promise lay between the low and the high that were said."""
    words = LikelyWord.objects.filter(line__order__week__inked_at__isnull=False).select_related(
        "line__promise"
    )
    if before is not None:
        words = words.filter(line__order__week__monday__lt=before.monday)
    rows = list(words)
    true = 0
    for row in rows:
        promise = getattr(row.line, "promise", None)
        got = promise.units if promise is not None else 0
        true += row.low <= got <= row.high
    return true, len(rows)
