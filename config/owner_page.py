"""What the owner and an auditor read: what was decided against a rule, and what stands at risk.

Thin: rows are read, nothing is decided.
"""

from datetime import date
from typing import Any

from django.contrib.auth.decorators import login_required
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from inventory.clock import farm_today
from inventory.door import signed_in
from inventory.models import Change, Setting
from inventory.mothers import Mothers, mothers_of_all
from inventory.setting_book import SettingBook
from inventory.standing import read_stock
from orders.calc.weeks import week_monday
from orders.models import RegionRule, ShareLine
from shipping.lessons import proposals, rules_in_force
from shipping.models import Recall

SHOWN = 60
# Confidence of a number: how far the farm may rely on it before it has learned its own.
CONFIDENCE = {
    "H": "checked by tests or law",
    "M": "common practice, to be watched",
    "L": "a guess to be learned from the farm's own records",
}


@login_required
def owner_page(request: HttpRequest) -> HttpResponse:
    """Floors, shares by hand, law past review, drills, losses, lines at risk, every change."""
    user = signed_in(request)
    user.must("read_the_books")
    on = farm_today()
    book = SettingBook.read(on=on)
    context = {
        "floors": _changes("strain", "floor"),
        "hands": _hand_changes(),
        "laws": list(RegionRule.objects.filter(review_by__lt=on).order_by("review_by", "region")),
        "drills": [_drill_row(row) for row in Recall.objects.order_by("-asked_at")[:SHOWN]],
        "lanes": proposals(book=book, on=on),
        "rules": rules_in_force(on=on),
        "alone": [row for row in _mothers(on, book) if len(row.kept_pieces) == 1],
        "numbers": _confidence(on),
        "changes": Change.objects.select_related("user")[:SHOWN],
        "today": on,
    }
    return render(request, "owner.html", context)


def _changes(what: str, field: str) -> list[Change]:
    return list(Change.objects.filter(what=what, field=field).select_related("user")[:SHOWN])


def _hand_changes() -> list[dict[str, Any]]:
    """Numbers that a person set beside the rule when a week was shared out, the newest first."""
    lines = (
        ShareLine.objects.filter(run__is_signed=True)
        .exclude(promised=F("by_rule"), hand_reason="")
        .select_related("run__week", "run__user", "line__order__ship_to__customer", "line__listing")
        .order_by("-run__ran_at", "line__order__number")
    )
    return [
        {
            "week": row.run.week.name,
            "order": row.line.order.number,
            "shop": str(row.line.order.ship_to),
            "listing": row.line.listing.name,
            "by_rule": row.by_rule,
            "promised": row.promised,
            "reason": row.hand_reason or "pays for a change beside it",
            "who": row.run.user.name if row.run.user else "",
        }
        for row in lines[:SHOWN]
    ]


def _drill_row(recall: Recall) -> dict[str, Any]:
    seconds = recall.took_s
    minutes, rest = divmod(round(seconds or 0), 60)
    return {
        "code": recall.code,
        "on": recall.asked_at,
        "what": f"{'drill' if recall.is_drill else 'recall'} of {recall.scope_kind} {recall.scope}",
        "traced": f"{recall.traced_s:.1f} s",
        "took": "" if seconds is None else f"{minutes} min {rest:02d} s",
        "pieces": recall.pieces,
    }


def _mothers(on: date, book: SettingBook) -> list[Mothers]:
    return mothers_of_all(stocks=read_stock(), monday=week_monday(on), book=book)


def _confidence(on: date) -> list[tuple[str, str, int]]:
    """How many of the farm's numbers are how sure: letter, words, how many."""
    newest: dict[tuple[str, str, str], str] = {}
    for row in Setting.objects.filter(set_on__lte=on).order_by("set_on", "id"):
        newest[row.name, row.scope_kind, row.scope] = row.confidence
    found = list(newest.values())
    return [(letter, words, found.count(letter)) for letter, words in CONFIDENCE.items()]
