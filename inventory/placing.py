"""HOP 2g placing: looks of two months by strain and trough -> where new cuts would do better.

Call from: inventory/placing_pages.py. Reads and writes nothing else: a tray is carried on the walk.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

from django.db.models import Count
from django.utils import timezone

from inventory.calc.placing import (
    PlaceRule,
    PlaceScore,
    better_places,
    place_scores,
    share_after,
)
from inventory.carrying import hold_on
from inventory.colour_looks import offsets_now
from inventory.models import Balance, Lot, ShadeLog, Tray, Trough, WalkNote
from inventory.ready_dates import light_rule, open_light_mol_m2, shade_on
from inventory.setting_book import SettingBook

NEW_CUTS = (Lot.State.CUT, Lot.State.HEALING, Lot.State.GROWING)
MEASURES = ("grade", "growth")


@dataclass(frozen=True, slots=True)
class Better:
    """New cuts that would do better elsewhere. ``stop`` says why they stay all the same."""

    strain: str
    name: str
    tray: str
    pieces: int
    present: str
    measure: str
    best: PlaceScore
    here: float
    free_slots: int
    stop: str = ""


@dataclass(slots=True)
class Placing:
    """What the looks say of every strain and place, and what follows for the new cuts."""

    rule: PlaceRule
    days: int
    scores: dict[tuple[str, str], dict[str, PlaceScore]] = field(default_factory=dict)
    advice: list[Better] = field(default_factory=list)
    light: dict[str, tuple[float, date]] = field(default_factory=dict)


def placing_advice(*, on: date, book: SettingBook) -> Placing:
    """Score every strain in every trough it was looked at, and look for better places."""
    found = Placing(place_rule(book=book), book.whole("place_look_days"))
    found.scores = {
        key: place_scores(values=values, rule=found.rule)
        for key, values in _values(on, found.days, book).items()
    }
    found.light = light_changes(on=on, book=book)
    troughs = {row.code: row for row in Trough.objects.select_related("system")}
    free = _free_slots(troughs)
    standing = _pieces_by_system()
    cuts = Balance.objects.filter(pieces__gt=0, lot__state__in=NEW_CUTS, lot__cohort__isnull=True)
    cuts = cuts.select_related("tray__trough__system", "lot__strain_form__strain")
    for balance in cuts.order_by("lot__strain_form__strain__key", "tray__code"):
        found.advice += _advice_of(balance, found, troughs, free, standing)
    return found


def place_rule(*, book: SettingBook) -> PlaceRule:
    """When a better place is said, as the farm sets it."""
    return PlaceRule(
        prior_looks=book.number("place_prior_looks"),
        least_gain=book.number("place_least_gain"),
        least_looks=book.whole("place_least_looks"),
        most_share=book.number("place_most_share"),
    )


def _values(
    on: date, days: int, book: SettingBook
) -> dict[tuple[str, str], dict[str, list[float]]]:
    """Grades less each grader's offset, and growth, by (strain, measure) and trough."""
    offsets = offsets_now(book=book)
    first_on = on - timedelta(days=days)
    notes = WalkNote.objects.filter(
        strain__isnull=False, looked_at__date__gt=first_on, undone_by__isnull=True
    )
    found: dict[tuple[str, str], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for strain, trough, at, grade, growth, who in notes.order_by("looked_at").values_list(
        "strain__key", "trough__code", "looked_at", "grade", "growth", "user__code"
    ):
        if grade is not None:
            used = offsets.corrected(grade=float(grade), grader=who, on=timezone.localdate(at))
            found[strain, "grade"][trough].append(used)
        if growth is not None:
            found[strain, "growth"][trough].append(float(growth))
    return found


def _free_slots(troughs: Mapping[str, Trough]) -> dict[str, int]:
    taken = dict(Tray.objects.values_list("trough__code").annotate(Count("pk")).order_by())
    return {code: row.slots - taken.get(code, 0) for code, row in troughs.items()}


def _pieces_by_system() -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    rows = Balance.objects.filter(pieces__gt=0)
    for strain, system, pieces in rows.values_list(
        "strain_form__strain__key", "tray__trough__system__code", "pieces"
    ):
        found[strain][system] += pieces
    return found


def _advice_of(
    balance: Balance,
    found: Placing,
    troughs: Mapping[str, Trough],
    free: Mapping[str, int],
    standing: Mapping[str, Mapping[str, int]],
) -> list[Better]:
    """At most one row a measure: the best place that may be had, else the best with its stop."""
    strain, present = balance.lot.strain_form.strain, balance.tray.trough.code
    rows = []
    for measure in MEASURES:
        scores = found.scores.get((strain.key, measure), {})
        better = better_places(present=present, scores=scores, rule=found.rule)
        tried = [
            Better(
                strain=strain.key,
                name=strain.name,
                tray=balance.tray.code,
                pieces=balance.pieces,
                present=present,
                measure=measure,
                best=best,
                here=scores[present].score if present in scores else _mean(scores),
                free_slots=free[best.place],
                stop=_stop(balance, troughs[best.place], found, free, standing[strain.key]),
            )
            for best in better
        ]
        rows += sorted(tried, key=lambda row: bool(row.stop))[:1]
    return rows


def _mean(scores: Mapping[str, PlaceScore]) -> float:
    total = sum(row.looks for row in scores.values())
    return sum(row.looks * row.mean for row in scores.values()) / total


def _stop(
    balance: Balance,
    to: Trough,
    found: Placing,
    free: Mapping[str, int],
    pieces: Mapping[str, int],
) -> str:
    """Why the tray stays where it is, in a few words; empty where it may go."""
    here = balance.tray.trough
    if free[to.code] < 1:
        return f"{to.code} has no free slot"
    if to.system.is_quarantine != here.system.is_quarantine:
        return "one of the two is quarantine"
    is_other_water = to.system_id != here.system_id
    if is_other_water and (hold := hold_on(trough=here, tray=balance.tray) or hold_on(trough=to)):
        return f"hold {hold.code} is open"
    share = share_after(
        pieces=pieces,
        from_system=here.system.code,
        to_system=to.system.code,
        moved=balance.pieces,
    )
    if is_other_water and share > found.rule.most_share:
        return f"{share:.0%} of it would stand in system {to.system.code}"
    return ""


def light_changes(*, on: date, book: SettingBook) -> dict[str, tuple[float, date]]:
    """How a trough's light changes from the 21st of this month to the 21st of the next.

    By trough: the share gained (above zero) or lost, cloth reckoned in, and the later day.
    """
    rule = light_rule(book=book)
    if rule is None:
        return {}
    this = on.replace(day=21)
    following = (this + timedelta(days=15)).replace(day=21)
    before, after = open_light_mol_m2(on=[this, following], rule=rule)
    shade = list(ShadeLog.objects.all())
    found = {}
    for trough in Trough.objects.order_by("walk_order"):
        covers = [
            shade_on(rows=shade, trough_id=trough.pk, begin_on=day, days=1)[0]
            for day in (this, following)
        ]
        if covers[0] < 1:
            found[trough.code] = (
                after * (1 - covers[1]) / (before * (1 - covers[0])) - 1,
                following,
            )
    return found
