"""HOP 3b ready dates: cut lots and the light where they stand -> P50 and P80 of every growing lot.

Call from: config/ticking.py (04:00 each farm day), inventory/season_pages.py, orders/cut_plan.py.
Locks: none; the dates are a forecast and the next run writes them again. Only a grower's grade
makes a lot ready: nothing here changes a state.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
from django.db import transaction
from django.utils import timezone

from inventory.calc.light import (
    LightRule,
    daily_light_mol_m2,
    growing_days,
    learned_days,
    radiation_mj_m2,
    ready_dates,
)
from inventory.clock import doing_once
from inventory.cutting import grow_healed
from inventory.errors import Unknown
from inventory.holds import ReasonMissing
from inventory.models import (
    Balance,
    Happening,
    Lot,
    ShadeLog,
    Site,
    StrainForm,
    WalkNote,
    WaterTest,
)
from inventory.people import User
from inventory.setting_book import SettingBook

REFRESH_AT = time(4, 0)
HORIZON_DAYS = 500
# How long a test speaks for the days after it. Chosen by the farm: water is tested weekly.
WATER_STANDS_DAYS = 7


@dataclass(frozen=True, slots=True)
class GrowingLot:
    """A growing lot with where it stands and what the light makes of it."""

    lot: Lot
    tray: str
    trough_id: int
    light_index: float
    pieces: int
    p50_on: date | None
    p80_on: date | None


def light_rule(*, book: SettingBook) -> LightRule | None:
    """How light becomes growth on this farm; None where its latitude is not known."""
    site = Site.objects.filter(is_origin=True).first()
    if site is None or site.latitude_deg is None:
        return None
    return LightRule(
        latitude_deg=site.latitude_deg,
        clearness=tuple(book.number(f"clearness_{month:02d}") for month in range(1, 13)),
        glaze_share=book.number("glaze_share"),
        reference_dli=book.number("reference_dli"),
        least_factor=book.number("least_growth_factor"),
        most_factor=book.number("most_growth_factor"),
    )


def shade_on(*, rows: Sequence[ShadeLog], trough_id: int, begin_on: date, days: int) -> list[float]:
    """The share that cloth keeps off a trough on each day; rows of the whole house count too."""
    shade = [0.0] * days
    for row in rows:
        if row.trough_id not in (None, trough_id):
            continue
        first = max(0, (row.from_on - begin_on).days)
        last = min(days - 1, (row.to_on - begin_on).days)
        for day in range(first, last + 1):
            shade[day] = max(shade[day], float(row.fraction))
    return shade


def water_log() -> list[WaterTest]:
    """Every test that measured the temperature, the oldest first."""
    return list(WaterTest.objects.filter(temperature_c__isnull=False).order_by("taken_at"))


def water_on(
    *, rows: Sequence[WaterTest], system_id: int, begin_on: date, days: int
) -> list[float]:
    """A system's water on each day, deg C: a test stands until the next one, for
    ``WATER_STANDS_DAYS`` at most. Not a number where nothing was logged."""
    water = [math.nan] * days
    for row in rows:
        if row.system_id != system_id or row.temperature_c is None:
            continue
        first = (timezone.localdate(row.taken_at) - begin_on).days
        for day in range(max(0, first), min(days, first + WATER_STANDS_DAYS)):
            water[day] = row.temperature_c
    return water


def forecast_lots(*, on: date, book: SettingBook) -> list[GrowingLot]:
    """Every growing lot that was cut, with its dates reckoned anew. Writes nothing."""
    balances = list(
        Balance.objects.filter(
            pieces__gt=0,
            lot__state=Lot.State.GROWING,
            lot__cut_on__isnull=False,
            lot__strain_form__reference_days__isnull=False,
        )
        .select_related("lot__strain_form__strain", "lot__strain_form__form", "tray__trough")
        .order_by("tray__trough__walk_order", "tray__slot")
    )
    rule = light_rule(book=book)
    if not balances or rule is None:
        return []
    cuts = [row.lot.cut_on for row in balances if row.lot.cut_on]
    begin_on = min(cuts)
    days = (on - begin_on).days + HORIZON_DAYS
    shade, water = list(ShadeLog.objects.all()), water_log()
    troughs = {row.tray.trough_id: row.tray.trough for row in balances}
    places = {trough_id: index for index, trough_id in enumerate(troughs)}
    sums = growing_days(
        begin_on=begin_on,
        days=days,
        rule=rule,
        place_index=[float(row.light_index) for row in troughs.values()],
        shade=[
            shade_on(rows=shade, trough_id=trough_id, begin_on=begin_on, days=days)
            for trough_id in troughs
        ],
        water_c=[
            water_on(rows=water, system_id=row.system_id, begin_on=begin_on, days=days)
            for row in troughs.values()
        ],
    )
    found = ready_dates(
        begin_on=begin_on,
        sums=sums,
        place=[places[row.tray.trough_id] for row in balances],
        cut_day=[(cut - begin_on).days for cut in cuts],
        reference_days=np.array([row.lot.strain_form.reference_days for row in balances], float),
        p80_factor=[_p80_factor(row, book) for row in balances],
    )
    return [
        GrowingLot(
            row.lot,
            row.tray.code,
            row.tray.trough_id,
            float(row.tray.trough.light_index),
            row.pieces,
            found.p50_on(index),
            found.p80_on(index),
        )
        for index, row in enumerate(balances)
    ]


def _p80_factor(row: Balance, book: SettingBook) -> float:
    strain = row.lot.strain_form.strain
    return book.number("p80_factor", strain=strain.key, strain_class=strain.strain_class_id)


@transaction.atomic
def refresh_ready_dates(*, on: date) -> int:
    """Write every growing lot's P50 and P80 as the light now says. Returns how many changed."""
    changed = []
    for row in forecast_lots(on=on, book=SettingBook.read(on=on)):
        if (row.lot.p50_on, row.lot.p80_on) != (row.p50_on, row.p80_on):
            row.lot.p50_on, row.lot.p80_on = row.p50_on, row.p80_on
            changed.append(row.lot)
    Lot.objects.bulk_update(changed, ["p50_on", "p80_on"], batch_size=500)
    return len(changed)


