"""HOP 12b credit: what a report is worth, who agrees it, and the moves of a credit.

Call from: shipping/arrivals.py, shipping/losses.py, shipping/credit_pages.py.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove
from inventory.models import Happening
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.calc.pricing import BoxLoss, DeadPieces, credit_amount, freight_credit
from orders.calc.weeks import time_text
from shipping.models import ArrivalReport, Bag, Credit, PackPlan, ReportLine, ReportPhoto, Shipment

# What is left of a credit when the buyer took the late risk and the box came late: terms of sale.
LATE_RISK_SHARE = Decimal("0.5")
MOVES: dict[str, set[str]] = {
    "drafted": {"approved", "void"},
    "approved": {"applied"},
    "applied": set(),
    "void": set(),
}


class CreditTooLarge(FarmError):
    code = "credit_too_large"
    status = 422
    title = "More than the goods are worth"
    message = "{amount} is more than {most}, the price paid for what was reported. Enter less."


@dataclass(frozen=True, slots=True)
class Claim:
    """What a report comes to before anyone agrees to it. Money at the prices paid."""

    amount: Decimal
    freight: Decimal
    dead_bags: int
    bags: int
    has_all_photos: bool
    is_dead_only: bool
    is_halved: bool
    words: str


def reckon_claim(*, report: ArrivalReport, is_cause_ours: bool) -> Claim:
    """Pieces times the price paid, freight only for boxes more than half dead by our fault.

    Half where the buyer took the late risk and the box came late.
    """
    shipment = report.shipment
    lines = list(report.lines.select_related("line__listing__strain_form__form"))
    bags = list(shipment.bags.filled().order_by("box__number", "code"))
    is_halved = _is_late_risk_taken(shipment, report)
    amount = credit_amount(
        losses=[_loss(row) for row in lines],
        share=LATE_RISK_SHARE if is_halved else Decimal(1),
    )
    return Claim(
        amount=amount,
        freight=_freight(shipment, lines, bags, is_cause_ours),
        dead_bags=sum(_lost_bags(row, bags) for row in lines),
        bags=len(bags),
        has_all_photos=_has_all_photos(report, lines),
        is_dead_only=not any(row.missing or row.wrong for row in lines),
        is_halved=is_halved,
        words=_sum_words(lines, amount, is_halved),
    )


def _unit(row: ReportLine) -> int:
    return int(row.line.listing.strain_form.form.unit_pieces)


def _lost(row: ReportLine) -> int:
    return row.dead + row.missing + row.wrong


def _loss(row: ReportLine) -> DeadPieces:
    return DeadPieces(_lost(row), row.line.unit_price, _unit(row))


def _lost_bags(row: ReportLine, bags: Sequence[Bag]) -> int:
    """Ten dead propagules may lie in ten packs: every piece counts a bag until the bags run out."""
    return min(_lost(row), sum(bag.line_id == row.line_id for bag in bags))


def _is_late_risk_taken(shipment: Shipment, report: ArrivalReport) -> bool:
    if shipment.order is None or not shipment.order.is_late_risk_accepted:
        return False
    zone = shipment.ship_to.time_zone if shipment.ship_to else "UTC"
    delivered_at = shipment.delivered_at or report.filed_at
    lands_on = shipment.ship_on + timedelta(days=1)
    return delivered_at.astimezone(ZoneInfo(zone)).date() > lands_on


def _has_all_photos(report: ArrivalReport, lines: Sequence[ReportLine]) -> bool:
    """A box label, and for each dead piece, or pack with one, its own photo of the closed bag."""
    photos = list(report.photos.all())
    shown: dict[int | None, set[str]] = {}
    for photo in photos:
        if photo.kind == ReportPhoto.Kind.BAG:
            shown.setdefault(photo.line_id, set()).add(photo.path)
    has_label = any(photo.kind == ReportPhoto.Kind.LABEL for photo in photos)
    return has_label and all(
        len(shown.get(row.line_id, ())) >= -(-row.dead // _unit(row)) for row in lines
    )


def _sum_words(lines: Sequence[ReportLine], amount: Decimal, is_halved: bool) -> str:
    addends = [
        f"{_lost(row)} {row.line.listing.name} at {row.line.unit_price}"
        + (f" a pack of {_unit(row)}" if _unit(row) > 1 else "")
        for row in lines
        if _lost(row)
    ]
    half = ", half of it: the late risk was taken" if is_halved else ""
    return f"{' + '.join(addends)} = {amount}{half}"


def pieces_by_box(*, pieces: int, bags: Sequence[Bag]) -> dict[int | None, int]:
    """Pieces of one line told off to the boxes its bags lay in, by largest remainder.

    A report names the listing, not the box; where a line lay in two boxes its dead are shared by
    the bags, the lower box first among equals.
    """
    held: dict[int | None, int] = {}
    for bag in bags:
        held[bag.box_id] = held.get(bag.box_id, 0) + 1
    total = sum(held.values())
    if not total:
        return {}
    shares = {box: divmod(pieces * count, total) for box, count in held.items()}
    told = {box: whole for box, (whole, _) in shares.items()}
    by_rest = sorted(shares, key=lambda box: -shares[box][1])
    for box in by_rest[: pieces - sum(told.values())]:
        told[box] += 1
    return told


def _freight(
    shipment: Shipment, lines: Sequence[ReportLine], bags: Sequence[Bag], is_cause_ours: bool
) -> Decimal:
    plan = PackPlan.objects.filter(order=shipment.order, void_at=None).first()
    if plan is None or not is_cause_ours:
        return Decimal("0.00")
    dead: dict[int | None, int] = {}
    for row in lines:
        mine = [bag for bag in bags if bag.line_id == row.line_id]
        told = pieces_by_box(pieces=min(row.dead, len(mine)), bags=mine)
        for box_id, pieces in told.items():
            dead[box_id] = dead.get(box_id, 0) + pieces
    billables = [box["billable_lb"] for box in json.loads(plan.record)["boxes"]]
    losses = [
        BoxLoss(
            bags=sum(bag.box_id == box.pk for bag in bags),
            dead_bags=dead.get(box.pk, 0),
            billable_lb=billables[box.number - 1],
        )
        for box in shipment.boxes.order_by("number")
    ]
    return freight_credit(freight=plan.freight, boxes=losses, is_cause_ours=True)


def reasons_for_person(*, report: ArrivalReport, claim: Claim, book: SettingBook) -> list[str]:
    """Why a person has to look at a report; empty where the rule agrees to it."""
    zone = report.shipment.ship_to.time_zone if report.shipment.ship_to else "UTC"
    most_share = book.decimal("credit_bag_share")
    most_amount = book.decimal("credit_most")
    first_try = report.shipment.first_try
    outage = f"with the note {report.text!r}" if report.text else "without a note on an outage"
    reasons = {
        f"by the terms nothing is credited, since {report.shipment.get_first_try_display()}": bool(
            first_try
        ),
        f"filed {time_text(at=report.filed_at, zone=zone)}, the window ended "
        f"{time_text(at=report.due_at, zone=zone)}, {outage}": not report.is_in_time,
        "photos are missing": not claim.has_all_photos,
        "missing or wrong pieces are named": not claim.is_dead_only,
        f"{claim.dead_bags} of {claim.bags} bags is more than {most_share:.0%}": (
            claim.dead_bags > most_share * claim.bags
        ),
        f"{claim.amount} is more than {most_amount}": claim.amount > most_amount,
        "the late risk was taken": claim.is_halved,
    }
    return [words for words, stands in reasons.items() if stands]


def draft_credit(*, report: ArrivalReport, claim: Claim, reasons: Sequence[str]) -> Credit:
    """The credit of a report, drafted, with the sentence that says how it came about."""
    share = claim.dead_bags / claim.bags if claim.bags else 0
    tail = f"a person looks at it: {'; '.join(reasons)}" if reasons else "in time, agreed at once"
    sentence = (
        f"{claim.dead_bags} of {claim.bags} bags, {share:.1%}: {claim.words}; freight not "
        f"credited; {tail}."
    )
    return Credit.objects.create(
        report=report,
        amount=claim.amount,
        freight=Decimal("0.00"),
        sentence=sentence[:400],
        is_automatic=not reasons,
    )


def decide_credit(*, credit: Credit, claim: Claim, amount: Decimal | None, words: str) -> Credit:
    """Write what a person decided into a drafted credit. Raises CreditTooLarge, ForbiddenMove."""
    _refuse_unless(credit, Credit.State.DRAFTED, "decided anew")
    if amount is not None and not 0 <= amount <= claim.amount:
        raise CreditTooLarge(amount=amount, most=claim.amount)
    credit.amount = claim.amount if amount is None else amount
    credit.freight = claim.freight
    freight = f"freight {claim.freight}" if claim.freight else "freight not credited"
    credit.sentence = f"{claim.words}; {credit.amount} agreed, {freight}; {words}."[:400]
    credit.save(update_fields=["amount", "freight", "sentence"])
    return credit


def _refuse_unless(credit: Credit, state: str, wanted: str) -> None:
    if credit.state != state:
        why = {
            "approved": "it is agreed; apply it, and make a counter-entry where it was wrong",
            "applied": "it stands in the books; make a counter-entry",
            "void": "it was declined; the shop may report again",
        }.get(credit.state, "approve it first")
        raise ForbiddenMove(
            kind="Credit",
            name=credit.report.shipment.code,
            state=credit.get_state_display(),
            wanted=wanted,
            why=why,
        )


def approve_by_rule(*, credit: Credit, now: datetime) -> Credit:
    """Approve a credit that the rule agrees to, by nobody's name."""
    return _approve(credit, None, now)


