"""HOP 7a share runs: what was asked and given, frozen as text, read again and replayed.

Call from: orders/sharing.py, orders/pages.py, orders/share_pages.py.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Prefetch
from django.utils import timezone

from inventory.bulk import insert_rows
from inventory.models import Listing
from inventory.people import User
from orders.calc.share_orders import WAYS, ShortBook
from orders.calc.share_replay import Replay, canonical, result_text, settings_text
from orders.calc.sharing import Ask
from orders.models import Line, ShareLine, ShareRun, ShipWeek
from orders.share_book import ListingNumbers, WeekNumbers


@dataclass(frozen=True, slots=True)
class SharedLine:
    """One line of a preview: what each rule and way gives it, and the sentence. [sale units]

    ``by_rule`` is what the chosen way gives without a change by hand, ``paper_words`` why a paper
    lets less go than was asked at first."""

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
    paper_words: str = ""


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
    book: ShortBook | None = None
    hand_reasons: Mapping[str, str] = field(default_factory=dict)


def signed_listings(*, week: ShipWeek) -> list[SharedListing]:
    """The listings of the week's signed run as they were shared; empty before there is one."""
    run = ShareRun.objects.filter(week=week, is_signed=True).order_by("-id").first()
    if run is None:
        return []
    by_listing: dict[str, list[ShareLine]] = {}
    rows = run.lines.select_related(
        "line__listing__strain_form__form", "line__order__ship_to__customer"
    )
    for row in rows.order_by("line__listing__name", "line__order__number"):
        by_listing.setdefault(row.line.listing.name, []).append(row)
    return [_as_shared(group) for group in by_listing.values()]


def _as_shared(rows: Sequence[ShareLine]) -> SharedListing:
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
                ref=row.ref,
                by_item=row.by_item,
                by_order=row.by_order,
                by_rule=row.by_rule,
                hand_reason=row.hand_reason,
                paper_words=paper_words(row.line),
            )
            for row in rows
        ),
        trace=rows[0].share.trace,
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


def paper_words(line: Line) -> str:
    """Why a paper lowered a line's ask; empty where none did."""
    return line.reason if line.reason_code == "paper_lowered" else ""


def line_ref(line: Line) -> str:
    return f"{line.order.number}/{line.position}"


def write_run(
    *, week: ShipWeek, now: datetime, user: User | None, numbers: WeekNumbers
) -> ShareRun:
    """Keep a run and its lines; an earlier one of the week is no longer the signed one."""
    ShareRun.objects.filter(week=week, is_signed=True).update(is_signed=False)
    inputs = canonical([_inputs_of(row, numbers.way) for row in numbers.listings])
    run = ShareRun.objects.create(
        week=week,
        ran_at=now,
        user=user,
        way=numbers.way,
        inputs=inputs,
        inputs_hash=hashlib.sha256(inputs.encode()).hexdigest(),
        rule_numbers=settings_text(numbers.settings),
        result=result_text(
            [
                (row.listing.name, dict(zip(row.refs, row.promised, strict=True)))
                for row in numbers.listings
            ]
        ),
        is_signed=True,
    )
    insert_rows(model=ShareLine, columns=LINE_COLUMNS, rows=_line_rows(run, numbers))
    return run


LINE_COLUMNS = (
    "run_id",
    "line_id",
    "rule",
    "is_short",
    "available",
    "asked",
    "promised",
    "by_rule",
    "by_item",
    "by_order",
    "first_come",
    "equal",
    "proportional",
    "hand_reason",
)


def _line_rows(run: ShareRun, numbers: WeekNumbers) -> Iterator[tuple[Any, ...]]:
    for row in numbers.listings:
        given = zip(
            row.lines,
            row.refs,
            row.promised,
            row.by_rule,
            row.by_item,
            row.by_order,
            row.first_come,
            row.equal,
            row.proportional,
            strict=True,
        )
        for line, ref, promised, *others in given:
            yield (
                run.pk,
                line.pk,
                row.listing.share_rule,
                promised < line.asked,
                row.available,
                line.asked,
                promised,
                *others,
                row.reasons.get(ref, "")[:300],
            )


def _inputs_of(row: ListingNumbers, way: str) -> dict[str, Any]:
    inputs: dict[str, Any] = {
        "listing": row.listing.name,
        "rule": row.listing.share_rule,
        "available": row.available,
        "asks": _ask_rows(row),
    }
    if row.reasons:
        units = dict(zip(row.refs, row.promised, strict=True))
        inputs["hand"] = {
            ref: {"units": units[ref], "reason": reason} for ref, reason in row.reasons.items()
        }
    if way != WAYS[0]:
        inputs["way"] = way
        inputs["unit_pieces"] = row.unit_pieces
        inputs["is_stopped"] = row.is_stopped
    return inputs


def _ask_rows(row: ListingNumbers) -> list[dict[str, Any]]:
    zone = timezone.get_default_timezone()
    sent = {line.sent_at for line in row.lines}
    words = {at: at.astimezone(zone).isoformat() for at in sent}
    return [
        {
            "ref": ref,
            "order_number": line.order_number,
            "asked": line.asked,
            "unit": line.unit,
            "tier": line.tier,
            "sent_at": words[line.sent_at],
            "least": line.least,
            "customer": line.customer,
        }
        for ref, line in zip(row.refs, row.lines, strict=True)
    ]


def replay_run(*, run: ShareRun) -> str:
    """The result of a run computed again from what it stored, by the rules, listing by listing:
    the same text, byte for byte.

    The way, the changes by hand and the rule's numbers are those of the run, whatever the farm's
    settings say today.
    """
    return Replay.read(inputs=run.inputs, settings=run.rule_numbers).result()


def trace_of_run(*, run: ShareRun) -> str:
    """Every number on the way to a run's result, as text; made when it is asked for."""
    return Replay.read(inputs=run.inputs, settings=run.rule_numbers).trace()


# What a line's sentence is printed with.
SHOWN = ("listing__strain_form__form", "promise")


def signed_shares() -> "Prefetch[str]":
    """A line's share of the run that was signed, without the run's own long texts."""
    shares = ShareLine.objects.filter(run__is_signed=True).select_related("run")
    return Prefetch("shares", shares.defer("run__inputs", "run__result").order_by("run_id"))
