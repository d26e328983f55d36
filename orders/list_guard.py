"""HOP 5c the list's guard: what is old or missing is named and signed before a list goes out.

Call from: config/ticking.py, config/playing.py, orders/publish_pages.py.
Locks: the ship week's row.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove, ReasonMissing
from inventory.models import Listing
from inventory.people import User
from orders.listing import DraftLine, draft_list, newest_version, prices_on, publish_list
from orders.models import Line, ListLine, ListSignature, ListVersion, ShipWeek

KINDS = {"no price": "without a price", "no photo": "without a photo", "old count": "old counts"}


class ListChangedSince(FarmError):
    code = "list_changed_since"
    title = "The list has changed since"
    message = (
        "The list of {week} is another one than you were shown. Nothing was signed. Look at it "
        "again below."
    )


class NothingToCorrect(FarmError):
    code = "nothing_to_correct"
    title = "There is nothing to correct"
    message = "The list of {week} says already what is true now; no new version is needed."


@dataclass(frozen=True, slots=True)
class Fault:
    """Something a buyer should not meet unsigned."""

    kind: str
    listing: str
    words: str

    @property
    def key(self) -> str:
        return f"{self.kind}: {self.listing}"


@dataclass(frozen=True, slots=True)
class Difference:
    """A line that differs from the newest version, and who has ordered it already."""

    listing: str
    was: str
    now: str
    orders: tuple[str, ...]


def faults_now(*, week: ShipWeek, now: datetime) -> list[Fault]:
    """What is old or missing on a list as it would go out now, missing prices first."""
    draft = draft_list(week=week, now=now)
    return _without_price(now) + _offered_faults(draft)


def _without_price(now: datetime) -> list[Fault]:
    priced = prices_on(on=timezone.localdate(now))
    listings = Listing.objects.filter(strain_form__strain__is_making=True, look="")
    return [
        Fault("no price", name, "has no list price and would be left off")
        for name in listings.exclude(pk__in=priced).order_by("name").values_list("name", flat=True)
    ]


def _offered_faults(draft: Sequence[DraftLine]) -> list[Fault]:
    offered = [row for row in draft if row.status == ListLine.Status.OFFERED]
    photos = [
        Fault("no photo", row.listing.name, "has no photo on file")
        for row in offered
        if not row.listing.photo
    ]
    counts = [
        Fault("old count", row.listing.name, "its newest count is too old to rely on")
        for row in offered
        if row.is_old_count
    ]
    return photos + counts


def fault_words(faults: Sequence[Fault]) -> str:
    """47 old counts, 52 without a photo: in numbers, worst first."""
    kinds = [fault.kind for fault in faults]
    return ", ".join(f"{kinds.count(kind)} {KINDS[kind]}" for kind in KINDS if kind in kinds)


def unsigned_faults(*, week: ShipWeek, faults: Sequence[Fault]) -> list[Fault]:
    """Those that nobody has signed yet."""
    signed = {key for row in ListSignature.objects.filter(week=week) for key in row.faults}
    return [fault for fault in faults if fault.key not in signed]


def mark_of(week: ShipWeek, faults: Sequence[Fault], differences: Sequence[Difference] = ()) -> str:
    """Stands for exactly what a person was shown."""
    rows = [[row.listing, row.was, row.now] for row in differences]
    text = json.dumps([week.name, [fault.key for fault in faults], rows])
    return hashlib.sha256(text.encode()).hexdigest()


@transaction.atomic
def sign_list(*, week: ShipWeek, mark: str, now: datetime, user: User) -> ListSignature:
    """Let a list go out as it stands, with all that was named. It still goes out at its hour.

    Raises NotAllowed, ListChangedSince.
    """
    user.must("publish_list")
    week = ShipWeek.objects.select_for_update().get(pk=week.pk)
    faults = faults_now(week=week, now=now)
    if mark != mark_of(week, faults):
        raise ListChangedSince(week=week.name)
    keys = [fault.key for fault in faults]
    return ListSignature.objects.create(week=week, faults=keys, user=user, at=now)


def differences_now(*, week: ShipWeek, now: datetime) -> list[Difference]:
    """Lines that a new version would change, with the orders that have them already."""
    last = newest_version(week=week)
    if last is None:
        return []
    before = {row.listing_id: row for row in last.lines.select_related("listing")}
    draft = {row.listing.pk: row for row in draft_list(week=week, now=now)}
    orders: dict[int, list[str]] = {}
    lines = Line.objects.filter(order__week=week).exclude(
        state__in=[Line.State.WITHDRAWN, Line.State.REFUSED]
    )
    for listing_id, number, town in lines.order_by("order__number").values_list(
        "listing_id", "order__number", "order__ship_to__customer__name"
    ):
        orders.setdefault(listing_id, []).append(f"{number} {town}")
    found = []
    for listing_id in before.keys() | draft.keys():
        was, now_is = before.get(listing_id), draft.get(listing_id)
        was_words = _line_words(was) if was else "not on the list"
        now_words = _draft_words(now_is) if now_is else "not on the list"
        if was_words != now_words:
            name = now_is.listing.name if now_is else was.listing.name if was else ""
            touched = tuple(orders.get(listing_id, []))
            found.append(Difference(name, was_words, now_words, touched))
    return sorted(found, key=lambda row: row.listing)


def _line_words(row: ListLine) -> str:
    return _words(row.status, row.can_promise, str(row.price_tier_1), row.reason or row.note)


def _draft_words(row: DraftLine) -> str:
    return _words(row.status, row.can_promise, str(row.prices[0]), row.reason or row.note)


def _words(status: str, units: int, price: str, reason: str) -> str:
    count = f" {units}" if units else ""
    return f"{status}{count} at {price}" + (f"; {reason}" if reason else "")


@transaction.atomic
def correct_list(
    *, week: ShipWeek, mark: str, reason: str, now: datetime, user: User
) -> ListVersion:
    """Publish what is true now as the next version; what is old or missing is signed with it.

    Raises ReasonMissing, NothingToCorrect, ListChangedSince, ForbiddenMove, NotAllowed.
    """
    user.must("publish_list")
    if not reason.strip():
        raise ReasonMissing(what=f"a correction of the list of {week.name}")
    week = ShipWeek.objects.select_for_update().get(pk=week.pk)
    if week.published_at is None:
        raise ForbiddenMove(
            kind="The list of",
            name=week.name,
            state="not out",
            wanted="corrected",
            why="only a list that is out can be; sign what is missing instead",
        )
    faults = faults_now(week=week, now=now)
    differences = differences_now(week=week, now=now)
    if mark != mark_of(week, faults, differences):
        raise ListChangedSince(week=week.name)
    if not differences:
        raise NothingToCorrect(week=week.name)
    if faults:
        keys = [fault.key for fault in faults]
        ListSignature.objects.create(week=week, faults=keys, user=user, at=now)
    return publish_list(week=week, now=now, user=user, reason=reason.strip())


def due_weeks(*, now: datetime) -> list[ShipWeek]:
    """Weeks whose list should be out by its hour and is not."""
    due = ShipWeek.objects.filter(
        publish_at__lte=now, cut_off_at__gte=now, published_at__isnull=True
    )
    return list(due.order_by("monday"))


def publish_due_lists(*, now: datetime) -> list[ListVersion]:
    """Publish every list whose hour has come and that is whole or signed. Safe to run twice."""
    published = [_publish_due(week.pk, now) for week in due_weeks(now=now)]
    return [version for version in published if version is not None]


@transaction.atomic
def _publish_due(week_id: int, now: datetime) -> ListVersion | None:
    """The first version, by whichever of two loops has the week's row first.

    A list that waited for its signature goes out as of the signature, never before it.
    """
    week = ShipWeek.objects.select_for_update().get(pk=week_id)
    if week.published_at:
        return None
    signed = week.signatures.filter(at__lte=now).order_by("-at").first()
    goes_out_at = max(week.publish_at, signed.at) if signed else week.publish_at
    faults = faults_now(week=week, now=goes_out_at)
    if unsigned_faults(week=week, faults=faults):
        return None
    return publish_list(week=week, now=goes_out_at)
