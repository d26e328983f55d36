"""What the shipping side does when it hears of a happening: sheets and plans go stale.

Call from: config/ticking.py.
"""

from datetime import datetime

from django.db.models import Q, QuerySet

from inventory.models import Happening
from orders.models import Order, ShipWeek
from shipping.bench_numbers import Bench
from shipping.boxing import bags_of
from shipping.clearing import PLANNABLE, make_plan
from shipping.models import PackPlan, PickSheet, Shortfall
from shipping.picked import ON_THE_BENCH, forms_held_on_bench
from shipping.picking import draw_sheets
from shipping.shortfalls import check_stock, close_what_is_there
from shipping.stamping import make_stale

HOLDS = frozenset({"hold.raised", "hold.confirmed", "hold.lifted", "hold.void"})
COLOURS = frozenset({"colour.split"})
RESTS = frozenset({"promise.rested", "rest.settled", "line.moved"})
# How a plan that a settled line made anew is called.
STAGES = {"rest.settled": "after a rest", "line.moved": "a line was moved"}
COUNTS = frozenset({"stock.counted", "stock.died", "stock.sprouted", "tray.shifted"})


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """Mark stale what the happening has made untrue, and record what is missing for it."""
    facts = happening.facts
    if happening.kind in HOLDS | COLOURS:
        _stale_sheets(Q(tasks__tray__code__in=facts.get("trays", [])), _words(happening))
        if happening.kind in ("hold.raised", "hold.confirmed", *COLOURS):
            # A tray that was picked bare holds nothing any more: its pieces are on the bench.
            forms = {*facts.get("strain_forms", []), *forms_held_on_bench()}
            _check(sorted(forms), _words(happening), now)
        else:
            close_what_is_there(strain_form_ids=_open_forms(), cause=_words(happening), now=now)
    elif happening.kind in COUNTS:
        _stale_sheets(Q(tasks__tray__code=facts.get("tray")), _words(happening))
        _check([facts["strain_form"]], _words(happening), now)
    elif happening.kind == "promise.freed":
        _stale_sheets(Q(tasks__promise_id=facts["promise"]), _words(happening))
        _void_plans(facts["order"], f"order {facts['order']} changed: {facts['reason']}", now)
    elif happening.kind in RESTS:
        _follow_rest(happening, now)
    elif happening.kind == "bags.put_back":
        _check(facts["strain_forms"], _words(happening), now)
    elif happening.kind == "pick.differs":
        _plan_anew(facts["order"], now, stage="picked otherwise")
    else:
        _follow_order(happening, now)


def _follow_order(happening: Happening, now: datetime) -> None:
    facts = happening.facts
    if happening.kind == "shortfall.settled":
        forms = facts.get("strain_forms", [])
        _stale_sheets(Q(tasks__promise__strain_form_id__in=forms), _words(happening))
        _draw_anew(facts.get("week"), now)
        # What one remedy freed may be what another order lacks: it is said once more.
        _check(forms, _words(happening), now)
    elif happening.kind == "order.set_aside":
        _stale_sheets(Q(tasks__promise__line__order__number=facts["order"]), _words(happening))


def _words(happening: Happening) -> str:
    facts = happening.facts
    subject = facts.get("tray") or facts.get("scope") or facts.get("order") or ""
    kind = happening.kind.replace(".", " ").replace("_", " ")
    return f"{kind} {subject}: {facts.get('reason', '')}".strip(": ")


def _stale_sheets(which: Q, reason: str) -> None:
    live: QuerySet[PickSheet] = PickSheet.objects.filter(
        which, state__in=[PickSheet.State.DRAWN, PickSheet.State.PRINTED]
    ).distinct()
    for sheet in live:
        make_stale(sheet=sheet, reason=reason)


def _void_plans(order_number: str, reason: str, now: datetime) -> None:
    PackPlan.objects.filter(order__number=order_number, void_at__isnull=True).exclude(
        order__state__in=["on the road", "arrived", "settled"]
    ).update(void_at=now, void_reason=reason[:200])


def _follow_rest(happening: Happening, now: datetime) -> None:
    """Out of colour: its sheets are stale while its buyer is asked, and drawn anew after that."""
    if happening.kind == "promise.rested":
        _stale_sheets(Q(tasks__promise_id=happening.facts["promise"]), _words(happening))
    else:
        _plan_anew(happening.facts["order"], now, stage=STAGES[happening.kind])


def _open_forms() -> list[int]:
    """Strain-forms of which something is said to lack: a hold may have been on their bags."""
    rows = Shortfall.objects.filter(settled_at=None).values_list("strain_form", flat=True)
    return sorted(set(rows))


def _draw_anew(week_name: str | None, now: datetime) -> None:
    """Whoever takes a remedy need not remember the sheets: those of its week are drawn with it."""
    for week in ShipWeek.objects.filter(name=week_name):
        for ship_on in week.ship_days:
            if PickSheet.objects.filter(week=week, ship_on=ship_on).exists():
                draw_sheets(week=week, ship_on=ship_on, now=now)


def _plan_anew(order_number: str, now: datetime, *, stage: str) -> None:
    """What a settled line or a pick changed: the sheets of its day say it, its box is planned as
    it is now.

    Only what was there before is made again: nothing is drawn or planned ahead of its hour.
    """
    order = Order.objects.select_related("ship_to__lane", "ship_to__zone", "customer", "week").get(
        number=order_number
    )
    if PickSheet.objects.filter(ship_on=order.ship_on).exists():
        draw_sheets(week=order.week, ship_on=order.ship_on, now=now)
    has_plan = PackPlan.objects.filter(order=order).exists()
    if order.state in PLANNABLE and has_plan and bags_of(order=order):
        bench = Bench.read(on=order.ship_on)
        make_plan(order=order, now=now, bench=bench, stage=stage)


def _check(strain_form_ids: list[int], cause: str, now: datetime) -> None:
    """Where inked promises may outweigh what is left, a shortfall is recorded at once."""
    is_waiting = Q(promised_totals__pieces__gt=0) | Q(promises__state__in=ON_THE_BENCH)
    for week in ShipWeek.objects.filter(is_waiting, inked_at__isnull=False).distinct():
        for strain_form_id in strain_form_ids:
            check_stock(strain_form_id=strain_form_id, week=week, cause=cause, now=now)
