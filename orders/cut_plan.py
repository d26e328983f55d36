"""HOP 2i cut plan: asks of the same season, supply, light -> what to cut, by when; who gets what.

Call from: config/cut_page.py, config/mounts_page.py, config/base_plan.py.
Reads only. What was asked counts, not what was shipped: an ask for a strain that rested or was
sold through is demand all the same; one that the law refused is not.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil

import numpy as np
from django.db.models import F, Q, Sum

from inventory.calc.cutting import CutWeek, cut_weeks, demand_pieces, is_same_season
from inventory.calc.light import growing_days, ready_dates
from inventory.models import ShadeLog, StrainForm
from inventory.ready_dates import light_rule, shade_on
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, read_stock
from inventory.supply import supply_of_all
from orders.calc.cut_limits import CutGrant, CutLimits, CutWish, share_cuts
from orders.calc.weeks import week_monday
from orders.cut_limits import cut_pace, light_places, read_limits, right_troughs
from orders.models import Line, Order, ShipWeek

PLAN_WEEKS = 26
ON_BASES = "base"
# Far enough for the slowest strain in the darkest season.
HORIZON_DAYS = 420
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
class WantedCut:
    """One strain-form to be cut for one ship week, whatever there is to cut it with."""

    strain_form: StrainForm
    week: CutWeek
    demand: Demand

    @property
    def is_on_bases(self) -> bool:
        return self.strain_form.form.key == ON_BASES


@dataclass(frozen=True, slots=True)
class Wants:
    """Every cut that is wanted in the next 26 weeks, and what that was reckoned from: pieces
    likely asked and pieces that stand ready, by strain-form, a number for each Monday."""

    cuts: list[WantedCut]
    forms: Sequence[StrainForm]
    mondays: list[date]
    stocks: Sequence[StrainStock]
    supply: Mapping[int, Sequence[float]]
    demand: Mapping[int, Sequence[Demand]]


@dataclass(frozen=True, slots=True)
class PlannedCut(WantedCut):
    """A wanted cut, and what it gets."""

    grant: CutGrant

    @property
    def hours(self) -> float:
        """Cutter hours that the whole of it would take. [h]"""
        return self.week.cut_pieces / self.grant.wish.pieces_an_hour

    @property
    def parents(self) -> int:
        """Parents that the whole of it would take. [pieces]"""
        return ceil(self.week.cut_pieces / self.grant.wish.yield_pieces)


@dataclass(frozen=True, slots=True)
class CutPlan:
    """Every cut of the next 26 weeks in the order in which they are gone through, and what there
    is for all of them by week, the present one first."""

    cuts: list[PlannedCut]
    mondays: list[date]
    limits: CutLimits

    @property
    def grants(self) -> list[CutGrant]:
        return [row.grant for row in self.cuts]


def wanted_cuts(*, on: date, book: SettingBook, form_key: str = "") -> Wants:
    """Every cut of the next 26 weeks, by the day on which it must be made at the latest; of one
    form only where ``form_key`` names it, which is a part of the work."""
    forms = StrainForm.objects.filter(
        strain__is_making=True, reference_days__isnull=False, yield_pieces__isnull=False
    )
    if form_key:
        forms = forms.filter(form__key=form_key)
    forms = forms.exclude(heal_share=None).exclude(strain__strain_class__in=["CLAM", "MANG"])
    asked = asked_by_week()
    wanted = [row for row in forms.select_related("strain", "form") if row.pk in asked.totals]
    mondays = _mondays(on)
    strains = {row.strain_id for row in wanted}
    stocks = [row for row in read_stock() if row.strain_id in strains or not form_key]
    cut_by = _cut_by(wanted, mondays, light_places(wanted), on, book)
    supply = _supply(stocks, mondays, on, book)
    demand = {
        form.pk: [asked.demand(form.pk, monday, book) for monday in mondays] for form in wanted
    }
    if ShipWeek.objects.filter(monday=mondays[0], last_ship_on__lt=on).exists():
        # What this week asked has left the water already; what stands is what is left of it.
        for rows in demand.values():
            rows[0] = replace(rows[0], pieces=0.0)
    place = {monday: index for index, monday in enumerate(mondays)}
    cuts = [
        WantedCut(form, week, demand[form.pk][place[week.monday]])
        for form in wanted
        for week in _weeks_of(form, mondays, cut_by, demand[form.pk], supply[form.pk], book)
        if week.cut_by_on <= on + timedelta(weeks=PLAN_WEEKS)
    ]
    return Wants(cuts, wanted, mondays, stocks, supply, demand)


def plan_cuts(*, on: date, book: SettingBook) -> CutPlan:
    """Every wanted cut, and what parents, bases, cutter hours and free slots let it have."""
    wants = wanted_cuts(on=on, book=book)
    mondays = wants.mondays
    limits = read_limits(
        stocks=wants.stocks,
        mondays=mondays,
        supply=wants.supply,
        demand={pk: [row.pieces for row in rows] for pk, rows in wants.demand.items()},
        on=on,
        book=book,
    )
    standing = right_troughs(wants.forms)
    wished = {
        _wish(cut.strain_form, cut.week, mondays, standing[cut.strain_form.pk], book): cut
        for cut in wants.cuts
    }
    cuts = []
    for grant in share_cuts(wishes=list(wished), limits=limits):
        cut = wished[grant.wish]
        cuts.append(PlannedCut(cut.strain_form, cut.week, cut.demand, grant))
    return CutPlan(cuts, mondays, limits)


def _weeks_of(
    form: StrainForm,
    mondays: Sequence[date],
    cut_by: Mapping[int, Mapping[date, date]],
    demand: Sequence[Demand],
    supply: Sequence[float],
    book: SettingBook,
) -> list[CutWeek]:
    days = cut_by[form.pk]
    return cut_weeks(
        weeks=[
            (monday, days.get(monday), asked.pieces, there)
            for monday, asked, there in zip(mondays, demand, supply, strict=True)
        ],
        heal_share=float(form.heal_share or 1),
        ready_share=book.number("growing_share"),
    )


def _wish(
    form: StrainForm,
    week: CutWeek,
    mondays: Sequence[date],
    places: tuple[str, ...],
    book: SettingBook,
) -> CutWish:
    return CutWish(
        name=str(form),
        strain=form.strain.key,
        latest_week=(week_monday(week.cut_by_on) - mondays[0]).days // 7,
        latest_on=week.cut_by_on,
        ship_week=(week.monday - mondays[0]).days // 7,
        pieces=week.cut_pieces,
        yield_pieces=form.yield_pieces or 1,
        pieces_an_hour=cut_pace(form, book),
        lives_share=float(form.heal_share or 1) * book.number("growing_share"),
        positions=form.form.positions,
        places=places,
        needs_bases=form.form.key == ON_BASES,
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


def _supply(
    stocks: Sequence[StrainStock], mondays: Sequence[date], on: date, book: SettingBook
) -> dict[int, list[float]]:
    """All that stands ready by each Monday, nothing sold. A tray that is ready stays so."""
    found: dict[int, list[float]] = defaultdict(list)
    for monday in mondays:
        rows = supply_of_all(
            stocks=stocks,
            monday=monday,
            first_ship_on=monday + timedelta(days=1),
            is_on_sale=False,
            on=on,
            book=book,
        )
        for pk, row in rows.items():
            found[pk].append(float(row.pieces))
    return found


def _cut_by(
    forms: Sequence[StrainForm],
    mondays: Sequence[date],
    places: Mapping[int, tuple[int, float]],
    on: date,
    book: SettingBook,
) -> dict[int, dict[date, date]]:
    """By strain-form and Monday the last day of a cut that is ready by then in 8 of 10 cases."""
    rule = light_rule(book=book)
    if rule is None or not forms:
        return {form.pk: {} for form in forms}
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
