"""HOP 12d lessons: losses by lane and by strain, judged -> a tighter rule, signed by a person.

Call from: shipping/loss_pages.py, shipping/bench_numbers.py, config/owner_page.py.
Nothing changes by itself: a proposal is shown until somebody signs it or the losses speak against
it. A signed rule holds from a day on, for boxes planned from then, and can be ended.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from inventory.changing import note_change
from inventory.errors import FarmError, Unknown
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.models import ShipTo
from shipping.calc.losses import LossJudged, LossRule, judge_losses
from shipping.models import BoxKind, LaneLoss, LaneRule, StrainLoss

TIGHTEN = "tighten"


class LaneRuleInPast(FarmError):
    code = "lane_rule_in_past"
    status = 422
    title = "That day has passed"
    message = "The rule cannot hold from {day}: its boxes are packed. Let it start today or later."


class LaneRuleHolds(FarmError):
    code = "lane_rule_holds"
    title = "That rule holds already"
    message = "{lane} has it since {since}: {words}. End that one first."


class LastBoxSize(FarmError):
    code = "last_box_size"
    title = "No box would be left"
    message = "Without {box} boxes {lane} has no box size left. End another rule of it first."


@dataclass(frozen=True, slots=True)
class LaneRecord:
    """What is known of one lane, box size, pack count and group of months."""

    loss: LaneLoss
    judged: LossJudged

    @property
    def words(self) -> str:
        """What died, as the rule that is signed for it keeps it."""
        loss = self.loss
        packs = f"{loss.packs} pack{'' if loss.packs == 1 else 's'}"
        where = ", ".join(filter(None, (f"{loss.box} box", packs, loss.months)))
        return (
            f"{loss.dead} dead of {loss.pieces} ({where}): mean {self.judged.mean:.1%}, "
            f"{self.judged.chance:.0%} sure above the line"
        )


@dataclass(frozen=True, slots=True)
class StrainRecord:
    loss: StrainLoss
    judged: LossJudged


@dataclass(frozen=True, slots=True)
class LaneTerms:
    """What the rules in force ask of one lane: degrees off both caution lines, sizes not used."""

    tighter_c: float = 0.0
    no_boxes: frozenset[str] = frozenset()


def loss_rule(*, book: SettingBook) -> LossRule:
    """The farm's own numbers for judging losses."""
    return LossRule(
        prior_dead=book.number("loss_prior_dead"),
        prior_alive=book.number("loss_prior_alive"),
        line=book.number("loss_line"),
        sure=book.number("loss_sure"),
        least_pieces=book.whole("loss_least_pieces"),
    )


def lane_records(*, book: SettingBook) -> list[LaneRecord]:
    """Every lane's losses, the surest to be too many first."""
    rule = loss_rule(book=book)
    rows = [
        LaneRecord(row, judge_losses(pieces=row.pieces, dead=row.dead, rule=rule))
        for row in LaneLoss.objects.select_related("ship_to__customer")
    ]
    return sorted(rows, key=lambda row: -row.judged.chance)


def strain_records(*, book: SettingBook) -> list[StrainRecord]:
    """Every strain's losses on all lanes, the surest to be too many first."""
    rule = loss_rule(book=book)
    rows = [
        StrainRecord(row, judge_losses(pieces=row.pieces, dead=row.dead, rule=rule))
        for row in StrainLoss.objects.select_related("strain")
    ]
    return sorted(rows, key=lambda row: -row.judged.chance)


def rules_in_force(*, on: date) -> list[LaneRule]:
    """Signed rules that hold on a day or will hold later."""
    ended = Q(ends_on__isnull=False, ends_on__lte=on)
    rows = LaneRule.objects.exclude(ended).select_related("ship_to__customer", "signed_by")
    return list(rows)


def proposals(*, book: SettingBook, on: date) -> list[LaneRecord]:
    """Lanes whose losses ask for a tighter rule and that have none in force for it yet."""
    # A rule for caution lines names no box: it answers every size of its lane.
    ruled = {(rule.ship_to_id, rule.months, rule.box) for rule in rules_in_force(on=on)}
    return [
        row
        for row in lane_records(book=book)
        if row.judged.verdict == TIGHTEN
        and (row.loss.ship_to_id, row.loss.months, row.loss.box) not in ruled
        and (row.loss.ship_to_id, row.loss.months, "") not in ruled
    ]


