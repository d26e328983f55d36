"""HOP 2h bases: mixed, cured, rinsed, let out -> BaseBatch, MountAct; what the cuts want of them.

Call from: config/mounts_page.py, config/base_plan.py, inventory/cutting.py.
Locks: base batches by their rows, lowest key first.
Bases that cure are caustic: none is usable until a person let it out.
"""

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from inventory.calc.cutting import BaseNeed, BaseRule, base_plan
from inventory.errors import FarmError, ForbiddenMove, ReasonMissing, Unknown
from inventory.models import BaseBatch, MountAct
from inventory.mounts import believe, note_act
from inventory.people import User
from inventory.setting_book import SettingBook

BaseState, What = BaseBatch.State, MountAct.What
# Stronger than any wash water: a rise above it was mistyped.
MOST_PH_RISE = 7


class BasesNotUsable(FarmError):
    code = "bases_not_usable"
    title = "Not that many bases may be used"
    message = (
        "{wanted} bases are wanted, {there} may be used on {on}. {next_words}Cut fewer, or later."
    )


class BaseTooYoung(FarmError):
    code = "base_too_young"
    title = "Those bases are too young"
    message = (
        "Batch {code} was {since} on {since_on} and {may_words} from {from_on} at the earliest. "
        "Fresh bases burn skin and coral: leave them until then."
    )


class BaseDayImpossible(FarmError):
    code = "base_day_impossible"
    status = 422
    title = "That day cannot be"
    message = "Batch {code} cannot have been rinsed from {on}: {why}. Type the day it was done."


class SoakTooCaustic(FarmError):
    code = "soak_too_caustic"
    title = "The soak is still caustic"
    message = (
        "The water of batch {code} rose by {rise} in pH; less than {most} is asked. Change the "
        "water, rinse on and soak again."
    )


class SoakUnreadable(FarmError):
    code = "soak_unreadable"
    status = 422
    title = "That rise cannot be"
    message = "{text} is no rise in pH. Type a number from 0 to 7 such as 0.1, or leave it blank."


@transaction.atomic
def mix_bases(*, pieces: int, user: User, at: datetime) -> BaseBatch:
    """Record a batch of bases mixed today; it may be used once it has cured and was rinsed."""
    user.must("record_cut")
    on = timezone.localdate(at)
    rule = base_rule(book=SettingBook.read(on=on))
    believe(pieces, "bases")
    number = (BaseBatch.objects.aggregate(last=Max("pk"))["last"] or 0) + 1
    while BaseBatch.objects.filter(code=f"BB-{number}").exists():
        number += 1
    batch = BaseBatch.objects.create(
        code=f"BB-{number}",
        pieces=pieces,
        mixed_on=on,
        usable_on=on + timedelta(days=rule.cure_days),
        state=BaseState.CURING,
    )
    note_act(What.MIX, batch, pieces, on, user, at)
    return batch


@transaction.atomic
def rinse_bases(*, code: str, on: date, user: User, at: datetime) -> BaseBatch:
    """Note that a batch that has cured is rinsed from a day on; begun late, it is usable later.

    Raises NotAllowed, Unknown, ForbiddenMove, BaseTooYoung, BaseDayImpossible.
    """
    user.must("record_cut")
    today = timezone.localdate(at)
    rule = base_rule(book=SettingBook.read(on=today))
    batch = _locked_batch(code)
    _must_move(batch, BaseState.RINSING, "only a batch that cures is rinsed")
    if on > today:
        raise BaseDayImpossible(code=code, on=f"{on:%-d %b %Y}", why="that day lies ahead")
    cured_on = rinse_from(batch=batch, rule=rule)
    if cured_on is not None and on < cured_on:
        assert batch.mixed_on is not None
        raise BaseTooYoung(
            code=code,
            since="mixed",
            since_on=f"{batch.mixed_on:%-d %b}",
            may_words="may be rinsed",
            from_on=f"{cured_on:%a %-d %b}",
        )
    rinsed_until = on + timedelta(days=rule.rinse_days)
    batch.rinsed_on, batch.state = on, BaseState.RINSING
    batch.usable_on = max(batch.usable_on or rinsed_until, rinsed_until)
    batch.save(update_fields=["rinsed_on", "state", "usable_on"])
    note_act(What.RINSE, batch, batch.pieces, on, user, at)
    return batch


@transaction.atomic
def release_bases(*, code: str, ph_rise: Decimal | None, user: User, at: datetime) -> BaseBatch:
    """Let a rinsed batch out for use. ``ph_rise`` is that of a day's soak, where one was made.

    Raises NotAllowed, Unknown, ForbiddenMove, BaseTooYoung, SoakTooCaustic.
    """
    user.must("release_mounts")
    on = timezone.localdate(at)
    batch = _locked_batch(code)
    _must_move(batch, BaseState.USABLE, "it is cured, then rinsed, then let out")
    if batch.usable_on is not None and on < batch.usable_on:
        raise BaseTooYoung(
            code=code,
            since="rinsed",
            since_on=f"{batch.rinsed_on or on:%-d %b}",
            may_words="may be used",
            from_on=f"{batch.usable_on:%a %-d %b}",
        )
    most = SettingBook.read(on=on).decimal("soak_most_ph_rise")
    if ph_rise is not None and ph_rise >= most:
        raise SoakTooCaustic(code=code, rise=ph_rise, most=most)
    batch.state = BaseState.USABLE
    batch.save(update_fields=["state"])
    words = "no soak was made" if ph_rise is None else f"soak: pH rose by {ph_rise}"
    note_act(What.RELEASE, batch, batch.pieces, on, user, at, words)
    return batch


