"""HOP 2i cut plan: asks of the same season, supply, light -> what to cut, by when.

Call from: config/cut_page.py.
Reads only. What was asked counts, not what was shipped: an ask for a strain that rested or was
sold through is demand all the same; one that the law refused is not.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil

import numpy as np
from django.db.models import F, Q, Sum

from inventory.calc.cutting import CutWeek, cut_weeks, demand_pieces, is_same_season
from inventory.calc.light import growing_days, ready_dates
from inventory.models import Balance, ShadeLog, StrainForm
from inventory.ready_dates import light_rule, shade_on
from inventory.setting_book import SettingBook
from inventory.standing import read_stock
from inventory.supply import supply_of_all
from orders.models import Line, Order, ShipWeek

PLAN_WEEKS = 26
# Far enough for the slowest strain in the darkest season.
HORIZON_DAYS = 420
SOFT = frozenset({"SOFT", "ZOA", "MUSH"})
# Lines that got nothing and were wanted all the same.
WANTED_CODES = Q(reason_code__startswith="line_") | Q(
    reason_code__in=["short", "rested", "resting", "not_on_list"]
)


@dataclass(frozen=True, slots=True)
class Demand:
    """What a week is likely to ask, and from which weeks that is said. [pieces]"""

    pieces: float
    weeks: int
    is_of_season: bool


@dataclass(frozen=True, slots=True)
class PlannedCut:
    """One strain-form to be cut for one ship week, with what it takes."""

    strain_form: StrainForm
    week: CutWeek
    demand: Demand
    parents: int
    hours: float
    kept_above_floor: int

    @property
    def is_on_bases(self) -> bool:
        return self.strain_form.form.key == "base"


def plan_cuts(*, on: date, book: SettingBook) -> list[PlannedCut]:
    """Every cut of the next 26 weeks, by the day on which it must be made at the latest."""
    forms = list(
        StrainForm.objects.filter(
            strain__is_making=True, reference_days__isnull=False, yield_pieces__isnull=False
        )
        .exclude(heal_share=None)
        .exclude(strain__strain_class__in=["CLAM", "MANG"])
        .select_related("strain", "form")
    )
    asked = asked_by_week()
    forms = [row for row in forms if row.pk in asked.totals]
    mondays = _mondays(on)
    cut_by = _cut_by(forms, mondays, on, book)
    supply = _supply(mondays, on, book)
    kept = _kept_above_floor()
    found = []
    for form in forms:
        demand = {monday: asked.demand(form.pk, monday, book) for monday in mondays}
        weeks = cut_weeks(
            weeks=[
                (
                    monday,
                    cut_by[form.pk].get(monday),
                    demand[monday].pieces,
                    supply[monday][form.pk],
                )
                for monday in mondays
            ],
            heal_share=float(form.heal_share or 1),
            ready_share=book.number("growing_share"),
        )
        found += [
            _planned(form, week, demand[week.monday], kept.get(form.strain_id, 0), book)
            for week in weeks
            if week.cut_by_on <= on + timedelta(weeks=PLAN_WEEKS)
        ]
    return sorted(found, key=lambda row: (row.week.cut_by_on, str(row.strain_form)))


def _planned(
    form: StrainForm, week: CutWeek, demand: Demand, kept_above_floor: int, book: SettingBook
) -> PlannedCut:
    pace = "cut_soft_an_hour" if form.strain.strain_class_id in SOFT else "cut_stony_an_hour"
    return PlannedCut(
        strain_form=form,
        week=week,
        demand=demand,
        parents=ceil(week.cut_pieces / (form.yield_pieces or 1)),
        hours=week.cut_pieces / book.number(pace),
        kept_above_floor=kept_above_floor,
    )


@dataclass(frozen=True, slots=True)
class Asked:
    """Pieces asked by strain-form and week, and every week that had a list."""

    mondays: Sequence[date]
    totals: Mapping[int, Mapping[date, int]]

    def demand(self, strain_form_id: int, monday: date, book: SettingBook) -> Demand:
        """What a week is likely to ask. A young farm that has not seen its season goes by the
        newest weeks of any."""
        half_days, most = book.whole("demand_season_days"), book.whole("demand_weeks")
        alike = [
            other
            for other in self.mondays
            if is_same_season(on=monday, other=other, half_days=half_days)
        ][:most]
        rows = self.totals[strain_form_id]
        asked = [rows.get(other, 0) for other in alike or self.mondays[:most]]
        pieces = demand_pieces(asked=asked, factor=book.number("demand_factor"))
        return Demand(pieces, len(asked), bool(alike))


def asked_by_week() -> Asked:
    """What was asked in every week whose cut-off has passed, newest first."""
    weeks = ShipWeek.objects.filter(closed_at__isnull=False).order_by("-monday")
    lines = (
        Line.objects.filter(order__week__closed_at__isnull=False)
        .exclude(order__state=Order.State.WITHDRAWN)
        .filter(~Q(state__in=[Line.State.REFUSED, Line.State.WITHDRAWN]) | WANTED_CODES)
    )
    rows = lines.order_by().values_list("listing__strain_form", "order__week__monday")
    totals: dict[int, dict[date, int]] = defaultdict(dict)
    pieces = Sum(F("asked") * F("listing__strain_form__form__unit_pieces"))
    for strain_form_id, monday, total in rows.annotate(total=pieces):
        totals[strain_form_id][monday] = total
    return Asked(list(weeks.values_list("monday", flat=True)), totals)


def _mondays(on: date) -> list[date]:
    """This week's Monday and those up to the end of the horizon."""
    first = on - timedelta(days=on.weekday())
    return [first + timedelta(weeks=week) for week in range(HORIZON_DAYS // 7)]


def _supply(mondays: Sequence[date], on: date, book: SettingBook) -> dict[date, dict[int, float]]:
    """All that stands ready by each Monday, nothing sold. A tray that is ready stays so."""
    stocks = read_stock()
    found: dict[date, dict[int, float]] = {}
    for monday in mondays:
        rows = supply_of_all(
            stocks=stocks,
            monday=monday,
            first_ship_on=monday + timedelta(days=1),
            is_on_sale=False,
            on=on,
            book=book,
        )
        found[monday] = {pk: float(row.pieces) for pk, row in rows.items()}
    return found


def _cut_by(
    forms: Sequence[StrainForm], mondays: Sequence[date], on: date, book: SettingBook
) -> dict[int, dict[date, date]]:
    """By strain-form and Monday the last day of a cut that is ready by then in 8 of 10 cases."""
    rule = light_rule(book=book)
    if rule is None or not forms:
        return {form.pk: {} for form in forms}
    places = _light_places(forms)
    days = 2 * HORIZON_DAYS
    shade = list(ShadeLog.objects.all())
    sums = growing_days(
        begin_on=on,
        days=days,
        rule=rule,
        place_index=[places[form.pk][1] for form in forms],
        shade=[
            shade_on(rows=shade, trough_id=places[form.pk][0], begin_on=on, days=days)
            for form in forms
        ],
    )
    cut_days = np.arange(HORIZON_DAYS)
    found: dict[int, dict[date, date]] = {}
    for place, form in enumerate(forms):
        factor = book.number(
            "p80_factor", strain=form.strain.key, strain_class=form.strain.strain_class_id
        )
        ready = ready_dates(
            begin_on=on,
            sums=sums,
            place=np.full(cut_days.size, place),
            cut_day=cut_days,
            reference_days=np.full(cut_days.size, float(form.reference_days or 0)),
            p80_factor=factor,
        ).p80_day
        # Later cuts are never ready earlier, so the last one in time is found by a search.
        known = ready[ready >= 0]
        found[form.pk] = {}
        for monday in mondays:
            last = int(np.searchsorted(known, (monday - on).days, side="right")) - 1
            if last >= 0:
                found[form.pk][monday] = on + timedelta(days=last)
    return found


def _light_places(forms: Sequence[StrainForm]) -> dict[int, tuple[int, float]]:
    """The trough in which most pieces of each strain-form stand, and its light index."""
    found: dict[int, tuple[int, float]] = {form.pk: (0, 1.0) for form in forms}
    rows = Balance.objects.filter(strain_form__in=forms, pieces__gt=0).exclude(lot__state="kept")
    for form_id, trough_id, index in rows.order_by("pieces", "pk").values_list(
        "strain_form", "tray__trough", "tray__trough__light_index"
    ):
        found[form_id] = (trough_id, float(index))
    return found


def _kept_above_floor() -> dict[int, int]:
    """Mother pieces beyond the floor, by strain: what may be cut up without asking the owner."""
    rows = Balance.objects.filter(lot__state="kept", pieces__gt=0).order_by()
    return {
        strain_id: max(0, total - floor)
        for strain_id, floor, total in rows.values_list(
            "strain_form__strain", "strain_form__strain__floor_pieces"
        ).annotate(total=Sum("pieces"))
    }
