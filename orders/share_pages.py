"""The page where short listings are looked at and shared out. Thin: sharing.py does the work.

What is being tried stands in the address: the way of sharing and the changes by hand. Nothing is
kept before it is signed.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone

from inventory.clock import farm_now
from inventory.door import staff_only
from inventory.errors import FarmError
from inventory.people import User
from orders import share_runs, sharing
from orders.amending import PaperStep
from orders.calc.share_words import percent
from orders.calc.weeks import time_text
from orders.models import Line, ShareRun, ShipWeek
from orders.share_plan import BY_ITEM, WAYS, HandChange, OrderFill, SharePlan
from orders.weeks import week_line, week_named

WAY_WORDS = {"by item": "by item", "by order": "by whole orders"}


@login_required
def sharing_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """Every short listing both ways, what a change by hand costs whom; share out, then ink."""
    user, now, week = staff_only(request), farm_now(), week_named(name=week_name)
    error: FarmError | None = None
    if request.method == "POST":
        try:
            _act(request, week, now, user)
            return redirect("sharing", week_name)
        except sharing.SharesChangedSince as refused:
            error = refused
    asked = request.POST if request.method == "POST" else request.GET
    if week.shared_at and "way" not in asked:
        return render(request, "orders/sharing.html", _signed_context(week, now, user))
    plan, refused_change, typed = _looked_at(week, now, asked)
    error = error or refused_change
    context = {
        **_frame(week, now, user),
        **_plan_context(plan, typed),
        "error": error,
    }
    return render(request, "orders/sharing.html", context, status=error.status if error else 200)


def _act(request: HttpRequest, week: ShipWeek, now: datetime, user: User) -> None:
    if request.POST.get("act") == "ink":
        inked = sharing.ink_promises(week=week, now=now, user=user)
        messages.success(request, f"{inked} promises are inked.")
        return
    run = sharing.share_out(
        week=week,
        now=now,
        user=user,
        way=request.POST.get("way", BY_ITEM),
        hand=_typed_changes(request.POST),
        mark=request.POST.get("mark", ""),
    )
    short = run.lines.filter(is_short=True).count()
    words = WAY_WORDS[run.way]
    messages.success(request, f"Shared out {words}: {short} lines end below what was asked.")


def _typed_changes(asked: QueryDict) -> list[HandChange]:
    """Changes by hand as typed; of two for one line the later stands. Empty rows are left out."""
    columns = (asked.getlist(name) for name in ("line", "units", "why"))
    rows = zip(*columns, strict=False)
    found = {ref: HandChange(ref, units, why) for ref, units, why in rows if units.strip()}
    return list(found.values())


def _looked_at(
    week: ShipWeek, now: datetime, asked: QueryDict
) -> tuple[SharePlan, FarmError | None, HandChange | None]:
    """The plan, and where its last change by hand cannot be: the plan without it, and why."""
    way, changes = asked.get("way", BY_ITEM), _typed_changes(asked)
    refused, typed = None, None
    while True:
        try:
            plan = sharing.preview_plan(week=week, now=now, way=way, hand=changes)
        except FarmError as error:
            refused = refused or error
            if changes:
                typed = typed or changes[-1]
                changes = changes[:-1]
            elif way != BY_ITEM:
                way = BY_ITEM
            else:
                raise
        else:
            return plan, refused, typed


def _frame(week: ShipWeek, now: datetime, user: User) -> dict[str, Any]:
    zone = timezone.get_current_timezone_name()
    return {
        "week": week,
        "may_share": user.may("share_out") and week.inked_at is None,
        "may_sign": user.may("share_out") and week.inked_at is None and week.closed_at is not None,
        "is_shared": week.shared_at is not None,
        "state_words": _state_words(week, zone),
        "ink_words": "14:30 on the day of the cut-off",
        "week_line": week_line(week=week, now=now, zone=zone),
    }


def _state_words(week: ShipWeek, zone: str) -> str:
    if week.inked_at:
        return f"inked {time_text(at=week.inked_at, zone=zone)}"
    if week.shared_at:
        return f"shared out {time_text(at=week.shared_at, zone=zone)}, not inked yet"
    if week.closed_at:
        return "closed; not shared out yet"
    return f"open until {time_text(at=week.cut_off_at, zone=zone)}; shares as they would be now"


def _signed_context(week: ShipWeek, now: datetime, user: User) -> dict[str, Any]:
    run = ShareRun.objects.filter(week=week, is_signed=True).order_by("-id").first()
    shown = share_runs.signed_listings(week=week)
    return {
        **_frame(week, now, user),
        "listings": [_listing_row(row, {}) for row in shown if row.is_short or _was_lowered(row)],
        "signed_words": f"Shared out {WAY_WORDS[run.way]}." if run else "",
    }


def _plan_context(plan: SharePlan, typed: HandChange | None) -> dict[str, Any]:
    lowered = {step.line.pk: step for step in plan.papers if step.is_lowered}
    short = [row for row in plan.listings if _is_looked_at(row, lowered)]
    return {
        "plan": plan,
        "papers": [_paper_row(step) for step in plan.papers],
        "listings": [_listing_row(row, lowered) for row in short],
        "short_count": sum(row.is_short for row in plan.listings),
        "way": plan.way,
        "way_words": WAY_WORDS[plan.way],
        "ways": [
            {
                "words": WAY_WORDS[way],
                "is_chosen": way == plan.way,
                "query": _query(way, plan.hand),
            }
            for way in WAYS
        ],
        "best": _best_fill(plan),
        "orders": [_order_row(row) for row in plan.orders],
        "worst": _worst(plan),
        "hand": [_hand_row(plan, change) for change in plan.hand],
        "payers": [
            {**{name: getattr(row, name) for name in row.__slots__}, "words": _moved(row)}
            for row in plan.payers
        ],
        "choices": _choices(plan),
        "typed": typed,
    }


def _is_looked_at(row: share_runs.SharedListing, lowered: Mapping[int, PaperStep]) -> bool:
    """Listings that need a look: short ones, those a paper lowers, and what a choice moves."""
    is_lowered = any(line.line_id in lowered for line in row.lines)
    return bool(row.is_short or row.hand_reasons or is_lowered or _is_moved(row))


def _was_lowered(row: share_runs.SharedListing) -> bool:
    return any(line.paper_words for line in row.lines)


def _paper_row(step: PaperStep) -> dict[str, Any]:
    """What a look at the papers will do to a line, before anything is shared."""
    line = step.line
    if step.is_lowered:
        words = f"goes as {line.asked}"
    elif line.state == Line.State.NEEDS_PAPER:
        words = "waits, nothing goes"
    else:
        words = "goes whole" if step.was != line.state else "goes whole after all"
    return {
        "order": line.order.number,
        "shop": line.order.ship_to.customer.name,
        "listing": line.listing.name,
        "asked": step.asked_before,
        "words": words,
        "why": line.reason,
    }


def _is_moved(row: share_runs.SharedListing) -> bool:
    return any(line.by_item != line.by_order for line in row.lines)


def _query(way: str, hand: Sequence[HandChange]) -> str:
    rows = [(name, value) for change in hand for name, value in
            (("line", change.ref), ("units", change.units), ("why", change.reason))]  # fmt: skip
    return urlencode([("way", way), *rows])


def _hand_row(plan: SharePlan, change: HandChange) -> dict[str, Any]:
    others = [row for row in plan.hand if row != change]
    names = {
        line.ref: f"{row.listing.name}, order {line.order_number}"
        for row in plan.listings
        for line in row.lines
    }
    return {
        "ref": change.ref,
        "units": change.units,
        "reason": change.reason,
        "name": names[change.ref],
        "without": _query(plan.way, others),
    }


def _moved(row: Any) -> str:
    moved = row.chosen - row.without
    return f"gets {moved} more" if moved > 0 else f"pays {-moved}"


def _choices(plan: SharePlan) -> list[dict[str, str]]:
    """Lines whose number may be set by hand, listing by listing."""
    return [
        {
            "ref": line.ref,
            "words": f"{row.listing.name}: {line.order_number} {line.shop}, "
            f"{line.promised} of {line.asked} {row.listing.strain_form.form.unit_word}",
        }
        for row in plan.listings
        if row.is_short and row.rule != "first_come"
        for line in row.lines
    ]


def _percent_of(pieces: int, asked: int) -> str:
    return percent(str(Fraction(pieces, asked)))


def _order_row(row: OrderFill) -> dict[str, Any]:
    return {
        "number": row.number,
        "shop": row.shop,
        "asked": row.asked,
        "by_item": row.by_item,
        "by_item_fill": _percent_of(row.by_item, row.asked),
        "by_order": row.by_order,
        "by_order_fill": _percent_of(row.by_order, row.asked),
        "chosen": row.chosen,
        "chosen_fill": _percent_of(row.chosen, row.asked),
    }


def _worst(plan: SharePlan) -> dict[str, str]:
    """The lowest fill of any order, either way."""
    if not plan.orders:
        return {}
    found = {
        name: min(Fraction(getattr(row, name), row.asked) for row in plan.orders)
        for name in ("by_item", "by_order")
    }
    return {name: percent(str(fill)) for name, fill in found.items()}


def _best_fill(plan: SharePlan) -> dict[str, Any]:
    """t* and how it came: the orders that are tight together, what they ask and can have."""
    asked = sum(row.asked for row in plan.orders if row.number in plan.tight_orders)
    return {
        "words": percent(str(plan.fill)),
        "exact": str(plan.fill),
        "is_all": plan.fill == 1,
        "asked": asked,
        "most": int(plan.fill * asked),
        "orders": plan.tight_orders,
        "listings": plan.tight_listings,
        "tried": [percent(str(fill)) for fill in plan.rounds],
    }


def _listing_row(row: share_runs.SharedListing, lowered: Mapping[int, PaperStep]) -> dict[str, Any]:
    return {
        "name": row.listing.name,
        "title": row.listing.title,
        "unit_word": row.listing.strain_form.form.unit_word,
        "available": row.available,
        "asked": row.asked,
        "rule": row.rule.replace("_", " "),
        "note": row.trace.get("note", ""),
        "offers": row.trace.get("offers", []),
        "rows": [
            {
                "order": line.order_number,
                "shop": line.shop,
                "asked": line.asked,
                "asked_before": lowered[line.line_id].asked_before
                if line.line_id in lowered
                else "",
                "paper_words": line.paper_words,
                "promised": line.promised,
                "by_item": line.by_item,
                "by_order": line.by_order,
                "first_come": line.first_come,
                "equal": line.equal,
                "proportional": line.proportional,
                "sentence": line.sentence,
                "hand_reason": line.hand_reason,
                "by_rule": line.by_rule,
            }
            for line in row.lines
        ],
    }