@transaction.atomic
def approve_credit(*, credit: Credit, user: User, now: datetime) -> Credit:
    """Approve a drafted credit: the office up to its limit, the owner any. Raises NotAllowed."""
    user.must("approve_credit")
    credit = Credit.objects.select_for_update().get(pk=credit.pk)
    if not may_approve(credit=credit, user=user, now=now):
        user.must("approve_any_credit")
    if credit.report.state not in (
        ArrivalReport.State.AGREED,
        ArrivalReport.State.PART_AGREED,
    ):
        raise ForbiddenMove(
            kind="Credit",
            name=credit.report.shipment.code,
            state="drafted",
            wanted="approved",
            why="its report is not decided yet",
        )
    return _approve(credit, user, now)


def may_approve(*, credit: Credit, user: User, now: datetime) -> bool:
    """Whether a credit lies within what a person may approve."""
    return may_approve_amount(amount=credit.amount + credit.freight, user=user, now=now)


def may_approve_amount(*, amount: Decimal, user: User, now: datetime) -> bool:
    """The office up to its limit, the owner any. [$]"""
    most = SettingBook.read(on=timezone.localdate(now)).decimal("credit_most")
    within = user.may("approve_credit") and amount <= most
    return within or user.may("approve_any_credit")


def _approve(credit: Credit, user: User | None, now: datetime) -> Credit:
    _refuse_unless(credit, Credit.State.DRAFTED, "approved")
    credit.state, credit.approved_at, credit.approved_by = Credit.State.APPROVED, now, user
    credit.save(update_fields=["state", "approved_at", "approved_by"])
    shipment = credit.report.shipment
    facts: Mapping[str, object] = {
        "order": shipment.order.number if shipment.order else "",
        "customer": shipment.customer.code,
        "shipment": shipment.code,
        "amount": str(credit.amount),
        "freight": str(credit.freight),
        "is_by_person": user is not None,
        "reason": credit.sentence,
    }
    Happening.objects.create(kind="credit.approved", at=now, facts=facts)
    return credit


@transaction.atomic
def apply_credit(*, credit: Credit, user: User, now: datetime) -> Credit:
    """Note that an approved credit stands in the books; its report is closed."""
    user.must("approve_credit")
    credit = Credit.objects.select_for_update().get(pk=credit.pk)
    _refuse_unless(credit, Credit.State.APPROVED, "applied")
    credit.state = Credit.State.APPLIED
    credit.save(update_fields=["state"])
    ArrivalReport.objects.filter(pk=credit.report_id).update(state=ArrivalReport.State.CLOSED)
    facts = {"shipment": credit.report.shipment.code, "amount": str(credit.amount)}
    Happening.objects.create(kind="credit.applied", at=now, facts=facts)
    return credit


@transaction.atomic
def void_credit(*, credit: Credit, user: User) -> Credit:
    """Take back a drafted credit. One that was approved or applied needs a counter-entry."""
    user.must("approve_credit")
    credit = Credit.objects.select_for_update().get(pk=credit.pk)
    _refuse_unless(credit, Credit.State.DRAFTED, "void")
    credit.state = Credit.State.VOID
    credit.save(update_fields=["state"])
    return credit
