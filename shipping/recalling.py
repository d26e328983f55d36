"""HOP recall: a place and days back -> pieces, bags, boxes, shops, notices.

Call from: shipping/recall_pages.py, management command `demo`, tests.
Locks: the recall's row. A recall goes by the system and tray that stood on the bag when it was
tied, not by where a tray stands today; a lot that was moved out of the place within the days looked
back is followed to its new tray.
"""

import json
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Case, DateTimeField, F, OuterRef, Q, Subquery, Value, When
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove, Unknown
from inventory.holds import SCOPES, ReasonMissing
from inventory.models import Happening, Hold, Movement
from inventory.people import User
from orders.models import Customer
from shipping.models import Bag, Recall, RecallNotice

MOST_DAYS_BACK = 1100


class DaysBackUnreadable(FarmError):
    code = "days_back_unreadable"
    status = 422
    title = "That look-back cannot be"
    message = "{days} days back cannot be looked at. Type a whole number from 0 to {most}."


class NothingToNotify(FarmError):
    code = "nothing_to_notify"
    title = "Nothing has left from there"
    message = "{recall} found no piece that has left; there is nobody to tell. Drop it instead."


@dataclass(frozen=True, slots=True)
class TracedBag:
    """One bag that a place has filled, from tray to shop."""

    shipment: str
    handed_over_on: str
    customer: str
    customer_name: str
    ship_to: str
    order: str
    box: int | None
    bag: str
    strain: str
    name: str
    taxon: str
    form: str
    pieces: int
    tray: str
    system: str
    lot: str
    is_toxic: bool
    is_here: bool
    is_moved: bool


def trace(*, scope_kind: str, scope: str, from_on: date) -> list[TracedBag]:
    """Every bag filled from a place and handed over on or after a farm day, in one statement.

    Bags that still lie on the bench come too (``is_here``). ``is_moved`` marks a bag from another
    place whose lot stood in the asked one within the days looked back. Raises Unknown.
    """
    inside, moved_from = _conditions(scope_kind, scope)
    begin = timezone.make_aware(datetime.combine(from_on, datetime.min.time()))
    moved_out = Movement.objects.filter(moved_from, at__gte=begin, to_place__tray__isnull=False)
    # Looked up for the few bags from elsewhere only: asked of every bag it takes minutes.
    first_out = moved_out.filter(lot=OuterRef("lot")).order_by("at").values("at")[:1]
    bags = (
        Bag.objects.filled()
        .filter(
            Q(shipment__handed_over_at__gte=begin)
            | Q(shipment__handed_over_at__isnull=True, state__in=Bag.HERE)
        )
        .filter(inside | Q(lot__in=moved_out.values("lot")))
        .annotate(
            moved_at=Case(
                When(inside, then=Value(None)),
                default=Subquery(first_out),
                output_field=DateTimeField(),
            )
        )
        .order_by(F("shipment__handed_over_at").asc(nulls_last=True), "shipment__code", "code")
    )
    rows = bags.values(*_COLUMNS, "tied_at", "moved_at")
    return [
        _traced(row) for row in rows if not row["moved_at"] or row["moved_at"] <= row["tied_at"]
    ]


def _conditions(scope_kind: str, scope: str) -> tuple[Q, Q]:
    """What makes a bag one of that place, and what makes a move one out of it."""
    if scope_kind not in SCOPES:
        raise Unknown(kind="kind of place", name=scope_kind or "(none)")
    model, words = SCOPES[scope_kind]
    target = model.objects.filter(code=scope).first()
    if target is None:
        raise Unknown(kind=words, name=scope or "(none)")
    if scope_kind == "system":
        # Troughs do not change their system, so a move's own places tell which water it left.
        return (
            Q(system=target),
            Q(from_place__tray__trough__system=target) & ~Q(to_place__tray__trough__system=target),
        )
    if scope_kind == "trough":
        return (
            Q(tray__trough=target),
            Q(from_place__tray__trough=target) & ~Q(to_place__tray__trough=target),
        )
    if scope_kind == "tray":
        return Q(tray=target), Q(from_place__tray=target)
    # A lot takes its own name along wherever it moves: no move leads out of it.
    return Q(lot=target), Q(lot=target, from_place__tray__isnull=True)


_COLUMNS = (
    "code",
    "pieces",
    "state",
    "is_toxin",
    "box__number",
    "tray__code",
    "system__code",
    "lot__code",
    "shipment__code",
    "shipment__handed_over_at",
    "shipment__customer__code",
    "shipment__customer__name",
    "shipment__ship_to__town",
    "shipment__order__number",
    "listing__strain_form__strain__key",
    "listing__strain_form__strain__name",
    "listing__strain_form__strain__taxon",
    "listing__strain_form__form__name",
)


