"""HOP 12 arrive: a shop's report -> credit, agreed by rule or by a person.

Call from: shipping/pages.py, shipping/arrival_api.py, config/scene_acts.py.
Locks: the shipment's row, so that two reports of one shipment are judged one after the other.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.utils import timezone
from django.utils.datastructures import MultiValueDict

from inventory import photos as photo_store
from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.models import Happening
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.calc.weeks import moment_of, report_due_at
from orders.models import Line, Order, Seat
from shipping.crediting import (
    approve_by_rule,
    approve_credit,
    decide_credit,
    draft_credit,
    may_approve,
    reasons_for_person,
    reckon_claim,
    void_credit,
)
from shipping.models import ArrivalReport, Credit, ReportLine, ReportPhoto, Shipment

OPEN_STATES = (ArrivalReport.State.FILED, ArrivalReport.State.LOOKED_AT)
MOVES: dict[str, set[str]] = {
    "filed": {"looked at"},
    "looked at": {"agreed", "part agreed", "declined"},
    "agreed": {"closed"},
    "part agreed": {"closed"},
    "declined": {"closed"},
    "closed": set(),
}


class NotDeliveredYet(FarmError):
    code = "not_delivered_yet"
    title = "Nothing has arrived yet"
    message = "Order {order} has no delivered shipment. Report when the boxes are there."


class ReportNotRight(FarmError):
    code = "report_not_right"
    status = 422
    title = "The report cannot be read"
    message = "Nothing was filed: {first}. Mend it and file again."


class MoreThanSent(FarmError):
    code = "more_than_sent"
    status = 422
    title = "More than was sent"
    message = (
        "{listing}: {sent} were sent and {before} are reported already, only {left} left. "
        "Report {left} or fewer."
    )


class ReportStillOpen(FarmError):
    code = "report_still_open"
    title = "A report on that line is open"
    message = "{listing} of shipment {shipment} has an open report. Wait until it is decided."


class PhotoUsedBefore(FarmError):
    code = "photo_used_before"
    title = "That photo belongs to another report"
    message = "{name} was sent with an earlier report of this order. Photograph this piece."


class PhotosMissing(FarmError):
    code = "photos_missing"
    title = "Dead pieces without photos"
    message = (
        "The report on {order} has no photos of dead pieces in their unopened bags. Ask for "
        "them, or let the owner sign an exception with its reason."
    )


@dataclass(frozen=True, slots=True)
class Arrived:
    """What a shop says of one listing, in single pieces."""

    listing: str
    dead: int = 0
    pale: int = 0
    missing: int = 0
    wrong: int = 0


@dataclass(frozen=True, slots=True)
class Photo:
    """One upload: a dead piece in its unopened bag, with its listing, or a box label."""

    kind: str
    content: bytes
    name: str = "photo"
    listing: str | None = None


def photos_of(uploads: MultiValueDict[str, UploadedFile]) -> list[Photo]:
    """The photos of a form or a multipart call, each field named "kind:listing" or just "kind"."""
    photos = []
    for name, files in uploads.lists():
        kind, _, listing = name.partition(":")
        for upload in files:
            content, shown = upload.read(), upload.name or "photo"
            photos.append(Photo(kind=kind, listing=listing or None, content=content, name=shown))
    return photos


def report_due(*, shipment: Shipment) -> datetime | None:
    """Last moment at which a report is in time; None while nothing has been delivered."""
    if shipment.delivered_at is None:
        return None
    book = SettingBook.read(on=timezone.localdate(shipment.delivered_at))
    window_h = book.whole("report_window_h")
    ship_to = shipment.ship_to
    if shipment.delivery != "depot" or ship_to is None:
        return report_due_at(received_at=shipment.delivered_at, window_h=window_h)
    if ship_to.opens_at is None:
        received_at = shipment.collected_at or shipment.delivered_at
        return report_due_at(received_at=received_at, window_h=window_h)
    zone = ship_to.time_zone
    arrived_on = shipment.delivered_at.astimezone(ZoneInfo(zone)).date()
    opens_at = moment_of(on=arrived_on, at=ship_to.opens_at, zone=zone)
    return report_due_at(
        received_at=shipment.collected_at,
        window_h=window_h,
        # A box that comes in after the depot opened can be collected from then on.
        opens_at=max(opens_at, shipment.delivered_at),
        depot_window_h=book.whole("depot_window_h"),
    )


@transaction.atomic
def file_report(
    *,
    order: Order,
    rows: Sequence[Arrived],
    photos: Sequence[Photo] = (),
    filed_at: datetime,
    user: User | None = None,
    bag_c: float | None = None,
    text: str = "",
) -> ArrivalReport:
    """File what arrived dead, pale, missing or wrong, and agree the credit where the rule allows.

    In time, with every photo, at most a tenth of the bags and little money: agreed at once.
    Anything else is drafted for a person. ``user`` is None for a customer's own program. Raises
    NotDeliveredYet, ReportNotRight, MoreThanSent, ReportStillOpen, PhotoUsedBefore, and what
    store_photo raises.
    """
    _refuse_stranger(order, user)
    shipment = _delivered_shipment(order)
    due_at = report_due(shipment=shipment)
    if due_at is None or filed_at < (shipment.delivered_at or filed_at):
        raise NotDeliveredYet(order=order.number)
    lines = _lines_by_listing(order)
    _check_rows(rows, lines)
    _check_counts(rows, lines, shipment)
    report = ArrivalReport.objects.create(
        shipment=shipment,
        filed_at=filed_at,
        filed_by=user,
        due_at=due_at,
        bag_c=bag_c,
        text=text[:500],
    )
    ReportLine.objects.bulk_create(
        ReportLine(
            report=report,
            line=lines[row.listing],
            dead=row.dead,
            pale=row.pale,
            missing=row.missing,
            wrong=row.wrong,
        )
        for row in rows
    )
    _keep_photos(report, photos, lines)
    facts = {"order": order.number, "customer": order.customer.code, "report": report.pk}
    Happening.objects.create(kind="report.filed", at=filed_at, facts=facts)
    _judge(report, filed_at)
    return report


def _refuse_stranger(order: Order, user: User | None) -> None:
    """Another customer's order does not exist for a buyer."""
    if user is None or user.may("order_for_customer"):
        return
    if not Seat.objects.filter(user=user, customer_id=order.customer_id).exists():
        raise Unknown(kind="order", name=order.number)