def refresh_when_due(*, now: datetime) -> int:
    """The day's refresh, once, at 04:00 or as soon after as the farm runs."""
    local = timezone.localtime(now)
    if local.time() < REFRESH_AT:
        return 0
    with doing_once(key=f"ready dates of {local.date()}", now=now) as is_mine:
        if not is_mine:
            return 0
        grow_healed(on=local.date())
        return refresh_ready_dates(on=local.date())


@dataclass(frozen=True, slots=True)
class Learned:
    """What the last lots of a strain-form say of its reference days. It acts only when signed."""

    strain_form: StrainForm
    days_now: int
    days_learned: float
    ratios: tuple[float, ...]

    @property
    def shift(self) -> float:
        return self.days_learned - self.days_now


def learned_reference_days(
    *, book: SettingBook, graded_on: Callable[[Lot], date | None] | None = None
) -> list[Learned]:
    """For each strain-form with graded lots: growing days they took over those expected.

    A lot's ready day is the day of the first growth 3 noted for its tray's strain after its cut,
    or what ``graded_on`` says.
    """
    rule = light_rule(book=book)
    lots = list(
        Lot.objects.filter(
            state__in=[Lot.State.READY, Lot.State.SPENT],
            cut_on__isnull=False,
            strain_form__reference_days__isnull=False,
        )
        .select_related("strain_form__strain", "strain_form__form")
        .order_by("cut_on", "pk")
    )
    if rule is None or not lots:
        return []
    ready_on = graded_on or _graded_by_note(lots)
    shade, water = list(ShadeLog.objects.all()), water_log()
    balances = Balance.objects.filter(lot__in=lots).select_related("tray__trough").order_by("-pk")
    troughs = {row.lot_id: row.tray.trough for row in balances}
    ratios: dict[int, list[float]] = {}
    forms: dict[int, StrainForm] = {}
    for lot in lots:
        day = ready_on(lot)
        trough = troughs.get(lot.pk)
        if day is None or lot.cut_on is None or day <= lot.cut_on or trough is None:
            continue
        days = (day - lot.cut_on).days + 1
        sums = growing_days(
            begin_on=lot.cut_on,
            days=days,
            rule=rule,
            place_index=[float(trough.light_index)],
            shade=[shade_on(rows=shade, trough_id=trough.pk, begin_on=lot.cut_on, days=days)],
            water_c=[
                water_on(rows=water, system_id=trough.system_id, begin_on=lot.cut_on, days=days)
            ],
        )
        took = float(sums[0, -1] - sums[0, 0])
        ratios.setdefault(lot.strain_form_id, []).append(
            took / float(lot.strain_form.reference_days or 1)
        )
        forms[lot.strain_form_id] = lot.strain_form
    return [
        Learned(
            forms[pk],
            int(forms[pk].reference_days or 0),
            learned_days(reference_days=float(forms[pk].reference_days or 0), ratios=rows),
            tuple(rows[-12:]),
        )
        for pk, rows in ratios.items()
    ]


