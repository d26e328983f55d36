"""HOP 5f quantities: what an open list could offer now -> a happening for each line that moved.

Call from: config/ticking.py; orders/api.py reads what it leaves.
Locks: the snapshot's row, so that two loops never tell the same change twice.

A published line is frozen; recounts, deaths, pencils and passing days move what is left of it. A
line is told once a pace, with where it stands by then, and only where its number as shown has
moved: one above the cap that stays above it tells nothing.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Max, Sum
from django.utils import timezone

from inventory.clock import has_waited
from inventory.models import Happening, Movement
from inventory.setting_book import SettingBook
from orders.listing import DraftLine, draft_list, newest_version, shown_words
from orders.models import ListLine, PromisedTotal, QuantitySnapshot, ShipWeek

# What moves a number without a trace of its own, such as a date that passes, is found by then.
LOOK_ANYWAY_EVERY = timedelta(minutes=10)
# Written by the looks themselves: they are no reason to look again.
OWN_KINDS = ("line.quantity", "list.published")
# These say by themselves that nothing of a line can be had.
SAID_BY_ITSELF = frozenset({"line.rested", "line.sold_through"})


@dataclass(frozen=True, slots=True)
class Standing:
    """What a buyer can be told of one line now. [sale units]"""

    status: str
    shown: int
    is_more: bool

    @property
    def words(self) -> str:
        return shown_words(self.shown, self.shown + self.is_more)


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """A rest or a sell-through says its own zero: no number goes out beside it."""
    if happening.kind in SAID_BY_ITSELF:
        _keep_zero(happening.facts["listing"], happening.kind)


def _keep_zero(listing: str, kind: str) -> None:
    status = ListLine.Status.RESTING if kind == "line.rested" else ListLine.Status.SOLD_THROUGH
    open_ones = QuantitySnapshot.objects.select_for_update().filter(week__closed_at__isnull=True)
    for snapshot in open_ones.order_by("pk"):
        kept = standings_of(snapshot)
        if listing in kept:
            kept[listing] = Standing(status, 0, is_more=False)
            snapshot.body = _text_of(kept)
            snapshot.save(update_fields=["body"])


def standings_of(snapshot: QuantitySnapshot) -> dict[str, Standing]:
    """What was told of last, by listing."""
    return {name: Standing(*row) for name, row in json.loads(snapshot.body).items()}


def told_of(*, week: ShipWeek) -> dict[str, Standing]:
    """What can be had of an open list's lines, as told of last; nothing of one that is closed."""
    if week.closed_at is not None:
        return {}
    snapshot = QuantitySnapshot.objects.filter(week=week).first()
    return standings_of(snapshot) if snapshot is not None else {}


def _text_of(kept: Mapping[str, Standing]) -> str:
    rows = {name: [row.status, row.shown, row.is_more] for name, row in kept.items()}
    return json.dumps(rows, ensure_ascii=False, separators=(",", ":"))


def tell_when_due(*, now: datetime) -> int:
    """Look at every open list where something has moved since. Returns how many lines are told."""
    weeks = ShipWeek.objects.filter(published_at__lte=now, closed_at__isnull=True)
    return sum(_tell(week, now) for week in weeks.order_by("monday"))


def _tell(week: ShipWeek, now: datetime) -> int:
    snapshot = QuantitySnapshot.objects.filter(week=week).first() or _start(week)
    if not _is_due(snapshot, _mark(snapshot), now):
        return 0
    with transaction.atomic():
        snapshot = QuantitySnapshot.objects.select_for_update().get(pk=snapshot.pk)
        # Read after the wait, and before the numbers: what moves in between is looked at again.
        mark = _mark(snapshot)
        if not _is_due(snapshot, mark, now):
            return 0
        return _look(snapshot, mark, now)


