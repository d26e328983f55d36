"""The page of cuts: which are due for their check, what lives of them, and what is learned."""

from decimal import Decimal, InvalidOperation

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from inventory import healing
from inventory.clock import farm_now, farm_today
from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.form_reading import whole_of
from inventory.models import HealCheck, User
from inventory.setting_book import SettingBook


@login_required
def healing_page(request: HttpRequest) -> HttpResponse:
    """Checks that are due, those noted, and the share that heals as they suggest it."""
    user = staff_only(request)
    if request.method == "POST":
        _act(request, user)
        return redirect("healing")
    on = farm_today()
    book = SettingBook.read(on=on)
    context = {
        "due": [
            {
                "tray": row.tray,
                "name": row.lot.strain_form.strain.name,
                "form": row.lot.strain_form.form.name,
                "cut": f"{row.lot.cut_on:%-d %b %Y}",
                "due": f"{row.due_on:%-d %b}",
                "pieces": row.pieces,
                "cut_pieces": row.lot.cut_pieces or "",
                "expected": "" if row.expected is None else f"{row.expected:.0f}",
            }
            for row in healing.due_checks(on=on, book=book)
        ],
        "learned": [
            {
                "id": row.strain_form.pk,
                "name": str(row.strain_form),
                "now": f"{row.share_now:.3f}",
                "learned": f"{row.share_learned:.3f}",
                "checks": row.checks,
                "seen": f"{row.alive_pieces} of {row.cut_pieces}" if row.checks else "",
                "curve": row.curve_words,
            }
            for row in healing.learned_heals(on=on)
        ],
        "checks": [
            {
                "lot": row.lot.code,
                "on": f"{row.checked_on:%-d %b %Y}",
                "alive": row.alive_pieces,
                "cut": row.cut_pieces,
                "who": row.user.name,
            }
            for row in HealCheck.objects.select_related("lot", "user").order_by("-checked_on")[:40]
        ],
        "prior": healing.PRIOR_PIECES,
        "may_note": user.may("walk"),
        "may_sign": user.may("set_care_schedule"),
    }
    return render(request, "inventory/healing.html", context)


def _act(request: HttpRequest, user: User) -> None:
    act, now = request.POST.get("act", ""), farm_now()
    if act == "check":
        check = healing.note_heal_check(
            tray_code=request.POST.get("tray", "").strip().upper(),
            cut_pieces=whole_of(request, "cut"),
            alive_pieces=whole_of(request, "alive"),
            user=user,
            at=now,
        )
        messages.success(request, f"{check.lot}: {check.alive_pieces} of {check.cut_pieces} live.")
    elif act == "share":
        form = healing.sign_heal_share(
            strain_form_id=whole_of(request, "strain_form"),
            share=_share(request.POST.get("share", "")),
            reason=request.POST.get("reason", "").strip(),
            user=user,
            at=now,
        )
        messages.success(request, f"{form}: {form.heal_share} of what is cut heals, from now on.")
    else:
        raise Unknown(kind="act", name=act or "(none)")


def _share(text: str) -> Decimal:
    try:
        share = Decimal(text.strip())
    except InvalidOperation:
        share = Decimal("NaN")
    if not share.is_finite():
        raise healing.ShareUnreadable(share=repr(text[:20]))
    return share