@transaction.atomic
def scrap_bases(*, code: str, reason: str, user: User, at: datetime) -> BaseBatch:
    """Take what is left of a batch out of use for good. Raises ReasonMissing, ForbiddenMove."""
    user.must("record_cut")
    batch = _locked_batch(code)
    _must_move(batch, BaseState.SCRAPPED, "nothing of it is left to scrap")
    if not reason.strip():
        raise ReasonMissing(what=f"scrapping {code}")
    note_act(What.SCRAP, batch, batch.pieces, timezone.localdate(at), user, at, reason)
    batch.state, batch.pieces = BaseState.SCRAPPED, 0
    batch.save(update_fields=["state", "pieces"])
    return batch


def rinse_from(*, batch: BaseBatch, rule: BaseRule) -> date | None:
    """The first day on which a batch may be rinsed; None for one whose mixing is not on record."""
    if batch.mixed_on is None:
        return None
    return batch.mixed_on + timedelta(days=rule.cure_days - rule.rinse_days)


def likely_usable_on(*, batch: BaseBatch, on: date, rule: BaseRule) -> date:
    """From when a batch can be used if all is done from today on without delay."""
    planned = batch.usable_on or date.min
    if batch.state == BaseState.CURING:
        return max(planned, on + timedelta(days=rule.rinse_days))
    return max(planned, on) if batch.state == BaseState.RINSING else planned


def _locked_batch(code: str) -> BaseBatch:
    batch = BaseBatch.objects.select_for_update().filter(code=code).first()
    if batch is None:
        raise Unknown(kind="batch of bases", name=code or "(none)")
    return batch


def _must_move(batch: BaseBatch, to: str, why: str) -> None:
    if to not in BaseBatch.MOVES.get(batch.state, set()):
        raise ForbiddenMove(
            kind="Batch",
            name=batch.code,
            state=batch.get_state_display(),
            wanted=BaseState(to).label,
            why=why,
        )


def take_bases(*, pieces: int, batch_code: str, on: date) -> BaseBatch:
    """Use up bases of one batch that was let out: the one named, else the oldest with enough.

    Raises BasesNotUsable, Unknown.
    """
    rows = list(BaseBatch.objects.select_for_update().filter(pieces__gt=0).order_by("pk"))
    if batch_code:
        rows = [row for row in rows if row.code == batch_code]
        if not rows:
            raise Unknown(kind="batch of bases", name=batch_code)
    usable = [row for row in rows if row.state == BaseState.USABLE]
    enough = [row for row in usable if row.pieces >= pieces]
    if not enough:
        ahead = [row for row in rows if row not in usable]
        first = min(ahead, key=lambda row: row.usable_on or on, default=None)
        there = max((row.pieces for row in usable), default=0)
        raise BasesNotUsable(
            wanted=pieces, there=there, on=f"{on:%-d %b}", next_words=_ahead_words(first, on)
        )
    batch = min(enough, key=lambda row: (row.usable_on or date.min, row.code))
    batch.pieces -= pieces
    batch.state = BaseState.USABLE if batch.pieces else BaseState.USED_UP
    batch.save(update_fields=["pieces", "state"])
    return batch


def _ahead_words(batch: BaseBatch | None, on: date) -> str:
    if batch is None:
        return ""
    if batch.usable_on is not None and batch.usable_on > on:
        return f"{batch.code} may be used from {batch.usable_on:%-d %b}. "
    return f"{batch.code} is {batch.get_state_display()} and was not let out. "


def base_rule(*, book: SettingBook) -> BaseRule:
    """How bases are made, as the farm sets it."""
    return BaseRule(
        cure_days=book.whole("base_cure_days"),
        rinse_days=book.whole("base_rinse_days"),
        hours_each=book.number("base_hours"),
        batch_pieces=book.whole("base_batch_pieces"),
    )


def usable_bases(*, on: date, rule: BaseRule) -> list[tuple[date, int]]:
    """Batches by the day from which they can be used, if nothing is delayed from today on."""
    return [
        (likely_usable_on(batch=row, on=on, rule=rule), row.pieces)
        for row in BaseBatch.objects.filter(pieces__gt=0).order_by("usable_on", "code")
    ]


def plan_bases(
    *,
    wanted: Sequence[tuple[date, int]],
    on: date,
    is_work_day: Callable[[date], bool],
    book: SettingBook,
) -> list[BaseNeed]:
    """What the cuts to come want of bases, and by when the missing ones are mixed."""
    rule = base_rule(book=book)
    return base_plan(
        wanted=wanted,
        usable=usable_bases(on=on, rule=rule),
        today=on,
        is_work_day=is_work_day,
        rule=rule,
    )
