"""Cutting: what was cut, what to cut by when, and how large a pool must be.

It asks orders for what shops want, so the page stands above all floors.
"""

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from config.cut_words import plan_context
from inventory import cutting
from inventory.calc.cutting import doubling_weeks, recut_pool_pieces
from inventory.clock import farm_now, farm_today
from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.form_reading import NumberUnreadable, whole_of
from inventory.models import Lot, StrainForm, User
from inventory.setting_book import SettingBook
from orders.cut_plan import plan_cuts


@login_required
def cut_page(request: HttpRequest) -> HttpResponse:
    """Record a cut; what to cut by when; how large a pool must be."""
    user, on = staff_only(request), farm_today()
    if request.method == "POST":
        messages.success(request, _act(request, user))
        return redirect("cutting")
    book = SettingBook.read(on=on)
    plan = plan_cuts(on=on, book=book)
    context: dict[str, Any] = {
        "may_record": user.may("record_cut"),
        **plan_context(plan=plan, on=on, book=book),
        "pool": _pool(request),
        "pool_asks": {name: request.GET.get(name, "") for name in ("strain", "sold", "cycle")},
        "cuts": [
            {
                "lot": row.code,
                "what": str(row.strain_form),
                "on": row.cut_on,
                "pieces": row.cut_pieces,
                "parent": row.parent.code if row.parent else "",
                "generation": row.generation,
                "mounts": f"bases of {row.base_batch.code}" if row.base_batch else "",
                "state": row.state,
            }
            for row in Lot.objects.filter(parent__isnull=False, cut_on__isnull=False)
            .select_related("parent", "base_batch", "strain_form__strain", "strain_form__form")
            .order_by("-cut_on", "-pk")[:40]
        ],
    }
    return render(request, "cutting.html", context)


def _act(request: HttpRequest, user: User) -> str:
    act, now = request.POST.get("act", ""), farm_now()
    if act != "cut":
        raise Unknown(kind="act", name=act or "(none)")
    given = {name: request.POST.get(name, "").strip() for name in ("from", "to", "form", "batch")}
    cut = cutting.Cut(
        from_tray=given["from"].upper(),
        parents=whole_of(request, "parents"),
        pieces=whole_of(request, "pieces"),
        to_place=given["to"].upper(),
        form=given["form"].lower(),
        base_batch=given["batch"].upper(),
    )
    lot = cutting.record_cut(cut=cut, user=user, at=now)
    return f"{lot.code}: {lot.cut_pieces} pieces heal now; they grow on in a fortnight."


def _whole(text: str, field: str) -> int:
    digits = text.strip()
    if not (digits.isascii() and digits.isdigit() and len(digits) < 7):
        raise NumberUnreadable(field=field, text=repr(text[:20]), wants="a whole number")
    return int(digits)


def _pool(request: HttpRequest) -> dict[str, Any] | None:
    """How large the pool of one strain must be for what is sold of it each week."""
    given = request.GET
    if not given.get("strain", "").strip():
        return None
    key = given["strain"].strip().upper()
    rows = StrainForm.objects.filter(
        strain__key=key, yield_pieces__isnull=False, heal_share__isnull=False
    )
    form = rows.select_related("strain", "form").order_by("pk").first()
    if form is None:
        raise Unknown(kind="strain that is cut", name=key)
    sold, cycle = _whole(given.get("sold", ""), "sold"), _whole(given.get("cycle", ""), "cycle")
    facts = {
        "cycle_weeks": cycle,
        "yield_pieces": form.yield_pieces or 0,
        "survival": float(form.heal_share or 0),
    }
    pieces = recut_pool_pieces(weekly_sales=sold, **facts)
    return {
        "name": f"{form.strain.key} {form.strain.name}",
        "pieces": pieces,
        "growth": f"{facts['yield_pieces'] * facts['survival']:.2f}",
        "doubling": f"{doubling_weeks(**facts):.1f}" if pieces is not None else "",
        "yield": form.yield_pieces,
        "heal": f"{facts['survival']:g}",
    }