def _delivered_shipment(order: Order) -> Shipment:
    shipment = (
        Shipment.objects.select_for_update(of=("self",))
        .select_related("order__ship_to", "ship_to", "customer")
        .filter(order=order, state=Shipment.State.DELIVERED)
        .first()
    )
    if shipment is None:
        raise NotDeliveredYet(order=order.number)
    return shipment


def _lines_by_listing(order: Order) -> dict[str, Line]:
    lines = order.lines.select_related("listing__strain_form__form")
    return {line.listing.name: line for line in lines}


def _check_rows(rows: Sequence[Arrived], lines: Mapping[str, Line]) -> None:
    problems = []
    for index, row in enumerate(rows, 1):
        counts = (row.dead, row.pale, row.missing, row.wrong)
        if row.listing not in lines:
            words = f"{row.listing} is not on the order"
        elif [other.listing for other in rows].count(row.listing) > 1:
            words = f"{row.listing} stands on two rows"
        elif min(counts) < 0 or not any(counts):
            words = f"{row.listing}: a count is missing or below zero"
        else:
            continue
        problems.append({"row": index, "listing": row.listing, "detail": words})
    if problems or not rows:
        first = problems[0]["detail"] if problems else "no piece is named"
        raise ReportNotRight(first=first, rows=problems)


def _check_counts(rows: Sequence[Arrived], lines: Mapping[str, Line], shipment: Shipment) -> None:
    """No piece is reported twice, over all reports that were not declined."""
    sent: dict[int | None, int] = {}
    for line_id, pieces in shipment.bags.filled().values_list("line_id", "pieces"):
        sent[line_id] = sent.get(line_id, 0) + pieces
    told = ReportLine.objects.filter(report__shipment=shipment).select_related("report")
    for row in rows:
        line = lines[row.listing]
        mine = [
            other
            for other in told
            if other.line_id == line.pk and other.report.state != ArrivalReport.State.DECLINED
        ]
        before = sum(other.dead + other.missing + other.wrong for other in mine)
        left = sent.get(line.pk, 0) - before
        if row.dead + row.missing + row.wrong > left or row.pale > sent.get(line.pk, 0):
            raise MoreThanSent(
                listing=row.listing, sent=sent.get(line.pk, 0), before=before, left=max(0, left)
            )
        if any(other.report.state in OPEN_STATES for other in mine):
            raise ReportStillOpen(listing=row.listing, shipment=shipment.code)


