"""HOP 1c seasons: first drop, cohorts, first leaf pairs; clams by shell -> Cohort, Lot, Movement.

Call from: inventory/season_pages.py, tests.
Locks: strain-forms in the ledger. A piece is a propagule or a sprout, never both: the split is two
ledger rows in one transaction.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import ceil

from django.db import transaction
from django.utils import timezone

from inventory import ledger
from inventory.calc.shells import outgrown_after, outgrown_pieces, spread_shells
from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.models import (
    Balance,
    Cohort,
    FirstDrop,
    Happening,
    Lot,
    Place,
    Strain,
    StrainForm,
    Tray,
)
from inventory.people import User
from inventory.setting_book import SettingBook

PROP, SPROUT = "prop-10", "sprout"
# The size at which the next grade begins.
CLAM_TOP_CM = {"clam-s": 7.0, "clam-m": 10.0, "clam-l": 15.0}


class BeforeFirstDrop(FarmError):
    code = "before_first_drop"
    title = "No drop has been seen yet"
    message = (
        "{strain} had not begun to drop by {on}. Log the first drop from the trees, then what was "
        "collected."
    )


class LeavesUnbelievable(FarmError):
    code = "leaves_unbelievable"
    status = 422
    title = "That sample cannot be"
    message = "{leafed} with leaves of {sampled} looked at. Type both numbers of the sample again."


class NoSproutTray(FarmError):
    code = "no_sprout_tray"
    title = "The sprouts need a tray of their own"
    message = (
        "{pieces} of {cohort} have sprouted, and tray {tray} does not take sprouts. Choose an "
        "empty tray for sprouts."
    )


@transaction.atomic
def log_first_drop(*, strain_key: str, on: date, user: User, note: str = "") -> FirstDrop:
    """Log the first propagule seen to fall. The calendar only warns; the observation opens it."""
    user.must("keep_cohorts")
    strain = _tree(strain_key)
    row, _ = FirstDrop.objects.get_or_create(
        strain=strain, dropped_on=on, defaults={"note": note[:200]}
    )
    return row


def _tree(strain_key: str) -> Strain:
    strain = Strain.objects.filter(key=strain_key, strain_class_id="MANG").first()
    if strain is None:
        raise Unknown(kind="mangrove", name=strain_key or "(none)")
    return strain


@transaction.atomic
def collect_cohort(
    *,
    code: str,
    strain_key: str,
    collected_on: date,
    pieces: int,
    tray_code: str,
    user: User,
    now: datetime,
) -> Cohort:
    """Take in what was collected: a cohort, its lot, and its pieces in a tray.

    Raises BeforeFirstDrop, Unknown, and what the ledger refuses.
    """
    user.must("keep_cohorts")
    strain = _tree(strain_key)
    dropped = FirstDrop.objects.filter(strain=strain, dropped_on__lte=collected_on)
    season_start = collected_on - timedelta(days=270)
    if not dropped.filter(dropped_on__gte=season_start).exists():
        raise BeforeFirstDrop(strain=strain.name, on=f"{collected_on:%-d %b %Y}")
    form = StrainForm.objects.get(strain=strain, form__key=PROP)
    book = SettingBook.read(on=timezone.localdate(now))
    days = form.reference_days or 0
    factor = book.number("p80_factor", strain=strain.key, strain_class=strain.strain_class_id)
    p50 = collected_on + timedelta(days=days)
    p80 = collected_on + timedelta(days=ceil(factor * days))
    cohort = Cohort.objects.create(
        code=code,
        strain=strain,
        collected_on=collected_on,
        collected_pieces=pieces,
        p50_on=p50,
        p80_on=p80,
        state=Cohort.State.ROOTING,
    )
    lot = Lot.objects.create(
        code=code,
        strain_form=form,
        state=Lot.State.GROWING,
        cohort=cohort,
        p50_on=p50,
        p80_on=p80,
    )
    ledger.move_pieces(
        lot=lot,
        from_place=ledger.end_place(Place.End.FOUND),
        to_place=ledger.tray_place(_tray(tray_code)),
        pieces=pieces,
        reason="opening",
        at=now,
        user=user,
        client_key=f"cohort:{code}",
    )
    return cohort


def _tray(code: str) -> Tray:
    tray = Tray.objects.filter(code=code).select_related("form").first()
    if tray is None:
        raise Unknown(kind="tray", name=code or "(none)")
    return tray


@transaction.atomic
def note_leaves(
    *,
    cohort_code: str,
    sampled_pieces: int,
    leafed_pieces: int,
    sprout_tray: str,
    user: User,
    at: datetime,
) -> int:
    """Note how many of a sample show their first leaf pair. From the line on, split the cohort.

    The sprouted share of what stands leaves the propagules and rises among the sprouts by the same
    number, at once. What is promised as propagules keeps first claim on the unsprouted ones: where
    too few are left, the shipping side records what is missing. Returns the pieces split off.

    Raises Unknown, LeavesUnbelievable, NoSproutTray, ForbiddenMove, and what the ledger refuses.
    """
    user.must("keep_cohorts")
    cohort = Cohort.objects.select_for_update().filter(code=cohort_code).first()
    if cohort is None:
        raise Unknown(kind="cohort", name=cohort_code or "(none)")
    if not 0 <= leafed_pieces <= sampled_pieces or sampled_pieces < 1:
        raise LeavesUnbelievable(leafed=leafed_pieces, sampled=sampled_pieces)
    if cohort.state not in (Cohort.State.ROOTED, Cohort.State.ROOTING, Cohort.State.SPROUTING):
        raise ForbiddenMove(
            kind="Cohort",
            name=cohort.code,
            state=cohort.get_state_display(),
            wanted="sprouting",
            why="only a rooted cohort sprouts",
        )
    book = SettingBook.read(on=timezone.localdate(at))
    share = leafed_pieces / sampled_pieces
    if share < book.number("sprout_share") - 1e-9:
        return 0
    return _split(cohort, share, sprout_tray, user, at)


def _split(cohort: Cohort, share: float, tray_code: str, user: User, at: datetime) -> int:
    balance = (
        Balance.objects.filter(lot__cohort=cohort, lot__strain_form__form__key=PROP, pieces__gt=0)
        .select_related("lot__strain_form", "tray")
        .first()
    )
    if balance is None:
        raise Unknown(kind="propagules of cohort", name=cohort.code)
    pieces = int(share * balance.pieces + 1e-9)
    tray = _tray(tray_code)
    if tray.form.key != SPROUT:
        raise NoSproutTray(pieces=pieces, cohort=cohort.code, tray=tray.code)
    sprout_form = StrainForm.objects.filter(strain_id=cohort.strain_id, form__key=SPROUT).first()
    if sprout_form is None:
        raise Unknown(kind="sprout form of", name=cohort.code)
    ledger.lock_strain_forms([balance.lot.strain_form_id, sprout_form.pk])
    sprouts, _ = Lot.objects.get_or_create(
        code=f"{cohort.code}-sprout",
        defaults={
            "strain_form": sprout_form,
            "state": Lot.State.READY,
            "cohort": cohort,
            "parent": balance.lot,
            "generation": balance.lot.generation,
        },
    )
    key = f"sprout:{cohort.code}:{at.isoformat()}"
    ledger.move_pieces(
        lot=balance.lot,
        from_place=ledger.tray_place(balance.tray),
        to_place=ledger.end_place(Place.End.USED_UP),
        pieces=pieces,
        reason="sprout",
        at=at,
        user=user,
        client_key=f"{key}:out",
    )
    ledger.move_pieces(
        lot=sprouts,
        from_place=ledger.end_place(Place.End.CUT),
        to_place=ledger.tray_place(tray),
        pieces=pieces,
        reason="sprout",
        at=at,
        user=user,
        client_key=f"{key}:in",
    )
    is_all = pieces == balance.pieces
    cohort.state = Cohort.State.SPROUTED if is_all else Cohort.State.SPROUTING
    cohort.save(update_fields=["state"])
    facts = {
        "tray": balance.tray.code,
        "strain_form": balance.lot.strain_form_id,
        "reason": f"{pieces} of {cohort.code} have sprouted",
    }
    Happening.objects.create(kind="stock.sprouted", at=at, facts=facts)
    return pieces


@dataclass(frozen=True, slots=True)
class ClamTray:
    """A tray of clams with what it will be. Days run from today. [cm, mm/month, day]"""

    tray: str
    strain: str
    name: str
    form: str
    pieces: int
    min_cm: float
    max_cm: float
    top_cm: float
    first_likely_on: date
    first_from_on: date
    first_to_on: date
    warning: str


def clam_trays(*, on: date, book: SettingBook) -> list[ClamTray]:
    """Every tray of clams whose shells were measured, with when its first outgrow their grade."""
    rows = Balance.objects.filter(
        pieces__gt=0, lot__strain_form__form__key__in=CLAM_TOP_CM, lot__shell_max_cm__isnull=False
    ).select_related("lot__strain_form__strain", "lot__strain_form__form", "tray")
    return [_clam_tray(row, on, book) for row in rows.order_by("tray__code")]


def _clam_tray(row: Balance, on: date, book: SettingBook) -> ClamTray:
    strain, form = row.lot.strain_form.strain, row.lot.strain_form.form
    whose = {"strain": strain.key, "strain_class": strain.strain_class_id}
    largest = float(row.lot.shell_max_cm or 0)
    smallest = float(row.lot.shell_min_cm or largest)
    top = CLAM_TOP_CM[form.key]
    # Shells were measured when they were counted.
    since = (on - row.counted_on).days
    likely_mm = book.number("shell_growth_mm", **whose)
    found = outgrown_after(
        shell_cm=largest,
        top_cm=top,
        slow_mm=book.number("shell_growth_low_mm", **whose),
        likely_mm=likely_mm,
        fast_mm=book.number("shell_growth_high_mm", **whose),
    )
    warn_days = book.whole("outgrow_warn_days")
    shells = spread_shells(pieces=row.pieces, min_cm=smallest, max_cm=largest)
    within = outgrown_pieces(
        shells_cm=shells, top_cm=top, days=warn_days + since, growth_mm_month=likely_mm
    )
    first = row.counted_on + timedelta(days=found.likely_days)
    words = ""
    if within:
        words = (
            f"about {within} of {row.pieces} outgrow {form.name} ({top:g} cm) within "
            f"{warn_days} days, the first about {first:%-d %b}"
        )
    return ClamTray(
        tray=row.tray.code,
        strain=strain.key,
        name=strain.name,
        form=form.name,
        pieces=row.pieces,
        min_cm=smallest,
        max_cm=largest,
        top_cm=top,
        first_likely_on=first,
        first_from_on=row.counted_on + timedelta(days=found.fast_days),
        first_to_on=row.counted_on + timedelta(days=found.slow_days),
        warning=words,
    )
