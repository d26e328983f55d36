"""Pages of the growing side. Thin callers of the hops."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory import holds, surges
from inventory.clock import farm_now
from inventory.door import signed_in, staff_only
from inventory.errors import Unknown
from inventory.models import Hold


@login_required
def holds_page(request: HttpRequest) -> HttpResponse:
    """Every open hold with its looks, and a form to raise one."""
    user = staff_only(request)
    if request.method == "POST":
        hold = holds.raise_hold(
            scope_kind=request.POST.get("scope_kind", ""),
            scope=request.POST.get("scope", "").strip().upper(),
            reason=request.POST.get("reason", "").strip(),
            grade=request.POST.get("grade", "suspected"),
            at=farm_now(),
            user=user,
        )
        messages.success(request, f"{hold.code} is raised on {hold.scope} and acts now.")
        return redirect("holds")
    rows = Hold.objects.prefetch_related("looks__user").select_related(
        "system", "trough", "tray", "lot", "raised_by"
    )
    context = {
        "open_holds": [_hold_row(hold) for hold in rows if hold.is_open],
        "ended_holds": [_hold_row(hold) for hold in rows if not hold.is_open],
        "may_lift": user.may("lift_hold"),
        "may_confirm": user.may("confirm_hold"),
        "surge_clocks": surges.running_words(now=farm_now()),
    }
    return render(request, "inventory/holds.html", context)


def _hold_row(hold: Hold) -> dict[str, Any]:
    return {
        "id": hold.pk,
        "code": hold.code,
        "scope": hold.scope,
        "reason": hold.reason,
        "grade": hold.grade,
        "state": hold.get_state_display(),
        "may_be_void": hold.state == Hold.State.RAISED,
        "may_be_confirmed": hold.is_open and hold.grade != Hold.Grade.CONFIRMED,
        "ended": hold.ended_reason,
        "raised": f"{timezone.localtime(hold.raised_at):%a %-d %b %H:%M} by {hold.raised_by.name}",
        "looks": [
            {
                "when": f"{look.looked_on:%a %-d %b}",
                "words": _look_words(look.is_clean, look.is_counted),
            }
            for look in hold.looks.all()
        ],
        "counted": len(hold.counted_looks()),
        "needs": hold.needs_looks,
        "earliest": f"{hold.earliest_lift_on():%a %-d %b}" if hold.is_open else "",
    }


def _look_words(is_clean: bool, is_counted: bool) -> str:
    if not is_clean:
        return "not clean: the run starts anew"
    return "clean, counts" if is_counted else "clean, too soon to count"


def _open_hold(hold_id: int) -> Hold:
    hold = Hold.objects.filter(pk=hold_id).first()
    if hold is None:
        raise Unknown(kind="hold", name=str(hold_id))
    return hold


@login_required
@require_POST
def hold_act_page(request: HttpRequest, hold_id: int, act: str) -> HttpResponse:
    """Confirm a hold, note a look for its cause, lift it, or sign it off as a mistake."""
    user = signed_in(request)
    hold, now = _open_hold(hold_id), farm_now()
    if act == "confirm":
        holds.confirm_hold(hold=hold, at=now, user=user)
    elif act in ("clean", "not-clean"):
        holds.look_at_hold(hold=hold, looked_at=now, user=user, is_clean=act == "clean")
    elif act == "lift":
        reason = request.POST.get("reason", "").strip()
        holds.lift_hold(hold=hold, at=now, user=user, reason=reason)
    elif act == "void":
        reason = request.POST.get("reason", "").strip()
        holds.void_hold(hold=hold, at=now, user=user, reason=reason)
    else:
        raise Unknown(kind="act on a hold", name=act)
    messages.success(request, f"{hold.code}: done.")
    return redirect("holds")
