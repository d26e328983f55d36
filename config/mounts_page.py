"""Plugs and bases: what lies there, what is to be done with it, and what the cuts to come want.

It asks orders for what is cut next, so the page stands above all floors.
"""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from config.base_plan import bases_wanted
from inventory import bases, plugs
from inventory.calc.cutting import BaseNeed, BaseRule
from inventory.charts import measure
from inventory.clock import farm_now, farm_today
from inventory.door import staff_only
from inventory.errors import Unknown
from inventory.form_reading import NumberUnreadable, whole_of
from inventory.models import BaseBatch, MountAct, PlugLot, User, WaterSystem
from inventory.setting_book import SettingBook
from orders.cut_limits import work_days
from orders.cut_plan import WantedCut, wanted_cuts

MOST_CUTS = 12
RECORD = 40


@login_required
def mounts_page(request: HttpRequest) -> HttpResponse:
    """Act on plugs and bases; plan bases for the cuts of a quarter, or for cuts typed in."""
    user = staff_only(request)
    if request.method == "POST":
        messages.success(request, _act(request, user))
        return redirect("mounts")
    return render(request, "mounts.html", _context(request, user))


def _context(request: HttpRequest, user: User) -> dict[str, Any]:
    on = farm_today()
    book = SettingBook.read(on=on)
    rule, cuts, typed = (
        bases.base_rule(book=book),
        wanted_cuts(on=on, book=book).cuts,
        _wanted(request),
    )
    needs = bases.plan_bases(
        wanted=typed or bases_wanted(cuts=cuts, on=on),
        on=on,
        is_work_day=work_days(),
        book=book,
    )
    weeks = book.whole("plug_buy_weeks")
    need = plugs.plug_need(wanted=_plugs_wanted(cuts, on, weeks))
    batches = list(BaseBatch.objects.order_by("usable_on", "code"))
    heaps = PlugLot.objects.filter(count__gt=0).select_related("source_system")
    acts = MountAct.objects.select_related("base_batch", "plug_lot", "user")
    return {
        "may_record": user.may("record_cut"),
        "may_release": user.may("release_mounts"),
        "rule": rule,
        "today": f"{on:%Y-%m-%d}",
        "batches": [_batch_row(row, on, rule) for row in batches if row.pieces],
        "gone": [row for row in batches if not row.pieces],
        "heaps": [_heap_row(row) for row in heaps.order_by("state", "cleaned_on", "pk")],
        "need": need,
        "need_words": _plug_words(need, weeks),
        "need_bar": measure(part=need.clean, whole=need.wanted),
        "systems": WaterSystem.objects.order_by("code"),
        "needs": [_need_row(row, on) for row in needs],
        "asked": [*typed, *[("", "")] * (len(typed) < MOST_CUTS)],
        "is_typed": bool(typed),
        "acts": [_record_row(row) for row in acts[:RECORD]],
    }


def _act(request: HttpRequest, user: User) -> str:
    """Do what a form asks and say what was done. Raises what the hops refuse."""
    name = request.POST.get("act", "")
    act = ACTS.get(name)
    if act is None:
        raise Unknown(kind="act", name=name[:20] or "(none)")
    return act(request, user)


def _of(request: HttpRequest, name: str) -> str:
    return request.POST.get(name, "").strip()


def _mix(request: HttpRequest, user: User) -> str:
    batch = bases.mix_bases(pieces=whole_of(request, "pieces"), user=user, at=farm_now())
    return f"{batch.code}: {batch.pieces} bases, to be used from {batch.usable_on:%a %-d %b}."


def _rinse(request: HttpRequest, user: User) -> str:
    text = _of(request, "on")
    try:
        on = date.fromisoformat(text) if text else farm_today()
    except ValueError:
        raise NumberUnreadable(
            field="day of the rinse", text=repr(text[:20]), wants="a day such as 2026-12-05"
        ) from None
    batch = bases.rinse_bases(code=_of(request, "batch"), on=on, user=user, at=farm_now())
    return f"{batch.code} is rinsed since {on:%a %-d %b}; usable from {batch.usable_on:%a %-d %b}."