def _start(week: ShipWeek) -> QuantitySnapshot:
    """The numbers start where the newest version has them: whoever read it has been told."""
    version = newest_version(week=week)
    assert version is not None and week.published_at is not None
    kept = {
        row.listing.name: Standing(row.status, row.shown, row.can_promise > row.shown)
        for row in version.lines.select_related("listing")
    }
    return QuantitySnapshot.objects.get_or_create(
        week=week, defaults={"at": version.published_at, "body": _text_of(kept)}
    )[0]


def _is_due(snapshot: QuantitySnapshot, mark: str, now: datetime) -> bool:
    if now - snapshot.at >= LOOK_ANYWAY_EVERY:
        return True
    if mark == snapshot.mark:
        return False
    book = SettingBook.read(on=timezone.localdate(now))
    pace = timedelta(seconds=book.whole("quantity_event_s"))
    return has_waited(since=snapshot.at, now=now, wait=pace)


def _mark(snapshot: QuantitySnapshot) -> str:
    """A cheap sign of whether stock, promises or anything told of has moved."""
    moved = Movement.objects.aggregate(last=Max("pk"))["last"]
    told = Happening.objects.exclude(kind__in=OWN_KINDS).order_by("-pk").values_list("pk").first()
    totals = PromisedTotal.objects.filter(week__monday__gte=snapshot.week.monday)
    held = totals.aggregate(pieces=Sum("pieces"))["pieces"]
    return f"{moved}/{told[0] if told else 0}/{held}"


def _look(snapshot: QuantitySnapshot, mark: str, now: datetime) -> int:
    week = snapshot.week
    before = standings_of(snapshot)
    draft = {row.listing.name: row for row in draft_list(week=week, now=now)}
    after = {name: _standing(row) for name, row in draft.items()}
    stated = _tell_status(week, draft, now)
    told = [
        name
        for name, row in after.items()
        if name not in stated and _has_moved(before.get(name), row)
    ]
    told += [name for name, row in before.items() if name not in after and row.shown]
    for name in sorted(told):
        gone = Standing(ListLine.Status.CLOSED, 0, is_more=False)
        _leave(week, name, before.get(name), after.get(name, gone), now)
    snapshot.at, snapshot.mark, snapshot.body = now, mark, _text_of(after)
    snapshot.save(update_fields=["at", "mark", "body"])
    return len(told)


def _standing(row: DraftLine) -> Standing:
    return Standing(row.status, row.shown, row.can_promise > row.shown)


def _has_moved(was: Standing | None, now: Standing) -> bool:
    if was is None:
        return bool(now.shown)
    return (was.shown, was.is_more) != (now.shown, now.is_more)


def _tell_status(week: ShipWeek, draft: Mapping[str, DraftLine], now: datetime) -> set[str]:
    """A line whose last piece went, or came back, by a count: the list writes its next version.

    Returns the lines that are told of by that and need no number beside it.
    """
    version = newest_version(week=week)
    if version is None:
        return set()
    stated = set()
    for line in version.lines.select_related("listing"):
        row = draft.get(line.listing.name)
        if row is None or (line.status, line.stop) == (row.status, row.stop):
            continue
        facts = {"listing": line.listing.name, "reason": row.reason or "some of it came back"}
        kind = "line.restated"
        if row.status == ListLine.Status.SOLD_THROUGH and line.status == ListLine.Status.OFFERED:
            kind = "line.sold_through"
            stated.add(line.listing.name)
        Happening.objects.create(kind=kind, at=now, facts=facts)
    return stated


def _leave(week: ShipWeek, name: str, was: Standing | None, row: Standing, now: datetime) -> None:
    before = was.words if was is not None else "none"
    facts = {
        "listing": name,
        "week": week.name,
        "status": row.status,
        "shown": row.shown,
        "is_more_than_shown": row.is_more,
        "reason": f"{row.words} can be had for {week.name} now, {before} before",
    }
    Happening.objects.create(kind="line.quantity", at=now, facts=facts)
