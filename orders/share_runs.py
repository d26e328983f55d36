"""HOP 7a share runs: what was asked and given, frozen as text, read again and replayed.

Call from: orders/sharing.py, orders/pages.py, config/week_record.py.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.utils import timezone

from inventory.models import Listing
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.adding import add_rows
from orders.calc.share_orders import WAYS, ShortBook, share_book
from orders.calc.sharing import Ask, RuleSettings
from orders.models import Line, ShareLine, ShareRun, ShipWeek


@dataclass(frozen=True, slots=True)
class SharedLine:
    """One line of a preview: what each rule and way gives it, and the sentence. [sale units]

    ``by_rule`` is what the chosen way gives without a change by hand."""

    line_id: int
    order_number: str
    shop: str
    asked: int
    promised: int
    first_come: int
    equal: int
    proportional: int
    sentence: str
    buyer_sentence: str
    ref: str
    by_item: int
    by_order: int
    by_rule: int
    hand_reason: str = ""


@dataclass(frozen=True, slots=True)
class SharedListing:
    """A listing of a preview. [sale units]"""

    listing: Listing
    rule: str
    available: int
    asked: int
    is_short: bool
    lines: tuple[SharedLine, ...]
    trace: Mapping[str, Any]
    way: str
    book: ShortBook | None = None
    hand_reasons: Mapping[str, str] = field(default_factory=dict)


def signed_listings(*, week: ShipWeek) -> list[SharedListing]:
    """The listings of the week's signed run as they were shared; empty before there is one."""
    run = ShareRun.objects.filter(week=week, is_signed=True).order_by("-id").first()
    if run is None:
        return []
    traces = {row["listing"]: row["trace"] for row in json.loads(run.result)}
    by_listing: dict[str, list[ShareLine]] = {}
    rows = run.lines.select_related("line__listing", "line__order__ship_to__customer")
    for row in rows.order_by("line__listing__name", "line__order__number"):
        by_listing.setdefault(row.line.listing.name, []).append(row)
    return [_as_shared(group, traces[name], run.way) for name, group in by_listing.items()]


def _as_shared(rows: Sequence[ShareLine], trace: Mapping[str, Any], way: str) -> SharedListing:
    return SharedListing(
        listing=rows[0].line.listing,
        rule=rows[0].rule,
        available=rows[0].available,
        asked=sum(row.asked for row in rows),
        is_short=any(row.is_short for row in rows),
        lines=tuple(
            SharedLine(
                line_id=row.line_id,
                order_number=row.line.order.number,
                shop=row.line.order.ship_to.customer.name,
                asked=row.asked,
                promised=row.promised,
                first_come=row.first_come,
                equal=row.equal,
                proportional=row.proportional,
                sentence=row.sentence,
                buyer_sentence=row.buyer_sentence,
                ref=line_ref(row.line),
                by_item=row.by_item,
                by_order=row.by_order,
                by_rule=row.by_rule,
                hand_reason=row.hand_reason,
            )
            for row in rows
        ),
        trace=trace,
        way=way,
    )


def rule_settings(*, book: SettingBook) -> RuleSettings:
    """The sharing rule's numbers from the farm's settings."""
    return RuleSettings(
        weights={tier: book.text(f"tier_{tier}_weight") for tier in (1, 2, 3)},
        unit_stretch=book.text("unit_stretch"),
    )


def ask_of(line: Line) -> Ask:
    """A line as the rules see it, named by its order and place so that a replay reads the same."""
    return Ask(
        ref=line_ref(line),
        order_number=line.order.number,
        asked=line.asked,
        unit=line.unit,
        tier=line.order.tier,
        sent_at=line.sent_at or line.order.sent_at,
        least=line.least,
        customer=line.order.customer.code,
    )


def line_ref(line: Line) -> str:
    return f"{line.order.number}/{line.position}"