def _graded_by_note(lots: Sequence[Lot]) -> Callable[[Lot], date | None]:
    """The day on which a grower's grade made each lot ready, as its happening says.

    Else that of the first growth 3 noted of its tray after its cut.
    """
    told: dict[str, date] = {}
    for facts, at in (
        Happening.objects.filter(kind="stock.graded").order_by("pk").values_list("facts", "at")
    ):
        told.setdefault(facts.get("reason", ""), timezone.localdate(at))
    noted: dict[int, list[date]] = {}
    notes = WalkNote.objects.filter(
        tray__balance__lot__in=lots, growth=3, undone_by__isnull=True
    ).order_by("looked_at")
    for pk, at in notes.values_list("tray__balance__lot", "looked_at"):
        noted.setdefault(pk, []).append(timezone.localdate(at))

    def graded_on(lot: Lot) -> date | None:
        by_note = (day for day in noted.get(lot.pk, ()) if lot.cut_on and day > lot.cut_on)
        return told.get(f"{lot} graded ready") or next(by_note, None)

    return graded_on


@transaction.atomic
def sign_reference_days(
    *, strain_form_id: int, days: int, reason: str, user: User, at: datetime
) -> StrainForm:
    """A lead takes new reference days for a strain-form; its lots' dates follow at once.

    The happening left here keeps who, from, to and why. Raises Unknown, ReasonMissing, NotAllowed.
    """
    user.must("set_care_schedule")
    row = StrainForm.objects.select_for_update().filter(pk=strain_form_id).first()
    if row is None:
        raise Unknown(kind="strain-form", name=str(strain_form_id))
    if not reason:
        raise ReasonMissing(what="new reference days")
    if not 1 <= days <= 999:
        raise Unknown(kind="number of reference days", name=str(days))
    was, row.reference_days = row.reference_days, days
    row.save(update_fields=["reference_days"])
    facts = {"strain_form": str(row), "was": was, "now": days, "reason": reason, "by": user.name}
    Happening.objects.create(kind="reference_days.signed", at=at, facts=facts)
    refresh_ready_dates(on=timezone.localdate(at))
    return row


def next_light_change(*, on: date, rule: LightRule) -> float:
    """Light on the 21st of next month over the 21st of this one, less 1, before any cloth."""
    this = on.replace(day=21)
    following = (this + timedelta(days=15)).replace(day=21)
    sums = open_light_mol_m2(on=[this, following], rule=rule)
    return float(sums[1] / sums[0] - 1)


def open_light_mol_m2(*, on: Sequence[date], rule: LightRule) -> list[float]:
    """Light under the open roof on each of these days. [mol/m2/day]"""
    radiation = radiation_mj_m2(
        latitude_deg=rule.latitude_deg, day_of_year=[day.timetuple().tm_yday for day in on]
    )
    light = daily_light_mol_m2(
        radiation=radiation,
        clearness=[rule.clearness[day.month - 1] for day in on],
        glaze_share=rule.glaze_share,
    )
    return [float(value) for value in light]