def _keep_photos(report: ArrivalReport, photos: Sequence[Photo], lines: Mapping[str, Line]) -> None:
    earlier = ReportPhoto.objects.filter(
        report__shipment=report.shipment, kind=ReportPhoto.Kind.BAG
    ).exclude(report=report)
    known = {path.rsplit("/", 1)[-1] for path in earlier.values_list("path", flat=True)}
    for photo in photos:
        if photo.kind not in ReportPhoto.Kind.values:
            raise Unknown(kind="kind of photo", name=photo.kind)
        if photo.listing is not None and photo.listing not in lines:
            raise Unknown(kind="listing on the order", name=photo.listing)
        key = f"{photo_store.photo_key(content=photo.content)}.jpg"
        if photo.kind == ReportPhoto.Kind.BAG and key in known:
            raise PhotoUsedBefore(name=photo.name)
        path = photo_store.store_photo(
            content=photo.content, name=photo.name, folder=report.shipment.code
        )
        line = lines[photo.listing] if photo.listing else None
        ReportPhoto.objects.create(report=report, kind=photo.kind, line=line, path=path)


def _judge(report: ArrivalReport, filed_at: datetime) -> None:
    """Draft the credit, and agree to it at once where nothing asks for a person."""
    claim = reckon_claim(report=report, is_cause_ours=False)
    if not claim.amount:
        return
    book = SettingBook.read(on=timezone.localdate(filed_at))
    reasons = reasons_for_person(report=report, claim=claim, book=book)
    credit = draft_credit(report=report, claim=claim, reasons=reasons)
    if not reasons:
        _move(report, ArrivalReport.State.LOOKED_AT)
        _move(report, ArrivalReport.State.AGREED)
        approve_by_rule(credit=credit, now=filed_at)


def _move(report: ArrivalReport, state: str) -> None:
    if state not in MOVES[report.state]:
        raise ForbiddenMove(
            kind="Report on",
            name=report.shipment.code,
            state=report.get_state_display(),
            wanted=state,
            why="that is not a move a report makes",
        )
    report.state = state
    report.save(update_fields=["state"])


@transaction.atomic
def decide_report(
    *,
    report: ArrivalReport,
    verdict: str,
    user: User,
    now: datetime,
    reason: str,
    is_our_fault: bool = False,
    amount: Decimal | None = None,
) -> ArrivalReport:
    """A person agrees to a report, to part of it, or declines it, with the reason.

    The credit is approved with it where it lies within what that person may approve; a larger one
    stays drafted for the owner. Freight is given back only for a box more than half dead by our
    fault. Raises ForbiddenMove, PhotosMissing, CreditTooLarge.
    """
    user.must("approve_credit")
    report = ArrivalReport.objects.select_for_update().get(pk=report.pk)
    if report.state == ArrivalReport.State.FILED:
        _move(report, ArrivalReport.State.LOOKED_AT)
    if verdict != ArrivalReport.State.DECLINED:
        _refuse_unseen(report, user)
    _move(report, verdict)
    report.is_our_fault = is_our_fault
    report.save(update_fields=["is_our_fault"])
    credit = Credit.objects.filter(report=report).first()
    if credit is None:
        return report
    if verdict == ArrivalReport.State.DECLINED:
        void_credit(credit=credit, user=user)
        return report
    claim = reckon_claim(report=report, is_cause_ours=is_our_fault)
    decide_credit(credit=credit, claim=claim, amount=amount, words=reason)
    if may_approve(credit=credit, user=user, now=now):
        approve_credit(credit=credit, user=user, now=now)
    return report


def _refuse_unseen(report: ArrivalReport, user: User) -> None:
    """Dead pieces that nobody saw are agreed by the owner alone, who signs for the exception."""
    is_shown = report.photos.filter(kind=ReportPhoto.Kind.BAG).exists()
    has_dead = report.lines.filter(dead__gt=0).exists()
    if has_dead and not is_shown and not user.may("approve_any_credit"):
        raise PhotosMissing(order=report.shipment.code)
