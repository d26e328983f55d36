"""HOP 1b colour: graded looks -> the smoothed grade, rest and return, and what the list is told.

Call from: inventory/walking.py.
Locks: the strain's row, so that two phones' grades are run one after the other.
"""

from datetime import date, datetime

from django.utils import timezone

from inventory.calc.colour import (
    ColourRule,
    ColourStep,
    Look,
    ReturnForecast,
    SeasonCurve,
    forecast_return,
    run_looks,
)
from inventory.models import ColourState, Happening, Listing, Site, Strain, WalkNote
from inventory.setting_book import SettingBook


def follow_grade(*, strain: Strain, at: datetime) -> ColourState | None:
    """Run a strain's looks again and tell of a rest or a return that was not told before.

    A late look is put in its place and the whole run is made again; a rest or return that the list
    has heard of is never told twice.
    """
    strain = Strain.objects.select_for_update().get(pk=strain.pk)
    book = SettingBook.read(on=timezone.localdate(at))
    before = ColourState.objects.filter(strain=strain).first()
    steps = run_looks(looks=looks_of(strain), rule=colour_rule(book=book, strain=strain))
    if not steps:
        _forget(strain, before, at)
        return None
    last = steps[-1]
    forecast = _forecast(strain, last, book)
    state, _ = ColourState.objects.update_or_create(
        strain=strain,
        defaults={
            "value": last.value,
            "state": last.state,
            "looked_on": last.on,
            "rested_on": last.rested_on,
            "returned_on": _returned_on(steps),
            "back_likely_on": forecast.likely_on if forecast else None,
            "back_from_on": forecast.from_on if forecast else None,
            "back_to_on": forecast.to_on if forecast else None,
        },
    )
    was_resting = before is not None and before.is_resting
    if state.is_resting != was_resting:
        _tell(strain, state, at)
    return state


def _forget(strain: Strain, before: ColourState | None, at: datetime) -> None:
    """The only look was taken back: a strain that was never looked at is in colour."""
    if before is None:
        return
    was_resting = before.is_resting
    before.delete()
    if was_resting:
        before.state, before.returned_on = ColourState.State.IN_COLOUR, timezone.localdate(at)
        _tell(strain, before, at)


def looks_of(strain: Strain) -> list[Look]:
    """A strain's graded looks that stand, in the order in which they were looked at."""
    notes = WalkNote.objects.filter(
        strain=strain, grade__isnull=False, undone_by__isnull=True
    ).order_by("looked_at")
    return [
        Look(timezone.localdate(note.looked_at), float(note.grade), note.is_signed)
        for note in notes
        if note.grade is not None
    ]


def colour_rule(*, book: SettingBook, strain: Strain) -> ColourRule:
    """The two lines as the farm sets them for a strain."""
    whose = {"strain": strain.key, "strain_class": strain.strain_class_id}
    return ColourRule(
        rest_below=book.number("rest_below", **whose),
        return_from=book.number("return_from", **whose),
        good_looks=book.whole("return_looks", **whose),
        good_span_days=book.whole("return_span_days", **whose),
        least_rest_days=book.whole("least_rest_days", **whose),
    )


def _returned_on(steps: list[ColourStep]) -> date | None:
    returns = [step.on for step in steps if step.has_returned]
    return returns[-1] if returns else None


def _forecast(strain: Strain, last: ColourStep, book: SettingBook) -> ReturnForecast | None:
    curve = season_curve(strain)
    if last.state not in ("resting", "returning") or curve is None:
        return None
    return forecast_return(
        value=last.value, on=last.on, curve=curve, band_days=book.whole("return_band_days")
    )


def season_curve(strain: Strain) -> SeasonCurve | None:
    """The season curve of a strain at the farm's latitude; None where none is loaded."""
    site = Site.objects.filter(is_origin=True).first()
    if strain.colour_n50_h is None or site is None or site.latitude_deg is None:
        return None
    return SeasonCurve(
        n50_h=strain.colour_n50_h,
        k_per_h=strain.colour_k_per_h or 0.0,
        lag_days=strain.colour_lag_days or 0,
        sign=1 if strain.colour == Strain.Colour.WINTER_OUT else -1,
        latitude_deg=site.latitude_deg,
    )


def _tell(strain: Strain, state: ColourState, at: datetime) -> None:
    """One event for each in-colour listing of the strain."""
    kind = "line.rested" if state.is_resting else "line.returned"
    reason = (
        f"out of colour since {state.rested_on:%-d %b}"
        if state.is_resting
        else f"back in colour since {state.returned_on:%-d %b}"
    )
    listings = Listing.objects.filter(strain_form__strain=strain, look=Listing.Look.COLOUR)
    for name in listings.order_by("name").values_list("name", flat=True):
        facts = {"strain": strain.key, "listing": name, "reason": reason}
        if state.is_resting and state.back_likely_on:
            facts["back_likely_on"] = state.back_likely_on.isoformat()
            facts["back_from_on"] = f"{state.back_from_on:%Y-%m-%d}"
            facts["back_to_on"] = f"{state.back_to_on:%Y-%m-%d}"
        Happening.objects.create(kind=kind, at=at, facts=facts)
