"""HOP 7a share runs: what was asked and given, frozen as text, read again and replayed.

Call from: orders/sharing.py, orders/pages.py, config/week_record.py.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone

from inventory.models import Listing
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.calc.sharing import Ask, RuleSettings, share
from orders.models import Line, ShareLine, ShareRun, ShipWeek


@dataclass(frozen=True, slots=True)
class SharedLine:
    """One line of a preview: what each rule gives it, and the rule's sentence. [sale units]"""

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
    return [_as_shared(group, traces[name]) for name, group in by_listing.items()]


def _as_shared(rows: Sequence[ShareLine], trace: Mapping[str, Any]) -> SharedListing:
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
            )
            for row in rows
        ),
        trace=trace,
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
    book: SettingBook,
) -> ShareRun:
    ShareRun.objects.filter(week=week, is_signed=True).update(is_signed=False)
    inputs = canonical([_inputs_of(row) for row in listings])
    result = canonical([_result_of(row) for row in listings])
    run = ShareRun.objects.create(
        week=week,
        ran_at=now,
        user=user,
        inputs=inputs,
        inputs_hash=hashlib.sha256(inputs.encode()).hexdigest(),
        result=result,
        is_signed=True,
    )
    ShareLine.objects.bulk_create(
        ShareLine(
            run=run,
            line_id=line.line_id,
            rule=row.rule,
            is_short=line.promised < line.asked,
            available=row.available,
            asked=line.asked,
            promised=line.promised,
            by_rule=line.promised,
            first_come=line.first_come,
            equal=line.equal,
            proportional=line.proportional,
            sentence=line.sentence[:500],
            buyer_sentence=line.buyer_sentence[:500],
        )
        for row in listings
        for line in row.lines
    )
    return run


def canonical(value: Any) -> str:
    """JSON text that is the same on every machine and database."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _inputs_of(row: SharedListing) -> dict[str, Any]:
    lines = Line.objects.filter(pk__in=[line.line_id for line in row.lines])
    asks = [
        ask_of(line) for line in lines.select_related("order__customer").order_by("order__number")
    ]
    return {
        "listing": row.listing.name,
        "rule": row.rule,
        "available": row.available,
        "asks": [
            {
                "ref": ask.ref,
                "order_number": ask.order_number,
                "asked": ask.asked,
                "unit": ask.unit,
                "tier": ask.tier,
                "sent_at": ask.sent_at.astimezone(timezone.get_default_timezone()).isoformat(),
                "least": ask.least,
                "customer": ask.customer,
            }
            for ask in asks
        ],
    }


def _result_of(row: SharedListing) -> dict[str, Any]:
    return {"listing": row.listing.name, "trace": row.trace}


def replay_run(*, run: ShareRun, book: SettingBook) -> str:
    """The result of a run computed again from its stored inputs: the same text, byte for byte."""
    settings = rule_settings(book=book)
    results = []
    for row in json.loads(run.inputs):
        asks = [
            Ask(**{**ask, "sent_at": datetime.fromisoformat(ask["sent_at"])}) for ask in row["asks"]
        ]
        outcome = share(rule=row["rule"], available=row["available"], asks=asks, settings=settings)
        results.append({"listing": row["listing"], "trace": outcome.trace})
    return canonical(results)
