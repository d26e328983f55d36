"""HOP 3c healing: the check three weeks after a cut -> how many of what is cut live, learned.

Call from: inventory/healing_pages.py.
What is learned is shown; it acts once a lead has signed it.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory.calc.healing import (
    PRIOR_PIECES,
    SurvivalStep,
    expected_pieces,
    learned_heal_share,
    survival_curve,
)
from inventory.errors import FarmError, Unknown
from inventory.holds import ReasonMissing
from inventory.models import Balance, Happening, HealCheck, Lot, Movement, Place, StrainForm
from inventory.people import User
from inventory.setting_book import SettingBook


class HealCheckTooEarly(FarmError):
    code = "heal_check_too_early"
    title = "Too early to say what lives"
    message = "{lot} was cut on {cut}; it is checked from {from_on} on. Look again then."


class HealCheckedAlready(FarmError):
    code = "heal_checked_already"
    title = "Checked already"
    message = "{lot} was checked on {on}: {alive} of {cut} live. Note what died since in its tray."


class HealCheckUnbelievable(FarmError):
    code = "heal_check_unbelievable"
    status = 422
    title = "That check cannot be"
    message = "{alive} alive of {cut} cut. Type how many were cut, and how many of them live."


class ShareUnreadable(FarmError):
    code = "heal_share_unreadable"
    status = 422
    title = "That is no share"
    message = "{share} is no share of pieces. Type one above 0 and up to 1, such as 0.94."


@dataclass(frozen=True, slots=True)
class Healing:
    """What the checks of a strain-form say, beside the share in force. It acts only when signed."""

    strain_form: StrainForm
    share_now: float
    share_learned: float
    checks: int
    cut_pieces: int
    alive_pieces: int
    curve: tuple[SurvivalStep, ...]

    @property
    def curve_words(self) -> str:
        """Survival by age from the ledger's deaths; empty where none died."""
        if not self.curve:
            return ""
        last = self.curve[-1]
        died = sum(step.died for step in self.curve)
        return f"{last.share:.1%} alive at {last.day:.0f} days; {died} died after the cut"


@dataclass(frozen=True, slots=True)
class DueCheck:
    """A cut lot that is old enough and not checked yet."""

    lot: Lot
    tray: str
    pieces: int
    due_on: date
    expected: float | None


def check_days(*, book: SettingBook, lot: Lot) -> int:
    """How long after its cut a lot is checked. [day]"""
    strain = lot.strain_form.strain
    return book.whole("heal_check_days", strain=strain.key, strain_class=strain.strain_class_id)


@transaction.atomic
def note_heal_check(
    *, tray_code: str, cut_pieces: int, alive_pieces: int, user: User, at: datetime
) -> HealCheck:
    """Note how many pieces of the lot in a tray were cut and how many live.

    The count of the tray is left alone: this says what healed, not what stands there. Raises
    Unknown, HealCheckTooEarly, HealCheckedAlready, HealCheckUnbelievable, NotAllowed.
    """
    user.must("walk")
    balance = (
        Balance.objects.select_related("lot__strain_form__strain")
        .filter(tray__code=tray_code, pieces__gt=0, lot__cut_on__isnull=False)
        .first()
    )
    if balance is None or balance.lot.cut_on is None:
        raise Unknown(kind="tray with a cut lot", name=tray_code or "(none)")
    lot, on = balance.lot, timezone.localdate(at)
    known = HealCheck.objects.filter(lot=lot).first()
    if known is not None:
        raise HealCheckedAlready(
            lot=lot,
            on=f"{known.checked_on:%-d %b %Y}",
            alive=known.alive_pieces,
            cut=known.cut_pieces,
        )
    from_on = balance.lot.cut_on + timedelta(days=check_days(book=SettingBook.read(on=on), lot=lot))
    if on < from_on:
        cut = f"{lot.cut_on:%-d %b %Y}"
        raise HealCheckTooEarly(lot=lot, cut=cut, from_on=f"{from_on:%-d %b %Y}")
    if not 0 <= alive_pieces <= cut_pieces or not cut_pieces:
        raise HealCheckUnbelievable(alive=alive_pieces, cut=cut_pieces)
    return HealCheck.objects.create(
        lot=lot, checked_on=on, cut_pieces=cut_pieces, alive_pieces=alive_pieces, user=user
    )


