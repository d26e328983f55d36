"""HOP 1c signed colour: a person's word that a strain rests or is back -> ColourWord, ColourState.

Call from: inventory/colour_pages.py, orders/rest_pages.py.
Locks: the strain's row, through follow_grade.
The word stands until another person's word, or until looks of later days cross a line by the
farm's own rule: two low ones in a row, or three good ones over a week after the least rest. What
was looked at before it counts no more, so the next look alone never turns it round.
"""

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inventory.colour_runs import standing_systems
from inventory.colouring import follow_grade
from inventory.errors import FarmError, ReasonMissing, Unknown
from inventory.models import ColourInSystem, ColourState, ColourWord, Strain, WaterSystem
from inventory.people import User


class ColourWordNotPossible(FarmError):
    code = "colour_word_not_possible"
    title = "That is not to be signed"
    message = "{strain} cannot be {act}: {why}."


@transaction.atomic
def say_colour(
    *,
    strain_key: str,
    is_rest: bool,
    reason: str,
    user: User,
    at: datetime,
    system_code: str = "",
) -> ColourWord:
    """Rest a strain, or one system of it, or bring it back, whatever its grades say.

    A lead's or the owner's word acts at once; a grower's or the office's waits as a proposal.
    Raises NotAllowed, Unknown, ReasonMissing, ColourWordNotPossible.
    """
    user.must("propose_colour")
    if not reason.strip():
        raise ReasonMissing(what="a rest or a return by hand")
    strain = Strain.objects.filter(key=strain_key.strip().upper()).first()
    if strain is None:
        raise Unknown(kind="strain", name=strain_key or "(none)")
    system = _system(system_code)
    _refuse_needless(strain, system, is_rest)
    word = ColourWord.objects.create(
        strain=strain,
        system=system,
        is_rest=is_rest,
        reason=reason.strip()[:300],
        proposed_at=at,
        proposed_by=user,
    )
    return settle_word(word_id=word.pk, is_signed=True, user=user, at=at) if _signs(user) else word


def _signs(user: User) -> bool:
    return user.may("rest_strain")


def _system(code: str) -> WaterSystem | None:
    if not code.strip():
        return None
    system = WaterSystem.objects.filter(code=code.strip().upper()).first()
    if system is None:
        raise Unknown(kind="water system", name=code)
    return system


def _refuse_needless(strain: Strain, system: WaterSystem | None, is_rest: bool) -> None:
    why = _why_not(strain, system, is_rest)
    if why:
        act = "rested" if is_rest else "brought back"
        raise ColourWordNotPossible(strain=strain.key, act=act, why=why)


def _why_not(strain: Strain, system: WaterSystem | None, is_rest: bool) -> str:
    if not strain.is_colour_strain:
        return "it has no colour season; raise a hold if it must not be sold"
    if system is not None and system.code not in standing_systems(strain_id=strain.pk):
        return f"none of it stands in system {system.code}"
    state: ColourState | ColourInSystem | None = ColourState.objects.filter(strain=strain).first()
    if system is not None:
        part = ColourInSystem.objects.filter(strain=strain, system=system).first()
        state = part or state
    is_resting = state is not None and state.is_resting
    if is_resting == is_rest:
        return "it rests already" if is_rest else "it is in colour already"
    return ""


@transaction.atomic
def settle_word(*, word_id: int, is_signed: bool, user: User, at: datetime) -> ColourWord:
    """Sign a proposal, which then acts at once, or leave it. A settled one stays as it is.

    Raises NotAllowed, Unknown, ColourWordNotPossible.
    """
    user.must("rest_strain")
    rows = ColourWord.objects.select_for_update(of=("self",)).select_related("strain", "system")
    word = rows.filter(pk=word_id).first()
    if word is None:
        raise Unknown(kind="proposal", name=str(word_id))
    if not word.is_waiting:
        return word
    if is_signed:
        _refuse_needless(word.strain, word.system, word.is_rest)
        word.signed_on = timezone.localdate(at)
    word.settled_at, word.settled_by = at, user
    word.save(update_fields=["signed_on", "settled_at", "settled_by"])
    if is_signed:
        follow_grade(strain=word.strain, at=at)
    return word


def newest_words(*, strain: Strain) -> list[ColourWord]:
    """Every word on a strain, newest first: proposed, signed, left."""
    rows = ColourWord.objects.filter(strain=strain)
    rows = rows.select_related("strain", "system", "proposed_by", "settled_by")
    return list(rows.order_by("-proposed_at", "-id"))
