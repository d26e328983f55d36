"""What arrived dead, by lane and by strain, what it asks for, and the rules signed for it."""

from datetime import date
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.charts import share_chart
from inventory.clock import farm_now, farm_today
from inventory.door import staff_only
from inventory.errors import FarmError
from inventory.setting_book import SettingBook
from shipping import lessons
from shipping.calc.losses import LossJudged
from shipping.models import LaneRule

VERDICT_STATES = {"tighten": "stop", "watch": "care", "fine": "clear"}
VERDICT_WORDS = {"tighten": "too many", "watch": "watch", "fine": "fine"}


class RuleDayUnreadable(FarmError):
    code = "rule_day_unreadable"
    status = 422
    title = "That day cannot be read"
    message = "{text} is not a day. Type it as 2026-12-04."


@login_required
def losses_page(request: HttpRequest) -> HttpResponse:
    """Lanes and strains by how sure it is that too many die, and what was signed for it."""
    user, on = staff_only(request), farm_today()
    book = SettingBook.read(on=on)
    rows = lessons.lane_records(book=book)
    asked = {row.loss.pk for row in lessons.proposals(book=book, on=on)}
    context = {
        "sentence": _sentence(rows, len(asked)),
        "chart": _chart(rows, book) if rows else "",
        "lanes": [_lane_row(row, asked) for row in rows],
        "strains": [
            {"name": str(row.loss.strain), "key": row.loss.strain.key, **_numbers(row)}
            for row in lessons.strain_records(book=book)
        ],
        "rules": [
            _rule_row(rule, on)
            for rule in LaneRule.objects.select_related("ship_to__customer", "signed_by")
        ],
        "may_sign": user.may("sign_loss_rules"),
        "line": f"{book.number('loss_line'):.0%}",
        "sure": f"{book.number('loss_sure'):.0%}",
        "least": book.whole("loss_least_pieces"),
        "tighter": f"{book.number('loss_tighter_c'):g}",
        "prior": f"{book.number('loss_prior_dead'):g} dead and "
        f"{book.number('loss_prior_alive'):g} alive",
        "today": on.isoformat(),
    }
    return render(request, "shipping/losses.html", context)


def _sentence(rows: list[lessons.LaneRecord], asked: int) -> str:
    """The sentence that the picture says."""
    if not rows:
        return "No report window has closed yet: nothing is known of losses."
    worst = rows[0]
    who = f"{worst.loss.ship_to} in {worst.loss.box} boxes"
    words = f"Most likely too costly is {who}: {worst.loss.dead} dead of {worst.loss.pieces}."
    if not asked:
        return f"{words} No lane asks for a tighter rule."
    lanes = "One lane asks" if asked == 1 else f"{asked} lanes ask"
    return f"{words} {lanes} for a tighter rule."


def _numbers(row: lessons.LaneRecord | lessons.StrainRecord) -> dict[str, Any]:
    judged: LossJudged = row.judged
    return {
        "pieces": row.loss.pieces,
        "dead": row.loss.dead,
        "mean": f"{judged.mean:.1%}",
        "band": f"{judged.low:.1%} to {judged.high:.1%}",
        "chance": f"{judged.chance:.0%}",
        "word": VERDICT_WORDS[judged.verdict],
        "slug": VERDICT_STATES[judged.verdict],
    }


def _lane_row(row: lessons.LaneRecord, asked: set[int]) -> dict[str, Any]:
    loss = row.loss
    return {
        "id": loss.pk,
        "code": loss.ship_to.code,
        "name": str(loss.ship_to),
        "box": loss.box,
        "packs": loss.packs,
        "months": loss.months or "all months",
        "asks": loss.pk in asked,
        "is_ruled": row.judged.verdict == lessons.TIGHTEN and loss.pk not in asked,
        **_numbers(row),
    }


def _rule_row(rule: LaneRule, on: date) -> dict[str, Any]:
    return {
        "id": rule.pk,
        "lane": str(rule.ship_to),
        "code": rule.ship_to.code,
        "words": rule.words,
        "because": rule.because,
        "reason": rule.reason,
        "since": rule.starts_on,
        "until": rule.ends_on,
        "holds": rule.ends_on is None or rule.ends_on > on,
        "who": rule.signed_by.name,
    }


def _chart(rows: list[lessons.LaneRecord], book: SettingBook) -> str:
    bars = [
        (
            f"{row.loss.ship_to.code} {row.loss.box}, {row.loss.packs} p"
            + (f", {row.loss.months}" if row.loss.months else ""),
            row.judged.low,
            row.judged.mean,
            row.judged.high,
            f"{row.loss.dead} of {row.loss.pieces}",
        )
        for row in rows
    ]
    return share_chart(rows=bars, line=book.number("loss_line"), title="share dead")


@login_required
@require_POST
def sign_rule_page(request: HttpRequest, loss_id: int) -> HttpResponse:
    """Sign the tighter rule that was chosen for a lane."""
    rule = lessons.sign_lane_rule(
        loss_id=loss_id,
        kind=request.POST.get("kind", ""),
        starts_on=_day(request.POST.get("starts_on", "")),
        reason=request.POST.get("reason", ""),
        user=staff_only(request),
        now=farm_now(),
    )
    messages.success(request, f"Signed for {rule}. Boxes planned from then on obey it.")
    return redirect("losses")


@login_required
@require_POST
def end_rule_page(request: HttpRequest, rule_id: int) -> HttpResponse:
    """End a rule from today on."""
    rule = lessons.end_lane_rule(
        rule_id=rule_id,
        reason=request.POST.get("reason", ""),
        user=staff_only(request),
        now=farm_now(),
    )
    messages.success(request, f"Ended: {rule}.")
    return redirect("losses")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text) if text else timezone.localdate(farm_now())
    except ValueError:
        raise RuleDayUnreadable(text=text[:20]) from None