def _release(request: HttpRequest, user: User) -> str:
    text = _of(request, "rise")
    try:
        rise = Decimal(text) if text else None
    except InvalidOperation:
        rise = Decimal("NaN")
    if rise is not None and not (rise.is_finite() and 0 <= rise <= bases.MOST_PH_RISE):
        raise bases.SoakUnreadable(text=repr(text[:20]))
    batch = bases.release_bases(code=_of(request, "batch"), ph_rise=rise, user=user, at=farm_now())
    return f"{batch.code} is let out: {batch.pieces} bases may be cut on."


def _scrap_bases(request: HttpRequest, user: User) -> str:
    batch = bases.scrap_bases(
        code=_of(request, "batch"), reason=_of(request, "reason"), user=user, at=farm_now()
    )
    return f"{batch.code} is scrapped."


def _take_in(request: HttpRequest, user: User) -> str:
    pieces = whole_of(request, "pieces")
    lot = plugs.take_in_plugs(
        pieces=pieces, system_code=_of(request, "system").upper(), user=user, at=farm_now()
    )
    if lot.state == PlugLot.State.BLOCKED:
        return f"{pieces} plugs of held water are blocked: bleach and dry them, a lead signs it."
    return f"{pieces} plugs wait to be washed."


def _buy(request: HttpRequest, user: User) -> str:
    pieces = whole_of(request, "pieces")
    plugs.buy_plugs(pieces=pieces, user=user, at=farm_now())
    return f"{pieces} new plugs lie ready."


def _wash(request: HttpRequest, user: User) -> str:
    pieces = whole_of(request, "pieces")
    plugs.wash_plugs(lot_id=whole_of(request, "lot"), pieces=pieces, user=user, at=farm_now())
    return f"{pieces} plugs are washed and lie ready."


def _disinfect(request: HttpRequest, user: User) -> str:
    pieces = whole_of(request, "pieces")
    plugs.disinfect_plugs(
        lot_id=whole_of(request, "lot"),
        pieces=pieces,
        is_bleached=bool(request.POST.get("bleached")),
        is_dried=bool(request.POST.get("dried")),
        user=user,
        at=farm_now(),
    )
    return f"{pieces} plugs are signed as bleached and dried and lie ready."


def _scrap_plugs(request: HttpRequest, user: User) -> str:
    pieces = whole_of(request, "pieces")
    plugs.scrap_plugs(
        lot_id=whole_of(request, "lot"),
        pieces=pieces,
        reason=_of(request, "reason"),
        user=user,
        at=farm_now(),
    )
    return f"{pieces} plugs are thrown away."


ACTS: dict[str, Callable[[HttpRequest, User], str]] = {
    "mix": _mix,
    "rinse": _rinse,
    "release": _release,
    "scrap-bases": _scrap_bases,
    "take-in": _take_in,
    "buy": _buy,
    "wash": _wash,
    "disinfect": _disinfect,
    "scrap-plugs": _scrap_plugs,
}


def _plugs_wanted(cuts: Sequence[WantedCut], on: date, weeks: int) -> int:
    """Plugs that the wanted cuts of some weeks take, one a piece."""
    until = on + timedelta(weeks=weeks)
    return sum(
        row.week.cut_pieces for row in cuts if not row.is_on_bases and row.week.cut_by_on <= until
    )


def _plug_words(need: plugs.PlugNeed, weeks: int) -> str:
    words = f"The cuts of the next {weeks} weeks want {need.wanted} plugs; {need.clean} are clean"
    if not need.to_wash:
        return f"{words}: enough."
    todo = [f"wash {need.to_wash}"]
    if need.to_buy:
        todo.append(f"buy {need.to_buy}, or sign for some of the {need.blocked} blocked")
    return f"{words}: {', '.join(todo)}."


def _batch_row(row: BaseBatch, on: date, rule: BaseRule) -> dict[str, Any]:
    days = (on - row.mixed_on).days if row.mixed_on else rule.cure_days
    rinse_on = bases.rinse_from(batch=row, rule=rule)
    return {
        "code": row.code,
        "pieces": row.pieces,
        "mixed": f"{row.mixed_on:%-d %b}" if row.mixed_on else "",
        "usable": f"{row.usable_on:%a %-d %b}" if row.usable_on else "",
        "state": row.get_state_display(),
        "words": _batch_words(row, on, rinse_on),
        "day": f"day {days} of {rule.cure_days}" if row.mixed_on else "",
        "bar": measure(part=days, whole=rule.cure_days, mark=rule.cure_days - rule.rinse_days),
        "may_rinse": row.state == BaseBatch.State.CURING and (rinse_on is None or rinse_on <= on),
        "is_rinsing": row.state == BaseBatch.State.RINSING,
    }


