"""HOP 2i limits of cuts: mothers, stock for sale, bases, cutter hours, free slots, week by week.

Call from: orders/cut_plan.py, config/base_plan.py.
Reads only.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta

from django.db.models import Count, Q, Sum

from inventory.bases import base_rule, usable_bases
from inventory.models import Balance, Hold, Lot, StrainForm, Tray, Trough
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock
from orders.calc.cut_limits import CutLimits, SaleStock
from orders.models import NoDeliveryDay, PromisedTotal

SOFT = frozenset({"SOFT", "ZOA", "MUSH"})
SATURDAY, WORK_DAYS = 5, 5


def work_days() -> Callable[[date], bool]:
    """Whether the crew cuts and mixes on a day: not on Saturday or Sunday, not on a day of no
    delivery."""
    off = frozenset(NoDeliveryDay.objects.filter(region="").values_list("day", flat=True))
    return lambda on: on.weekday() < SATURDAY and on not in off


def cut_pace(form: StrainForm, book: SettingBook) -> float:
    """Pieces that a cutter makes in an hour. [pieces/h]"""
    is_soft = form.strain.strain_class_id in SOFT
    return book.number("cut_soft_an_hour" if is_soft else "cut_stony_an_hour")


def read_limits(
    *,
    stocks: Sequence[StrainStock],
    mondays: Sequence[date],
    supply: Mapping[int, Sequence[float]],
    demand: Mapping[int, Sequence[float]],
    on: date,
    book: SettingBook,
) -> CutLimits:
    """What there is for the cuts of all weeks. ``supply`` and ``demand`` are by strain-form id."""
    is_work_day = work_days()
    rule = base_rule(book=book)
    mixed_on = next(
        (day for day in _days(on, 31) if is_work_day(day)),
        on,
    )
    promised = _promised(mondays)
    names = {row.pk: str(row) for row in StrainForm.objects.select_related("strain", "form")}
    return CutLimits(
        hours=_hours(mondays, on, is_work_day, book),
        last_days=[_last_work_day(monday, is_work_day) for monday in mondays],
        free_slots=_free_slots(mondays),
        mothers=_mothers(stocks, mondays),
        for_sale={
            names[pk]: SaleStock(supply[pk], rows, promised[pk])
            for pk, rows in demand.items()
            if pk in supply
        },
        sale_share=book.number("parents_sale_share"),
        bases=usable_bases(on=on, rule=rule),
        mixed_from_on=mixed_on + timedelta(days=rule.cure_days),
    )


def _days(first: date, count: int) -> list[date]:
    return [first + timedelta(days=ahead) for ahead in range(count)]


def _last_work_day(monday: date, is_work_day: Callable[[date], bool]) -> date:
    """The last work day of a week; its Friday where nobody works all week."""
    days = [day for day in _days(monday, WORK_DAYS) if is_work_day(day)]
    return days[-1] if days else monday + timedelta(days=WORK_DAYS - 1)


def _hours(
    mondays: Sequence[date], on: date, is_work_day: Callable[[date], bool], book: SettingBook
) -> list[float]:
    """Cutter hours by week: each work day has its fifth; days past and hours cut today are gone."""
    a_day = book.number("cutter_hours_week") / WORK_DAYS
    hours = [
        a_day * sum(is_work_day(day) and day >= on for day in _days(monday, 7))
        for monday in mondays
    ]
    today = Lot.objects.filter(cut_on=on, parent__isnull=False)
    used = sum(
        (lot.cut_pieces or 0) / cut_pace(lot.strain_form, book)
        for lot in today.select_related("strain_form__strain")
    )
    return [max(0.0, hours[0] - used), *hours[1:]]


def _free_slots(mondays: Sequence[date]) -> dict[str, list[int]]:
    """Slots in which a tray of new cuts may stand: a tray that holds nothing is no hindrance,
    water on hold is one until its lift. Quarantine takes none."""
    standing = Tray.objects.filter(Q(balance__pieces__gt=0) | Q(use=Tray.Use.KEPT))
    taken = dict(standing.order_by().values_list("trough_id").annotate(Count("pk", distinct=True)))
    holds = list(
        Hold.objects.filter(state__in=Hold.OPEN, tray=None, lot=None).values_list(
            "system_id", "trough_id", "lift_expected_on"
        )
    )
    found = {}
    for trough in Trough.objects.filter(system__is_quarantine=False):
        ends = [
            until
            for system_id, trough_id, until in holds
            if system_id == trough.system_id or trough_id == trough.pk
        ]
        free = max(0, trough.slots - taken.get(trough.pk, 0))
        found[trough.code] = [
            0 if any(until is None or until >= monday for until in ends) else free
            for monday in mondays
        ]
    return found


def _mothers(stocks: Sequence[StrainStock], mondays: Sequence[date]) -> dict[str, list[int]]:
    """Kept pieces beyond the floor by strain and week: held ones count half, as for the gap."""
    kept: dict[str, list[TrayStock]] = defaultdict(list)
    floors: dict[str, int] = {}
    for stock in stocks:
        floors[stock.strain] = stock.floor_pieces
        kept[stock.strain] += [row for row in stock.trays if row.state == Lot.State.KEPT]
    return {
        strain: [max(0, _credit(rows, monday) - floors[strain]) for monday in mondays]
        for strain, rows in kept.items()
    }


def _credit(rows: Sequence[TrayStock], monday: date) -> int:
    clean = sum(row.pieces for row in rows if not row.is_held_in(monday))
    held = [row for row in rows if row.is_held_in(monday)]
    return clean + sum(row.pieces for row in held if row.hold_grade != "confirmed") // 2


def _promised(mondays: Sequence[date]) -> Mapping[int, list[int]]:
    """Live promised pieces by strain-form and week."""
    place = {monday: at for at, monday in enumerate(mondays)}
    found: dict[int, list[int]] = defaultdict(lambda: [0] * len(mondays))
    for pk, monday, pieces in PromisedTotal.objects.values_list(
        "strain_form", "week__monday", "pieces"
    ):
        if monday in place:
            found[pk][place[monday]] += pieces
    return found


def light_places(forms: Sequence[StrainForm]) -> dict[int, tuple[int, float]]:
    """The trough in which most pieces of each strain-form stand, and its light index."""
    found: dict[int, tuple[int, float]] = {form.pk: (0, 1.0) for form in forms}
    rows = Balance.objects.filter(strain_form__in=forms, pieces__gt=0).exclude(lot__state="kept")
    for form_id, trough_id, index in rows.order_by("pieces", "pk").values_list(
        "strain_form", "tray__trough", "tray__trough__light_index"
    ):
        found[form_id] = (trough_id, float(index))
    return found


def right_troughs(forms: Sequence[StrainForm]) -> dict[int, tuple[str, ...]]:
    """Where new cuts of each strain-form may stand: the troughs in which it stands for sale now,
    most of it first, in no less light than the plan reckons with. Where it stands in none, those
    of its class and form.
    """
    rows = Balance.objects.filter(pieces__gt=0).exclude(lot__state="kept").order_by()
    own: dict[int, list[tuple[int, float, str]]] = defaultdict(list)
    alike: dict[tuple[str, int], set[str]] = defaultdict(set)
    for pk, kind, form_id, code, index, pieces in rows.values_list(
        "strain_form",
        "strain_form__strain__strain_class",
        "strain_form__form",
        "tray__trough__code",
        "tray__trough__light_index",
    ).annotate(total=Sum("pieces")):
        own[pk].append((-pieces, float(index), code))
        alike[kind, form_id].add(code)
    light = light_places(forms)
    return {
        form.pk: tuple(
            code for _, index, code in sorted(own[form.pk]) if index >= light[form.pk][1]
        )
        or tuple(sorted(alike[form.strain.strain_class_id, form.form_id]))
        for form in forms
    }
