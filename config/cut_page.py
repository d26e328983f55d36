"""Cutting: what was cut, what to cut by when, and how large a pool must be.

It asks orders for what shops want, so the page stands above all floors.
"""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from inventory import cutting
from inventory.calc.cutting import doubling_weeks, recut_pool_pieces
from inventory.clock import farm_now, farm_today
from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.form_reading import NumberUnreadable, whole_of
from inventory.models import Lot, StrainForm, User
from inventory.setting_book import SettingBook
from orders.calc.weeks import iso_week_name
from orders.cut_plan import Demand, PlannedCut, plan_cuts

# What is shown cut by cut.
SOON = timedelta(weeks=2)


@login_required
def cut_page(request: HttpRequest) -> HttpResponse:
    """Record a cut; what to cut by when; how large a pool must be."""
    user, on = staff_only(request), farm_today()
    if request.method == "POST":
        messages.success(request, _act(request, user))
        return redirect("cutting")
    book = SettingBook.read(on=on)
    cuts = plan_cuts(on=on, book=book)
    context: dict[str, Any] = {
        "may_record": user.may("record_cut"),
        "plan": len(cuts),
        "soon": [_cut_row(row) for row in cuts if row.week.cut_by_on <= on + SOON],
        "later": _later_rows([row for row in cuts if row.week.cut_by_on > on + SOON]),
        "soon_until": on + SOON,
        "plan_hours": f"{sum(row.hours for row in cuts):.1f}",
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


def _later_rows(cuts: Sequence[PlannedCut]) -> list[dict[str, Any]]:
    """What is cut later, a row a strain-form, the next to be cut first."""
    groups: dict[str, list[PlannedCut]] = {}
    for row in cuts:
        groups.setdefault(str(row.strain_form), []).append(row)
    return [
        {
            "what": name,
            "from": f"{rows[0].week.cut_by_on:%-d %b}",
            "until": f"{rows[-1].week.cut_by_on:%-d %b %Y}",
            "weeks": len(rows),
            "pieces": sum(row.week.cut_pieces for row in rows),
            "parents": sum(row.parents for row in rows),
            "hours": f"{sum(row.hours for row in rows):.1f}",
        }
        for name, rows in groups.items()
    ]


def _cut_row(row: PlannedCut) -> dict[str, Any]:
    week = row.week
    return {
        "by": f"{week.cut_by_on:%a %-d %b %Y}",
        "what": str(row.strain_form),
        "pieces": week.cut_pieces,
        "parents": row.parents,
        "above_floor": row.kept_above_floor,
        "hours": f"{row.hours:.1f}",
        "week": iso_week_name(week.monday),
        "terms": (
            f"{week.demand_pieces:g} likely asked ({_demand_words(row.demand)}), "
            f"{week.supply_pieces:g} there by then"
        ),
    }


def _demand_words(demand: Demand) -> str:
    weeks = "1 week" if demand.weeks == 1 else f"{demand.weeks} weeks"
    if demand.is_of_season:
        return f"median of {weeks} of that season, and a tenth"
    return f"no week of that season yet: median of the newest {weeks}, and a tenth"


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