def _traced(row: dict[str, Any]) -> TracedBag:
    left_at = row["shipment__handed_over_at"]
    return TracedBag(
        shipment=row["shipment__code"],
        handed_over_on=timezone.localdate(left_at).isoformat() if left_at else "",
        customer=row["shipment__customer__code"],
        customer_name=row["shipment__customer__name"],
        ship_to=row["shipment__ship_to__town"] or "",
        order=row["shipment__order__number"] or "",
        box=row["box__number"],
        bag=row["code"],
        strain=row["listing__strain_form__strain__key"],
        name=row["listing__strain_form__strain__name"],
        taxon=row["listing__strain_form__strain__taxon"],
        form=row["listing__strain_form__form__name"],
        pieces=row["pieces"],
        tray=row["tray__code"],
        system=row["system__code"],
        lot=row["lot__code"] or "",
        is_toxic=row["is_toxin"],
        is_here=left_at is None,
        is_moved=row["moved_at"] is not None,
    )


def left_alone_pieces(*, bags: Sequence[TracedBag]) -> int:
    """Pieces in the same shipments that are not recalled, since they stood elsewhere."""
    left = {bag.shipment for bag in bags if not bag.is_here}
    rows = Bag.objects.filled().filter(shipment__code__in=left)
    others = rows.exclude(code__in=[bag.bag for bag in bags]).values_list("pieces", flat=True)
    return sum(others)


def ask_recall(
    *,
    now: datetime,
    user: User,
    hold: Hold | None = None,
    scope_kind: str = "",
    scope: str = "",
    reason: str = "",
    look_back_days: int | None = None,
    is_drill: bool = False,
) -> Recall:
    """Trace a place and draft a notice for each shop. Nothing is sent before it is signed.

    A hold brings its own place, reason and days back, counted from the day it was raised; without
    one they are counted from today. Raises Unknown, ReasonMissing, DaysBackUnreadable, NotAllowed.
    """
    user.must("ask_recall")
    if hold is not None:
        scope_kind, scope = _scope_of(hold)
        reason = reason or hold.reason
    if not reason:
        raise ReasonMissing(what="a recall")
    days = look_back_days if look_back_days is not None else (hold.look_back_days if hold else 21)
    if not 0 <= days <= MOST_DAYS_BACK:
        raise DaysBackUnreadable(days=days, most=MOST_DAYS_BACK)
    start = hold.raised_on if hold else timezone.localdate(now)
    began_at, began_s = timezone.now(), time.monotonic()
    bags = trace(scope_kind=scope_kind, scope=scope, from_on=start - timedelta(days=days))
    traced_s = time.monotonic() - began_s
    return _draft(
        bags,
        hold=hold,
        scope_kind=scope_kind,
        scope=scope,
        reason=reason[:200],
        is_confirmed=hold is not None and hold.grade == Hold.Grade.CONFIRMED,
        look_back_days=days,
        from_on=start - timedelta(days=days),
        is_drill=is_drill,
        asked_at=now,
        asked_by=user,
        clock_began_at=began_at,
        traced_s=traced_s,
    )


def _scope_of(hold: Hold) -> tuple[str, str]:
    for kind in SCOPES:
        target = getattr(hold, kind)
        if target is not None:
            return kind, target.code
    raise Unknown(kind="place of hold", name=hold.code)


@transaction.atomic
def _draft(bags: list[TracedBag], **fields: Any) -> Recall:
    recall = Recall.objects.create(
        code=f"RC-new-{fields['clock_began_at']:%S%f}"[:12],
        pieces=sum(bag.pieces for bag in bags if not bag.is_here),
        result=json.dumps([asdict(bag) for bag in bags], ensure_ascii=False),
        **fields,
    )
    # The number follows the row's key: two asked at once never get the same.
    recall.code = f"RC-{recall.pk}"
    recall.save(update_fields=["code"])
    gone = [bag for bag in bags if not bag.is_here]
    customers = Customer.objects.in_bulk({bag.customer for bag in gone}, field_name="code")
    RecallNotice.objects.bulk_create(
        RecallNotice(
            recall=recall,
            customer=customer,
            pieces=sum(bag.pieces for bag in gone if bag.customer == code),
            text=notice_text(recall=recall, bags=[bag for bag in gone if bag.customer == code]),
        )
        for code, customer in sorted(customers.items())
    )
    return recall