def write_run(
    week: ShipWeek,
    now: datetime,
    user: User | None,
    listings: Sequence[SharedListing],
    way: str,
) -> ShareRun:
    """Keep a run and its lines; an earlier one of the week is no longer the signed one."""
    ShareRun.objects.filter(week=week, is_signed=True).update(is_signed=False)
    inputs = canonical([_inputs_of(row) for row in listings])
    result = canonical([_result_of(row.listing.name, row.trace) for row in listings])
    run = ShareRun.objects.create(
        week=week,
        ran_at=now,
        user=user,
        way=way,
        inputs=inputs,
        inputs_hash=hashlib.sha256(inputs.encode()).hexdigest(),
        result=result,
        is_signed=True,
    )
    lines = [
        ShareLine(
            run=run,
            line_id=line.line_id,
            rule=row.rule,
            is_short=line.promised < line.asked,
            available=row.available,
            asked=line.asked,
            promised=line.promised,
            by_rule=line.by_rule,
            by_item=line.by_item,
            by_order=line.by_order,
            first_come=line.first_come,
            equal=line.equal,
            proportional=line.proportional,
            sentence=line.sentence[:500],
            buyer_sentence=line.buyer_sentence[:500],
            hand_reason=line.hand_reason[:300],
        )
        for row in listings
        for line in row.lines
    ]
    add_rows(ShareLine, lines)
    return run


def canonical(value: Any) -> str:
    """JSON text that is the same on every machine and database."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _inputs_of(row: SharedListing) -> dict[str, Any]:
    """All that a replay needs. What is so by default is left out: a share by item reads as runs
    did before there was another way."""
    assert row.book is not None
    inputs: dict[str, Any] = {
        "listing": row.book.name,
        "rule": row.book.rule,
        "available": row.book.available,
        "asks": [_ask_row(ask) for ask in row.book.asks],
    }
    if row.book.hand:
        inputs["hand"] = {
            ref: {"units": units, "reason": row.hand_reasons[ref]}
            for ref, units in row.book.hand.items()
        }
    if row.way != WAYS[0]:
        inputs["way"] = row.way
        inputs["unit_pieces"] = row.book.unit_pieces
        inputs["is_stopped"] = row.book.is_stopped
    return inputs


def _ask_row(ask: Ask) -> dict[str, Any]:
    return {
        "ref": ask.ref,
        "order_number": ask.order_number,
        "asked": ask.asked,
        "unit": ask.unit,
        "tier": ask.tier,
        "sent_at": ask.sent_at.astimezone(timezone.get_default_timezone()).isoformat(),
        "least": ask.least,
        "customer": ask.customer,
    }


def _result_of(name: str, trace: Mapping[str, Any]) -> dict[str, Any]:
    return {"listing": name, "trace": trace}


def replay_run(*, run: ShareRun) -> str:
    """The result of a run computed again from what it stored: the same text, byte for byte.

    The way, the changes by hand and the rule's numbers are those of the run, whatever the farm's
    settings say today.
    """
    rows = json.loads(run.inputs)
    settings = _settings_then(json.loads(run.result))
    listings = [
        ShortBook(
            name=row["listing"],
            rule=row["rule"],
            available=row["available"],
            unit_pieces=row.get("unit_pieces", 1),
            asks=tuple(
                Ask(**{**ask, "sent_at": datetime.fromisoformat(ask["sent_at"])})
                for ask in row["asks"]
            ),
            hand={ref: change["units"] for ref, change in row.get("hand", {}).items()},
            is_stopped=row.get("is_stopped", False),
        )
        for row in rows
    ]
    way = next((row["way"] for row in rows if "way" in row), WAYS[0])
    shares = share_book(way=way, listings=listings, settings=settings).shares
    return canonical([_result_of(row.name, shares[row.name].trace) for row in listings])


def _settings_then(results: Sequence[Mapping[str, Any]]) -> RuleSettings:
    """The numbers a run was made with, from the first trace that needed them."""
    for row in results:
        plain = row["trace"].get("settings")
        if plain:
            weights = {int(tier): weight for tier, weight in plain["weights"].items()}
            return RuleSettings(**{**plain, "weights": weights})
    return RuleSettings()