@transaction.atomic
def sign_lane_rule(
    *,
    loss_id: int,
    kind: str,
    starts_on: date,
    reason: str,
    user: User,
    now: datetime,
) -> LaneRule:
    """Sign the rule that a lane's losses ask for; boxes planned from that day on obey it.

    Raises Unknown, LaneRuleInPast, LaneRuleHolds, LastBoxSize, ReasonMissing, NotAllowed.
    """
    user.must("sign_loss_rules")
    on = timezone.localdate(now)
    if starts_on < on:
        raise LaneRuleInPast(day=f"{starts_on:%-d %b %Y}")
    book = SettingBook.read(on=on)
    record = next((row for row in lane_records(book=book) if row.loss.pk == loss_id), None)
    if record is None or kind not in LaneRule.Kind.values:
        raise Unknown(kind="loss or rule", name=f"{loss_id} {kind}")
    loss = record.loss
    # Two people sign one after the other: the second reads what the first wrote.
    ShipTo.objects.select_for_update().get(pk=loss.ship_to_id)
    is_box = kind == LaneRule.Kind.NO_BOX
    rule = LaneRule(
        ship_to=loss.ship_to,
        kind=kind,
        box=loss.box if is_box else "",
        tighter_c=None if is_box else book.decimal("loss_tighter_c"),
        months=loss.months,
        because=record.words[:200],
        reason=reason.strip()[:300],
        starts_on=starts_on,
        signed_by=user,
        signed_at=now,
    )
    _refuse_second(rule, on)
    if is_box:
        _refuse_last_size(rule, on)
    note_change(
        what="lane rule",
        name=loss.ship_to.code,
        field=rule.get_kind_display(),
        was="",
        now_is=rule.words,
        starts_on=starts_on,
        reason=reason,
        user=user,
        at=now,
    )
    rule.save()
    return rule


def _refuse_second(rule: LaneRule, on: date) -> None:
    for other in rules_in_force(on=on):
        same = (other.ship_to_id, other.kind, other.box) == (
            rule.ship_to_id,
            rule.kind,
            rule.box,
        )
        if same and other.months in ("", rule.months):
            raise LaneRuleHolds(
                lane=rule.ship_to, since=f"{other.starts_on:%-d %b %Y}", words=other.words
            )


def _refuse_last_size(rule: LaneRule, on: date) -> None:
    gone = {row.box for row in rules_in_force(on=on) if row.ship_to_id == rule.ship_to_id}
    if not set(BoxKind.objects.values_list("code", flat=True)) - gone - {rule.box}:
        raise LastBoxSize(box=rule.box, lane=rule.ship_to)


@transaction.atomic
def end_lane_rule(*, rule_id: int, reason: str, user: User, now: datetime) -> LaneRule:
    """End a rule from today on; boxes planned before keep what they were planned with.

    Raises Unknown, ReasonMissing, NotAllowed.
    """
    user.must("sign_loss_rules")
    on = timezone.localdate(now)
    rule = LaneRule.objects.select_for_update(of=("self",)).filter(pk=rule_id).first()
    if rule is None or (rule.ends_on is not None and rule.ends_on <= on):
        raise Unknown(kind="rule in force", name=str(rule_id))
    note_change(
        what="lane rule",
        name=rule.ship_to.code,
        field=rule.get_kind_display(),
        was=rule.words,
        now_is="ended",
        reason=reason,
        user=user,
        at=now,
    )
    rule.ends_on = on
    rule.save(update_fields=["ends_on"])
    return rule


def terms_by_lane(*, on: date, months: str) -> dict[int, LaneTerms]:
    """What the rules ask of every lane that has any, for boxes that leave on a day. One statement.

    Of two degrees the greater holds.
    """
    ended = Q(ends_on__isnull=False, ends_on__lte=on)
    rules = LaneRule.objects.filter(starts_on__lte=on, months__in=("", months)).exclude(ended)
    found: dict[int, list[LaneRule]] = {}
    for rule in rules:
        found.setdefault(rule.ship_to_id, []).append(rule)
    return {lane: _terms(rows) for lane, rows in found.items()}


def _terms(rules: Sequence[LaneRule]) -> LaneTerms:
    degrees = [rule.tighter_c for rule in rules if rule.tighter_c is not None]
    return LaneTerms(
        tighter_c=float(max(degrees, default=Decimal(0))),
        no_boxes=frozenset(rule.box for rule in rules if rule.box),
    )
