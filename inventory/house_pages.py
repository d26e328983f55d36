"""Pages that show the house: its plan, its mothers, a line's map."""

from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from inventory.charts import ready_chart
from inventory.clock import farm_now, farm_today
from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.form_reading import whole_of
from inventory.house_plan import STATES, house_plan, sample_mark
from inventory.keeping import Keep, keep_pieces, release_mothers
from inventory.line_map import line_map
from inventory.models import StrainClass, User
from inventory.mothers import Mothers, line_of, mothers_of_all
from inventory.rebalancing import Step, move_mothers, steps_of
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, read_stock

WEEKS_AHEAD = 12


def _monday(on: date) -> date:
    return on - timedelta(days=on.weekday())


@login_required
def house_page(request: HttpRequest) -> HttpResponse:
    """The house as a plan, and what gets ready week by week."""
    staff_only(request)
    on = farm_today()
    stocks = read_stock()
    rows = _ready_rows(stocks, on)
    context = {
        "systems": house_plan(stocks=stocks, monday=_monday(on)),
        "states": STATES,
        "marks": [{"state": state, "mark": sample_mark(state)} for state in STATES],
        "chart": ready_chart(rows=rows) if rows else "",
        "rows": rows,
        "sentence": _ready_sentence(rows),
    }
    return render(request, "inventory/house.html", context)


def _week(on: date) -> str:
    year, week, _ = on.isocalendar()
    return f"{year}-W{week:02d}"


def _ready_rows(stocks: list[StrainStock], on: date) -> list[tuple[str, str, int]]:
    """(week, class, pieces) of growing lots by the week in which 8 of 10 such are ready."""
    names = dict(StrainClass.objects.values_list("code", "name"))
    sums: dict[tuple[str, str], int] = {}
    last = on + timedelta(weeks=WEEKS_AHEAD)
    for stock in stocks:
        for row in stock.trays:
            if row.state == "growing" and row.p80_on and on <= row.p80_on <= last:
                key = (_week(row.p80_on), names[stock.strain_class])
                sums[key] = sums.get(key, 0) + row.pieces
    order = list(names.values())
    return [
        (week, name, pieces)
        for (week, name), pieces in sorted(
            sums.items(), key=lambda item: (item[0][0], order.index(item[0][1]))
        )
    ]


def _ready_sentence(rows: list[tuple[str, str, int]]) -> str:
    if not rows:
        return f"Nothing that grows is expected to be ready in the next {WEEKS_AHEAD} weeks."
    by_week: dict[str, int] = {}
    for week, _, pieces in rows:
        by_week[week] = by_week.get(week, 0) + pieces
    best = max(by_week, key=lambda week: by_week[week])
    return (
        f"{sum(by_week.values())} growing pieces are expected within {WEEKS_AHEAD} weeks, most "
        f"of them in {best}: {by_week[best]}."
    )


@login_required
def mothers_page(request: HttpRequest) -> HttpResponse:
    """What is kept of each line, in which systems, and what it lacks; the worst first."""
    user = staff_only(request)
    if request.method == "POST":
        messages.success(request, _act_on_mothers(request, user))
        return redirect("mothers")
    on = farm_today()
    rows = mothers_of_all(stocks=read_stock(), monday=_monday(on), book=SettingBook.read(on=on))
    systems = sorted({system for row in rows for system in row.kept_pieces})
    worst = [row for row in rows if row.warnings]
    steps = steps_of(rows=worst)
    context = {
        "worst": [_mother_row(row, systems, steps) for row in worst],
        "fine": [_mother_row(row, systems, steps) for row in rows if not row.warnings],
        "may_move": user.may("take_from_kept"),
        "systems": systems,
        "alone_count": sum(len(row.kept_pieces) == 1 for row in rows),
    }
    return render(request, "inventory/mothers.html", context)


def _act_on_mothers(request: HttpRequest, user: User) -> str:
    act, place = request.POST.get("act", "move"), request.POST.get("to", "").strip().upper()
    tray, reason = request.POST.get("from", "").strip().upper(), request.POST.get("reason", "")
    pieces, at = whole_of(request, "pieces"), farm_now()
    if act == "move":
        movement = move_mothers(
            from_tray=tray, to_tray=place, pieces=pieces, reason=reason.strip(), user=user, at=at
        )
        return f"Moved: {movement}."
    keep = Keep(from_tray=tray, to_place=place, pieces=pieces, reason=reason)
    if act == "keep":
        lot = keep_pieces(keep=keep, user=user, at=at)
        return f"{pieces} of {tray} are mothers now: lot {lot.code}."
    if act == "release":
        lot = release_mothers(keep=keep, user=user, at=at)
        return f"{pieces} mothers of {tray} are for sale now: lot {lot.code}."
    raise Unknown(kind="act", name=act[:20])


def _mother_row(row: Mothers, systems: list[str], steps: dict[str, Step]) -> dict[str, Any]:
    return {
        "step": steps.get(row.strain),
        "strain": row.strain,
        "name": row.name,
        "since": row.held_since,
        "floor": row.floor_pieces,
        "hard": row.hard_floor_pieces,
        "kept": [(system, row.kept_pieces.get(system, "")) for system in systems],
        "held": row.held_pieces or "",
        "gap": row.gap_pieces or "",
        "warnings": row.warnings,
        "proposal": row.proposal,
        "is_making": row.is_making,
    }


@login_required
def line_page(request: HttpRequest, key: str) -> HttpResponse:
    """One line from its mothers down: generations, systems, pieces."""
    staff_only(request)
    strain, lots = line_of(strain_key=key.upper())
    systems = sorted({part for row in lots for part in row.system.split(", ") if part})
    pieces = sum(row.pieces for row in lots)
    context = {
        "strain": strain,
        "lots": lots,
        "map": line_map(lots=lots),
        "sentence": f"{pieces} pieces in {len(lots)} lots, in "
        + (f"system {systems[0]} only" if len(systems) == 1 else f"systems {', '.join(systems)}")
        if systems
        else "No piece of this line stands in the house.",
    }
    return render(request, "inventory/line.html", context)