def due_checks(*, on: date, book: SettingBook) -> list[DueCheck]:
    """Growing cut lots whose check is due and not noted, the longest due first."""
    rows = Balance.objects.filter(
        pieces__gt=0,
        lot__state=Lot.State.GROWING,
        lot__cut_on__isnull=False,
        lot__heal_check__isnull=True,
    ).select_related("lot__strain_form__strain", "lot__strain_form__form", "tray")
    found = []
    for row in rows:
        assert row.lot.cut_on is not None
        due_on = row.lot.cut_on + timedelta(days=check_days(book=book, lot=row.lot))
        if due_on <= on:
            expected = _expected(row.lot, on, book)
            found.append(DueCheck(row.lot, row.tray.code, row.pieces, due_on, expected))
    return sorted(found, key=lambda row: (row.due_on, row.tray))


def _expected(lot: Lot, on: date, book: SettingBook) -> float | None:
    strain, share = lot.strain_form.strain, lot.strain_form.heal_share
    if lot.cut_pieces is None or lot.cut_on is None or share is None:
        return None
    whose = {"strain": strain.key, "strain_class": strain.strain_class_id}
    return expected_pieces(
        cut=lot.cut_pieces,
        heal_share=float(share),
        mortality_per_30_days=book.number("mortality_per_30_days", **whose),
        days=(on - lot.cut_on).days,
    )


def learned_heals(*, on: date) -> list[Healing]:
    """Strain-forms with a check, each with the share in force and the one its checks suggest."""
    checks: dict[int, list[HealCheck]] = {}
    rows = HealCheck.objects.select_related(
        "lot__strain_form__strain", "lot__strain_form__form"
    ).filter(checked_on__lte=on)
    for row in rows:
        checks.setdefault(row.lot.strain_form_id, []).append(row)
    found = []
    for found_checks in checks.values():
        form = found_checks[0].lot.strain_form
        new = [row for row in found_checks if not row.is_learned]
        cut = [row.cut_pieces for row in new]
        alive = [row.alive_pieces for row in new]
        now = float(form.heal_share if form.heal_share is not None else 1)
        learned = learned_heal_share(
            heal_share=now, cut=cut, alive=alive, prior_pieces=PRIOR_PIECES
        )
        curve = tuple(_curve_of(form, on))
        found.append(Healing(form, now, learned, len(cut), sum(cut), sum(alive), curve))
    return sorted(found, key=lambda row: str(row.strain_form))


def _curve_of(form: StrainForm, on: date) -> list[SurvivalStep]:
    """Pieces by the age at which they died, left alive, or stand today."""
    lots = Lot.objects.filter(strain_form=form, cut_on__isnull=False)
    cut_on = {pk: day for pk, day in lots.values_list("pk", "cut_on") if day is not None}
    days: list[float] = []
    died: list[bool] = []
    pieces: list[int] = []
    moves = Movement.objects.filter(lot__in=cut_on, from_place__tray__isnull=False)
    for lot, at, end, number in moves.exclude(to_place__tray__isnull=False).values_list(
        "lot_id", "at", "to_place__code", "pieces"
    ):
        days.append(max(0, (timezone.localdate(at) - cut_on[lot]).days))
        died.append(end == Place.End.DEAD)
        pieces.append(number)
    standing = Balance.objects.filter(lot__in=cut_on, pieces__gt=0)
    for lot, number in standing.values_list("lot_id", "pieces"):
        days.append(max(0, (on - cut_on[lot]).days))
        died.append(False)
        pieces.append(number)
    return survival_curve(days=days, is_death=died, pieces=pieces)


@transaction.atomic
def sign_heal_share(
    *, strain_form_id: int, share: Decimal, reason: str, user: User, at: datetime
) -> StrainForm:
    """A lead takes a new share that heals for a strain-form; cut plans and cohorts follow.

    The happening left here keeps who, from, to and why. The checks so far stand behind the new
    share: they are not counted again. Raises Unknown, ReasonMissing, ShareUnreadable, NotAllowed.
    """
    user.must("set_care_schedule")
    form = StrainForm.objects.select_for_update().filter(pk=strain_form_id).first()
    if form is None:
        raise Unknown(kind="strain-form", name=str(strain_form_id))
    if not reason:
        raise ReasonMissing(what="a new share that heals")
    if not 0 < share <= 1:
        raise ShareUnreadable(share=share)
    was, form.heal_share = form.heal_share, share.quantize(Decimal("0.001"))
    form.save(update_fields=["heal_share"])
    HealCheck.objects.filter(lot__strain_form=form).update(is_learned=True)
    facts = {
        "strain_form": str(form),
        "was": str(was),
        "now": str(form.heal_share),
        "reason": reason,
        "by": user.name,
    }
    Happening.objects.create(kind="heal_share.signed", at=at, facts=facts)
    return form
