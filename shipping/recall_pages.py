"""Pages of a recall: ask, look, sign; and the notice a shop reads and answers."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory.clock import farm_now
from inventory.door import signed_in, staff_only
from inventory.errors import Unknown
from inventory.models import Hold
from orders.pages import customer_of
from shipping.models import Recall, RecallNotice
from shipping.recalling import (
    MOST_DAYS_BACK,
    DaysBackUnreadable,
    TracedBag,
    answer_notice,
    ask_recall,
    drop_recall,
    left_alone_pieces,
    read_result,
    sign_recall,
)


@login_required
def recalls_page(request: HttpRequest) -> HttpResponse:
    """Recalls and drills with the time each took, and a form to ask for one."""
    user = staff_only(request)
    if request.method == "POST":
        hold_code = request.POST.get("hold", "")
        recall = ask_recall(
            now=farm_now(),
            user=user,
            hold=_hold_named(hold_code) if hold_code else None,
            scope_kind=request.POST.get("scope_kind", ""),
            scope=request.POST.get("scope", "").strip().upper(),
            reason=request.POST.get("reason", "").strip(),
            look_back_days=_days(request.POST.get("days", "")),
            is_drill=request.POST.get("is_drill") == "on",
        )
        return redirect("recall", recall.code)
    context = {
        "holds": [
            {"code": hold.code, "words": f"{hold.code}, {hold.scope}: {hold.reason}"}
            for hold in Hold.objects.exclude(state=Hold.State.VOID).order_by("-raised_at")[:20]
        ],
        "recalls": [_recall_row(row) for row in Recall.objects.select_related("asked_by")],
        "may_ask": user.may("ask_recall"),
    }
    return render(request, "shipping/recalls.html", context)


def _hold_named(code: str) -> Hold:
    hold = Hold.objects.filter(code=code).first()
    if hold is None:
        raise Unknown(kind="hold", name=code)
    return hold


def _days(text: str) -> int | None:
    text = text.strip()
    if not text:
        return None
    if not (text.isascii() and text.isdigit()):
        raise DaysBackUnreadable(days=repr(text[:12]), most=MOST_DAYS_BACK)
    return int(text)


def _recall_row(recall: Recall) -> dict[str, Any]:
    return {
        "code": recall.code,
        "what": f"{'drill: ' if recall.is_drill else ''}{recall.scope_kind} {recall.scope}",
        "reason": recall.reason,
        "state": recall.get_state_display(),
        "asked": f"{timezone.localtime(recall.asked_at):%a %-d %b %Y} by {recall.asked_by.name}",
        "pieces": recall.pieces,
        "took": _time_words(recall.took_s),
    }


def _time_words(seconds: float | None) -> str:
    if seconds is None:
        return ""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"


def _recall_named(code: str) -> Recall:
    recall = Recall.objects.filter(code=code).first()
    if recall is None:
        raise Unknown(kind="recall", name=code)
    return recall


@login_required
def recall_page(request: HttpRequest, code: str) -> HttpResponse:
    """One recall: shop by shop what left, what still lies here, and the notices as drafted."""
    user = staff_only(request)
    recall = _recall_named(code)
    bags = read_result(recall)
    gone = [bag for bag in bags if not bag.is_here]
    notices = list(recall.notices.select_related("customer", "answered_by"))
    context = {
        "recall": recall,
        "shipments": _shipment_rows(gone),
        "here": [bag for bag in bags if bag.is_here],
        "sentence": _sentence(recall, gone),
        "traced_words": f"traced in {recall.traced_s:.2f} s",
        "clock_words": _time_words(recall.took_s),
        "notices": notices,
        "is_open": recall.state == Recall.State.DRAFTED,
        "may_sign": user.may("sign_recall"),
    }
    return render(request, "shipping/recall.html", context)


def _sentence(recall: Recall, gone: list[TracedBag]) -> str:
    shipments = {bag.shipment for bag in gone}
    shops = {bag.customer for bag in gone}
    if not gone:
        return "No piece from there has been handed over in those days."
    apart = left_alone_pieces(bags=gone)
    more = f" {apart} pieces in the same shipments stood elsewhere and are not recalled."
    return (
        f"{recall.pieces} pieces in {len(shipments)} shipments to {len(shops)} shops."
        f"{more if apart else ''}"
    )


def _shipment_rows(gone: list[TracedBag]) -> list[dict[str, Any]]:
    """One row a shipment and tray, the sum of the shipment on its first row."""
    sums: dict[str, int] = {}
    for bag in gone:
        sums[bag.shipment] = sums.get(bag.shipment, 0) + bag.pieces
    rows: dict[tuple[Any, ...], dict[str, Any]] = {}
    for bag in gone:
        key = (bag.shipment, bag.box, bag.tray, bag.strain, bag.form)
        row = rows.setdefault(key, {"bag": bag, "pieces": 0, "bags": 0})
        row["pieces"] += bag.pieces
        row["bags"] += 1
    seen: set[str] = set()
    for row in rows.values():
        code = row["bag"].shipment
        row["sum"] = "" if code in seen else sums[code]
        row["is_first"] = code not in seen
        seen.add(code)
    return list(rows.values())


@login_required
@require_POST
def recall_act_page(request: HttpRequest, code: str, act: str) -> HttpResponse:
    """Sign a recall, or put it away."""
    user, recall, now = staff_only(request), _recall_named(code), farm_now()
    if act == "sign":
        recall = sign_recall(recall=recall, user=user, now=now)
        told = "the timer stands" if recall.is_drill else "the shops are told"
        messages.success(request, f"{recall.code} is signed; {told}.")
    elif act == "drop":
        recall = drop_recall(recall=recall, user=user, now=now)
        messages.success(request, f"{recall.code} is put away; nobody was told.")
    else:
        raise Unknown(kind="act on a recall", name=act)
    return redirect("recall", recall.code)


@login_required
def notice_page(request: HttpRequest, notice_id: int) -> HttpResponse:
    """What a shop is told, and what it chooses. Another shop's notice does not exist for it."""
    user = signed_in(request)
    notice = RecallNotice.objects.select_related("recall", "customer").filter(pk=notice_id).first()
    mine = customer_of(user)
    is_told = notice is not None and (
        user.is_staff_member
        or (
            notice.customer == mine
            and notice.recall.state == Recall.State.SIGNED
            and not notice.recall.is_drill
        )
    )
    if notice is None or not is_told:
        raise Unknown(kind="notice", name=str(notice_id))
    if request.method == "POST":
        answer_notice(
            notice=notice,
            answer=request.POST.get("answer", ""),
            note=request.POST.get("note", "").strip(),
            user=user,
            now=farm_now(),
        )
        messages.success(request, "Thank you; the farm has your answer.")
        return redirect("recall-notice", notice_id)
    context = {
        "notice": notice,
        "sent": f"{timezone.localtime(notice.recall.ended_at or notice.recall.asked_at):%a %-d %b}",
        "answers": [choice for choice in RecallNotice.Answer.choices if choice[0]],
    }
    return render(request, "shipping/recall_notice.html", context)
