"""HOP 1b colour: graded looks -> the smoothed grade, rest and return, and what the list is told.

Call from: inventory/walking.py.
Locks: the strain's row, so that two phones' grades are run one after the other.
"""

from collections.abc import Sequence
from datetime import date, datetime

from django.db import connection
from django.utils import timezone

from inventory.calc.colour import RESTING, ColourRule, ColourStep
from inventory.calc.colour_systems import SplitRule
from inventory.colour_looks import looks_by_system
from inventory.colour_returns import return_of
from inventory.colour_runs import ColourInput, best_run, signed_words, standing_systems
from inventory.models import (
    Balance,
    ColourInSystem,
    ColourState,
    Happening,
    Listing,
    ReturnSaid,
    Strain,
    WaterSystem,
)
from inventory.setting_book import SettingBook


def follow_grade(
    *, strain: Strain, at: datetime, book: SettingBook | None = None
) -> ColourState | None:
    """Run a strain's looks again and tell of a rest or a return that was not told before.

    A late look is put in its place and the whole run is made again; a rest or return that the list
    has heard of is never told twice. While its systems differ each is run by itself, and the
    strain is as its best system is. A person's signed word stands in the run on its day.
    """
    _lock(strain)
    book = book or SettingBook.read(on=timezone.localdate(at))
    before = ColourState.objects.filter(strain=strain).first()
    given = colour_input(strain=strain, book=book)
    runs, since = _runs(strain, given)
    steps = best_run(runs) if runs else given.steps()
    if not steps:
        _forget(strain, before, at)
        return None
    was_resting = before is not None and before.is_resting
    state = before or ColourState(strain=strain)
    for name, value in _facts(steps, given, book).items():
        setattr(state, name, value)
    state.split_since = since
    state.save()
    if state.is_resting != was_resting:
        _tell(strain, state, at)
    _keep_what_is_said(strain, state)
    _follow_systems(given, runs, book, at)
    return state


def _lock(strain: Strain) -> None:
    """Lock the strain's row until the transaction ends. SQLite has one writer at a time anyhow."""
    if connection.features.has_select_for_update:
        list(Strain.objects.select_for_update().filter(pk=strain.pk).values_list("pk", flat=True))


def _follow_systems(
    given: ColourInput, runs: dict[str, list[ColourStep]], book: SettingBook, at: datetime
) -> None:
    """Keep the state of each system while they differ, and tell which have stopped or come back."""
    strain = given.strain
    rows = ColourInSystem.objects.filter(strain=strain).select_related("system")
    before = {row.system.code: row for row in rows}
    if not before and not runs:
        return
    resting_before = {code for code, row in before.items() if row.is_resting}
    _store_systems(given, runs, book)
    if set(_resting_systems(strain)) != resting_before:
        _tell_of_systems(strain, at)


def colour_input(*, strain: Strain, book: SettingBook) -> ColourInput:
    """What the colour of one strain is run by."""
    return colour_inputs(strains=[strain], book=book)[strain.pk]


def colour_inputs(*, strains: Sequence[Strain], book: SettingBook) -> dict[int, ColourInput]:
    """The same for many strains, by strain id, in three statements."""
    ids = [strain.pk for strain in strains]
    looks, words = looks_by_system(strain_ids=ids, book=book), signed_words(strain_ids=ids)
    return {
        strain.pk: ColourInput(
            strain,
            looks[strain.pk],
            words[strain.pk],
            colour_rule(book=book, strain=strain),
            split_rule(book=book, strain=strain),
        )
        for strain in strains
    }


def _runs(strain: Strain, given: ColourInput) -> tuple[dict[str, list[ColourStep]], date | None]:
    standing = standing_systems(strain_id=strain.pk) if given.words else ()
    return given.runs(standing=standing)


def _facts(steps: list[ColourStep], given: ColourInput, book: SettingBook) -> dict[str, object]:
    last = steps[-1]
    forecast = return_of(last=last, given=given, book=book)
    return {
        "value": last.value,
        "state": last.state,
        "looked_on": last.on,
        "rested_on": last.rested_on,
        "returned_on": _returned_on(steps),
        "back_likely_on": forecast.likely_on if forecast else None,
        "back_from_on": forecast.from_on if forecast else None,
        "back_to_on": forecast.to_on if forecast else None,
    }


def _resting_systems(strain: Strain) -> list[str]:
    rows = ColourInSystem.objects.filter(strain=strain, state__in=RESTING)
    return list(rows.order_by("system__code").values_list("system__code", flat=True))