def notice_text(*, recall: Recall, bags: Sequence[TracedBag]) -> str:
    """What one shop is told: what, how sure, which pieces, what to do, and what it may choose."""
    sure = "This is confirmed." if recall.is_confirmed else "It is suspected, not confirmed."
    place = {"system": "water system", "lot": "lot"}.get(recall.scope_kind, recall.scope_kind)
    parts = [
        f"Pieces that reached you since {recall.from_on:%-d %b %Y} stood at our farm in {place} "
        f"{recall.scope}, where this was found: {recall.reason}. {sure}",
        "The pieces are:\n" + "\n".join(_shipment_words(bags)),
        "Keep them apart, in water that runs to no other tank, with nets and tools of their own. "
        "Look under every plug and base for what is named above, and again a week later. "
        "Do not move, sell or trade them until you hear from us.",
    ]
    if any(bag.is_toxic for bag in bags):
        parts.append(
            "Some of them are zoanthids that can carry palytoxin: wear gloves and goggles, never "
            "scrape, heat or boil them, and do not dip them without reading the cautions. If you "
            'feel ill after handling them, tell a doctor "possible palytoxin".'
        )
    parts.append(
        "Tell us what you choose: keep and watch them, or a credit. If you find it, send a photo. "
        "For treatment ask a professional of aquatic animal health; if your authority wants to be "
        "told of such a find, follow its rules."
    )
    return "\n\n".join(parts)


def _shipment_words(bags: Sequence[TracedBag]) -> list[str]:
    groups: dict[tuple[str, str, int | None], dict[str, int]] = {}
    for bag in bags:
        rows = groups.setdefault((bag.shipment, bag.handed_over_on, bag.box), {})
        label = f"{bag.name} ({bag.taxon}), {bag.form}"
        rows[label] = rows.get(label, 0) + bag.pieces
    return [
        f"{shipment}, sent {date.fromisoformat(on):%a %-d %b}, box {box or '?'}: "
        + "; ".join(f"{pieces} {label}" for label, pieces in rows.items())
        for (shipment, on, box), rows in groups.items()
    ]


@transaction.atomic
def sign_recall(*, recall: Recall, user: User, now: datetime) -> Recall:
    """Sign a recall: notices and events go out, a shop each. A drill only stops its timer.

    Raises ForbiddenMove, NothingToNotify, NotAllowed.
    """
    user.must("sign_recall")
    recall = _open_recall(recall, "signed")
    if not recall.is_drill and not recall.pieces:
        raise NothingToNotify(recall=recall.code)
    _end(recall, Recall.State.SIGNED, user, now)
    if not recall.is_drill:
        _tell(recall, now)
    return recall


@transaction.atomic
def drop_recall(*, recall: Recall, user: User, now: datetime) -> Recall:
    """Put a drafted recall away; nobody was told."""
    user.must("sign_recall")
    recall = _open_recall(recall, "dropped")
    _end(recall, Recall.State.DROPPED, user, now)
    return recall


def _open_recall(recall: Recall, wanted: str) -> Recall:
    recall = Recall.objects.select_for_update().get(pk=recall.pk)
    if recall.state != Recall.State.DRAFTED:
        raise ForbiddenMove(
            kind="Recall",
            name=recall.code,
            state=recall.get_state_display(),
            wanted=wanted,
            why="only a drafted recall is signed or dropped; ask for a new one",
        )
    return recall


def _end(recall: Recall, state: str, user: User, now: datetime) -> None:
    recall.state, recall.ended_at, recall.ended_by = state, now, user
    recall.clock_ended_at = timezone.now()
    recall.save(update_fields=["state", "ended_at", "ended_by", "clock_ended_at"])


def _tell(recall: Recall, now: datetime) -> None:
    facts = {"recall": recall.code, "scope": recall.scope, "reason": recall.reason}
    Happening.objects.create(kind="recall.signed", at=now, facts=facts)
    bags = read_result(recall)
    for notice in recall.notices.select_related("customer"):
        mine = [bag for bag in bags if bag.customer == notice.customer.code and not bag.is_here]
        about = {
            "customer": notice.customer.code,
            "recall": recall.code,
            "reason": recall.reason,
            "is_confirmed": recall.is_confirmed,
            "pieces": notice.pieces,
            "shipments": sorted({bag.shipment for bag in mine}),
            "strains": sorted({bag.strain for bag in mine}),
        }
        Happening.objects.create(kind="recall.notice", at=now, facts=about)


def read_result(recall: Recall) -> list[TracedBag]:
    """The bags as they were traced when the recall was asked for."""
    return [TracedBag(**row) for row in json.loads(recall.result)]


@transaction.atomic
def answer_notice(
    *, notice: RecallNotice, answer: str, note: str, user: User, now: datetime
) -> RecallNotice:
    """Keep what a shop chose. It may change its mind; the newest answer stands."""
    if answer not in RecallNotice.Answer.values or not answer:
        raise Unknown(kind="answer", name=answer or "(none)")
    notice.answer, notice.answer_note = answer, note[:300]
    notice.answered_at, notice.answered_by = now, user
    notice.save(update_fields=["answer", "answer_note", "answered_at", "answered_by"])
    facts = {
        "recall": notice.recall.code,
        "shop": notice.customer.code,
        "answer": answer,
        "note": note[:300],
    }
    Happening.objects.create(kind="recall.answered", at=now, facts=facts)
    return notice