def _batch_words(row: BaseBatch, on: date, rinse_on: date | None) -> str:
    """What is done with a batch next, and from when. One sentence."""
    if row.state == BaseBatch.State.CURING:
        if rinse_on is None or rinse_on <= on:
            return "cured: begin to rinse it"
        return f"leave it; rinse it from {rinse_on:%a %-d %b}"
    if row.state == BaseBatch.State.RINSING:
        if row.usable_on is not None and row.usable_on > on:
            return f"rinse on; a lead may let it out from {row.usable_on:%a %-d %b}"
        return "rinsed: a lead may let it out"
    return "may be cut on"


def _heap_row(row: PlugLot) -> dict[str, Any]:
    hold = plugs.open_hold_of(system=row.source_system)
    is_returned = row.state == PlugLot.State.RETURNED
    key = str(row.pk)
    return {
        "id": key,
        "kind": row.kind,
        "count": row.count,
        "state": row.get_state_display(),
        "system": row.source_system.code if row.source_system else "",
        "cleaned": f"cleaned {row.cleaned_on:%-d %b %Y}" if row.cleaned_on else "",
        "hold": hold.code if hold and row.state != PlugLot.State.CLEAN else "",
        "may_wash": is_returned and hold is None,
        "must_bleach": row.state == PlugLot.State.BLOCKED or (is_returned and hold is not None),
    }


def _record_row(row: MountAct) -> dict[str, Any]:
    return {
        "at": row.at,
        "what": row.base_batch.code if row.base_batch else f"{row.plug_lot.kind}s",  # type: ignore[union-attr]
        "pieces": row.pieces,
        "done": row.get_what_display(),
        "on": f"{row.done_on:%a %-d %b %Y}",
        "who": row.user.name,
        "note": row.note,
    }


def _wanted(request: HttpRequest) -> list[tuple[date, int]]:
    """The cuts typed in, a day and its bases each. Raises NumberUnreadable."""
    found = []
    pairs = zip(request.GET.getlist("cut_on"), request.GET.getlist("bases"), strict=False)
    for day, pieces in list(pairs)[:MOST_CUTS]:
        if not day.strip() and not pieces.strip():
            continue
        try:
            on = date.fromisoformat(day.strip())
        except ValueError:
            raise NumberUnreadable(
                field="day of the cut", text=repr(day[:20]), wants="a day such as 2026-12-29"
            ) from None
        found.append((on, _whole(pieces, "bases")))
    return sorted(found)


def _whole(text: str, field: str) -> int:
    digits = text.strip()
    if not (digits.isascii() and digits.isdigit() and len(digits) < 7):
        raise NumberUnreadable(field=field, text=repr(text[:20]), wants="a whole number")
    return int(digits)


def _need_row(row: BaseNeed, on: date) -> dict[str, Any]:
    return {
        "cut_on": f"{row.cut_on:%a %-d %b %Y}",
        "wanted": row.wanted_pieces,
        "there": row.there_pieces,
        "short": row.short_pieces,
        "words": _need_words(row, on),
        "left": row.left_pieces,
    }


def _need_words(row: BaseNeed, on: date) -> str:
    """What to do, as a person says it: mix by a day, or cut fewer."""
    if not row.short_pieces:
        return "enough"
    if row.is_late:
        return f"too late to mix (by {row.mix_by_on:%a %-d %b}): cut {row.short_pieces} fewer"
    by = "today" if row.mix_by_on == on else f"by {row.mix_by_on:%a %-d %b}"
    moved = (
        f", since {row.cures_from_on:%a %-d %b} is no work day"
        if row.mix_by_on != row.cures_from_on
        else ""
    )
    batches = "a batch" if row.batches == 1 else f"{row.batches} batches"
    return f"mix {batches} {by}{moved}: {row.hours:g} crew hours; or cut {row.short_pieces} fewer"