def _store_systems(
    given: ColourInput, runs: dict[str, list[ColourStep]], book: SettingBook
) -> None:
    strain = given.strain
    ColourInSystem.objects.filter(strain=strain).exclude(system__code__in=runs).delete()
    systems = {row.code: row for row in WaterSystem.objects.filter(code__in=runs)}
    for code, steps in runs.items():
        ColourInSystem.objects.update_or_create(
            strain=strain, system=systems[code], defaults=_facts(steps, given, book)
        )


def _forget(strain: Strain, before: ColourState | None, at: datetime) -> None:
    """The only look was taken back: a strain that was never looked at is in colour."""
    if before is None:
        return
    was_resting = before.is_resting
    before.delete()
    ColourInSystem.objects.filter(strain=strain).delete()
    if was_resting:
        before.state, before.returned_on = ColourState.State.IN_COLOUR, timezone.localdate(at)
        _tell(strain, before, at)


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


def split_rule(*, book: SettingBook, strain: Strain) -> SplitRule:
    """When the water systems of a strain are run each by itself."""
    whose = {"strain": strain.key, "strain_class": strain.strain_class_id}
    return SplitRule(
        least_gap=book.number("split_grade", **whose), least_days=book.whole("split_days", **whose)
    )


def _returned_on(steps: list[ColourStep]) -> date | None:
    returns = [step.on for step in steps if step.has_returned]
    return returns[-1] if returns else None


def _keep_what_is_said(strain: Strain, state: ColourState) -> None:
    """Keep each new forecast of a rest; when the strain is back, say so to all of that rest."""
    if not state.is_resting:
        back_on = state.returned_on or state.split_since
        if back_on is None:
            return
        ReturnSaid.objects.filter(strain=strain, returned_on=None, rested_on__lte=back_on).update(
            returned_on=back_on
        )
        return
    said = list(ReturnSaid.objects.filter(strain=strain, rested_on=state.rested_on))
    if any(row.returned_on for row in said):
        # A late look undid the return: that rest goes on.
        ReturnSaid.objects.filter(pk__in=[row.pk for row in said]).update(returned_on=None)
    last = said[-1] if said else None
    if state.back_likely_on and (last is None or last.likely_on != state.back_likely_on):
        ReturnSaid.objects.update_or_create(
            strain=strain,
            rested_on=state.rested_on,
            said_on=state.looked_on,
            defaults={
                "likely_on": state.back_likely_on,
                "from_on": state.back_from_on,
                "to_on": state.back_to_on,
            },
        )


def _tell_of_systems(strain: Strain, at: datetime) -> None:
    """The list and the sheets hear which systems of a strain have stopped or come back."""
    resting = _resting_systems(strain)
    rows = Balance.objects.filter(pieces__gt=0, strain_form__strain=strain).exclude(
        lot__state="kept"
    )
    standing = list(rows.values_list("tray__code", "strain_form_id", "tray__trough__system__code"))
    reason = (
        f"out of colour in system {' and '.join(resting)}, each system is run by itself"
        if resting
        else "no system is out of colour by itself"
    )
    facts = {
        "strain": strain.key,
        "reason": reason,
        "trays": sorted(tray for tray, _, system in standing if system in resting),
        "strain_forms": sorted({form for _, form, _ in standing}),
    }
    Happening.objects.create(kind="colour.split", at=at, facts=facts)


def _tell(strain: Strain, state: ColourState, at: datetime) -> None:
    """One event for each in-colour listing of the strain."""
    kind = "line.rested" if state.is_resting else "line.returned"
    reason = (
        f"out of colour since {state.rested_on:%-d %b}"
        if state.is_resting
        else f"back in colour since {state.returned_on or state.looked_on:%-d %b}"
    )
    listings = Listing.objects.filter(strain_form__strain=strain, look=Listing.Look.COLOUR)
    for name in listings.order_by("name").values_list("name", flat=True):
        facts = {"strain": strain.key, "listing": name, "reason": reason}
        if state.is_resting and state.back_likely_on:
            facts["back_likely_on"] = state.back_likely_on.isoformat()
            facts["back_from_on"] = f"{state.back_from_on:%Y-%m-%d}"
            facts["back_to_on"] = f"{state.back_to_on:%Y-%m-%d}"
        Happening.objects.create(kind=kind, at=at, facts=facts)
