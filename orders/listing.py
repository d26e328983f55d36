"""HOP 5 list: can-promise, prices, rests -> numbered, frozen list versions.

Call from: config/ticking.py, orders/list_guard.py, orders/list_pages.py.
Locks: the ship week's row, so that two writers never take the same version number.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory.calc.season import closed_words
from inventory.errors import ForbiddenMove
from inventory.models import Happening, Listing
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.supply import Supply, Term
from orders.calc.pricing import unit_price
from orders.models import ListLine, ListVersion, Price, ShipWeek
from orders.promising import CanPromise, can_promise_all

# What took place -> the list may have changed and writes its next version by itself.
LIST_CHANGING = frozenset(
    {
        "line.rested",
        "line.returned",
        "colour.split",
        "hold.raised",
        "hold.confirmed",
        "hold.lifted",
        "hold.void",
        "line.sold_through",
        "line.back",
        "line.restated",
        "floor.lowered",
        "price.changed",
        "price.started",
        "strain.edited",
        "setting.changed",
        "setting.started",
    }
)


@dataclass(frozen=True, slots=True)
class DraftLine:
    """A line as it would be published now. Counts in sale units, terms in single pieces."""

    listing: Listing
    status: str
    stop: str
    reason: str
    note: str
    can_promise: int
    shown: int
    total: int
    gross: int
    terms: tuple[Term, ...]
    prices: tuple[Decimal, Decimal, Decimal]
    is_old_count: bool
    back: tuple[date | None, date | None, date | None]


def draft_list(
    *, week: ShipWeek, now: datetime, is_on_sale: bool = True, book: SettingBook | None = None
) -> list[DraftLine]:
    """Every line of a week's list as it stands now. Writes nothing."""
    on = timezone.localdate(now)
    book = book or SettingBook.read(on=on)
    promises = can_promise_all(week=week, on=on, is_on_sale=is_on_sale, book=book)
    prices = prices_on(on=on)
    listings = Listing.objects.select_related("strain_form__strain", "strain_form__form")
    lines = []
    for listing in listings.order_by(
        "strain_form__strain__strain_class__list_order", "strain_form__strain__key", "name"
    ):
        can = promises[listing.strain_form_id]
        if not can.stock.is_making or (listing.is_winter and not can.stock.is_resting):
            continue
        if listing.pk not in prices:
            continue  # named by orders/list_guard.py and signed before a list goes out without it
        lines.append(_draft_line(listing, can, prices[listing.pk], week, book))
    return lines


def prices_on(*, on: date) -> dict[int, Price]:
    """The price row in force of every listing on that farm day."""
    rows = Price.objects.filter(starts_on__lte=on).order_by("starts_on", "id")
    return {row.listing_id: row for row in rows}


def tier_prices(*, price: Price, book: SettingBook) -> tuple[Decimal, Decimal, Decimal]:
    """Unit prices for tiers 1, 2 and 3."""
    one, two, three = (
        unit_price(list_price=price.list_price, tier_factor=book.decimal(f"tier_{tier}_factor"))
        for tier in (1, 2, 3)
    )
    return one, two, three


def _draft_line(
    listing: Listing, can: CanPromise, price: Price, week: ShipWeek, book: SettingBook
) -> DraftLine:
    supply = can.supply
    is_stopped_by_colour = can.stock.is_resting and not listing.is_winter
    units = 0 if is_stopped_by_colour else can.units
    status, stop, reason = _status(listing, can, units, week)
    return DraftLine(
        listing=listing,
        status=status,
        stop=stop,
        reason=reason,
        note=_note(listing, supply) if status == ListLine.Status.OFFERED else "",
        can_promise=units,
        shown=min(units, book.whole("shown_cap")),
        total=units,
        gross=0 if is_stopped_by_colour else supply.units,
        terms=_terms_of(supply, is_stopped_by_colour, can),
        prices=tier_prices(price=price, book=book),
        is_old_count=supply.is_old_count,
        back=_back(can) if stop else (None, None, None),
    )


def _terms_of(supply: Supply, is_stopped_by_colour: bool, can: CanPromise) -> tuple[Term, ...]:
    terms = supply.terms
    if is_stopped_by_colour:
        return tuple(
            Term(why="resting", pieces=0, tray=term.tray, words="out of its selling colour")
            for term in terms
            if term.tray
        )
    taken = supply.units * supply.stock.unit - can.units * supply.stock.unit
    if taken and can.promised_pieces:
        return (*terms, Term(why="promised", pieces=-taken, words="promised already"))
    return terms


def _status(listing: Listing, can: CanPromise, units: int, week: ShipWeek) -> tuple[str, str, str]:
    """Status, stop and reason of a line that has that many units left."""
    supply, stock = can.supply, can.stock
    if stock.is_resting and not listing.is_winter:
        return "resting", "colour", _colour_reason(can)
    if units:
        return "offered", "", ""
    if supply.units:
        return "sold through", "", "all of it is promised"
    if any(row.why in ("closed", "later") for row in supply.terms) and _is_cohort(supply):
        return _season_status(supply, week)
    return _stopped_status(supply)


def _stopped_status(supply: Supply) -> tuple[str, str, str]:
    """Status of a line none of whose trays counts."""
    if supply.held_pieces:
        return "resting", "hold", _hold_reason(supply)
    if supply.gross_pieces:
        return "resting", "reserve", _reserve_reason(supply)
    if supply.pale_pieces:
        return "resting", "colour", _pale_reason(supply)
    if supply.care_pieces:
        return "resting", "care", "its care is not finished; it is not sold before"
    if supply.later_pieces:
        return "expected", "growing", _growing_reason(supply)
    if supply.stock.unit > 1 and supply.stock.drop_season:
        # No cohort fills a pack, or all of them have sprouted.
        return "closed", "season", closed_words(drop_season=supply.stock.drop_season)
    return "sold through", "", "none stands ready"


def _is_cohort(supply: Supply) -> bool:
    return any(row.cohort and row.state == "growing" for row in supply.stock.trays)


def _colour_reason(can: CanPromise) -> str:
    stock = can.stock
    since = f"{stock.rested_on:%-d %b}" if stock.rested_on else "its last look"
    reason = f"out of colour since {since}"
    if stock.back_likely_on and stock.back_from_on and stock.back_to_on:
        reason += (
            f"; back about {stock.back_likely_on:%-d %b} "
            f"({stock.back_from_on:%-d %b} to {stock.back_to_on:%-d %b})"
        )
    return reason


def _pale_reason(supply: Supply) -> str:
    pale = [row for row in supply.stock.trays if row.is_pale]
    systems = " and ".join(sorted({row.system for row in pale}))
    return f"out of colour in system {systems}, and none in colour stands elsewhere"


def _hold_reason(supply: Supply) -> str:
    held = [row for row in supply.stock.trays if row.is_held_in(supply.monday)]
    first = min(held, key=lambda row: row.held_since or date.max)
    until = max((row.held_until for row in held if row.held_until), default=None)
    back = f"; earliest back {until:%-d %b}" if until else ""
    return f"on hold since {first.held_since:%-d %b}: its water system is being watched{back}"


def _reserve_reason(supply: Supply) -> str:
    return (
        f"kept back as mothers: {supply.gap_pieces} more are needed to reach the floor of "
        f"{supply.stock.floor_pieces}"
    )


def _season_status(supply: Supply, week: ShipWeek) -> tuple[str, str, str]:
    """Propagules that have not opened: expected once they are as likely rooted as not."""
    growing = [row for row in supply.stock.trays if row.cohort and row.state == "growing"]
    first = min(growing, key=lambda row: row.p50_on or date.max)
    sample = next((row.words for row in supply.terms if row.why == "closed"), "")
    opens = f"opens about {first.p80_on:%-d %b}" if first.p80_on else "not rooted yet"
    reason = f"{opens}; {sample}" if sample else opens
    if first.p50_on and first.p50_on <= week.monday:
        return "expected", "season", reason
    return "closed", "season", f"still rooting: {reason}"


def _growing_reason(supply: Supply) -> str:
    days = [row.p80_on for row in supply.stock.trays if row.state == "growing" and row.p80_on]
    return f"growing; expected by {min(days):%-d %b}" if days else "growing"


def _note(listing: Listing, supply: Supply) -> str:
    notes = []
    if listing.is_winter:
        notes.append("its winter colour, at its own price")
    if supply.is_if_lifted:
        notes.append("if the hold lifts")
    if supply.is_old_count:
        notes.append("old count")
    return "; ".join(notes)


def _back(can: CanPromise) -> tuple[date | None, date | None, date | None]:
    if can.stock.is_resting:
        return can.stock.back_likely_on, can.stock.back_from_on, can.stock.back_to_on
    return None, None, None


@transaction.atomic
def publish_list(
    *, week: ShipWeek, now: datetime, user: User | None = None, reason: str = "first version"
) -> ListVersion:
    """Freeze the list as the week's next version. Raises ForbiddenMove once it is closed."""
    if user is not None:
        user.must("publish_list")
    week = ShipWeek.objects.select_for_update().get(pk=week.pk)
    if week.closed_at is not None:
        raise ForbiddenMove(
            kind="The list of",
            name=week.name,
            state="closed",
            wanted="offered",
            why="its cut-off has passed; publish the next week's list",
        )
    draft = draft_list(week=week, now=now)
    version = _write_version(week, now, user, reason, draft)
    if week.published_at is None:
        week.published_at = now
        week.save(update_fields=["published_at"])
    facts = {"week": week.name, "version": version.number, "reason": reason}
    Happening.objects.create(kind="list.published", at=now, facts=facts)
    return version


def _write_version(
    week: ShipWeek, now: datetime, user: User | None, reason: str, draft: list[DraftLine]
) -> ListVersion:
    last = week.versions.order_by("-number").first()
    before = {row.listing_id: row for row in last.lines.all()} if last else {}
    snapshot = json.dumps(
        [_frozen(row) for row in draft], sort_keys=True, ensure_ascii=False, separators=(",", ":")
    )
    version = ListVersion.objects.create(
        week=week,
        number=last.number + 1 if last else 1,
        published_at=now,
        reason=reason[:300],
        snapshot=snapshot,
        snapshot_hash=hashlib.sha256(snapshot.encode()).hexdigest(),
        user=user,
    )
    ListLine.objects.bulk_create(
        _list_line(version, position, row, before) for position, row in enumerate(draft, 1)
    )
    return version


def _frozen(row: DraftLine) -> dict[str, object]:
    return {
        "listing": row.listing.name,
        "status": row.status,
        "stop": row.stop,
        "reason": row.reason,
        "note": row.note,
        "can_promise": row.can_promise,
        "terms": [term_record(term) for term in row.terms],
        "prices": [str(price) for price in row.prices],
    }


def term_record(term: Term) -> dict[str, object]:
    """One term as plain values, for snapshots and the week's record."""
    record: dict[str, object] = {"why": term.why, "pieces": term.pieces}
    if term.tray:
        record["tray"] = term.tray
    if term.packs is not None:
        record["packs"] = term.packs
    if term.words:
        record["words"] = term.words
    return record


def _list_line(
    version: ListVersion, position: int, row: DraftLine, before: Mapping[int, ListLine]
) -> ListLine:
    terms = json.dumps([term_record(term) for term in row.terms], ensure_ascii=False)
    return ListLine(
        version=version,
        listing=row.listing,
        position=position,
        status=row.status,
        stop=row.stop,
        reason=row.reason[:300],
        note=row.note[:300],
        can_promise=row.can_promise,
        shown=row.shown,
        total=row.total,
        terms=terms,
        price_tier_1=row.prices[0],
        price_tier_2=row.prices[1],
        price_tier_3=row.prices[2],
        is_old_count=row.is_old_count,
        back_likely_on=row.back[0],
        back_from_on=row.back[1],
        back_to_on=row.back[2],
        change=_change(before.get(row.listing.pk), row) if before else "",
    )


def _change(old: ListLine | None, new: DraftLine) -> str:
    """What is different from the last version, in words; empty where nothing is."""
    if old is None:
        return "new on this list"
    changes = []
    if old.status != new.status:
        changes.append(f"was {old.status}")
    if old.can_promise != new.can_promise:
        changes.append(f"was {shown_words(old.shown, old.can_promise)}")
    if old.price_tier_1 != new.prices[0]:
        changes.append(f"was {old.price_tier_1}")
    return ", ".join(changes)


def shown_words(shown: int, can_promise: int) -> str:
    """The quantity as the list shows it: exact up to the cap, then with a plus."""
    if not can_promise:
        return "none"
    return f"{shown}+" if can_promise > shown else str(shown)


def newest_version(*, week: ShipWeek) -> ListVersion | None:
    return week.versions.order_by("-number").first()


def follow_happening(happening: Happening, *, now: datetime) -> None:
    """Write the next version of every open list that a happening has changed."""
    if happening.kind not in LIST_CHANGING:
        return
    for week in ShipWeek.objects.filter(published_at__isnull=False, closed_at__isnull=True):
        last = newest_version(week=week)
        if last is None:
            continue
        draft = draft_list(week=week, now=now)
        before = {
            row.listing_id: (
                row.status,
                row.stop,
                row.price_tier_1,
                row.price_tier_2,
                row.price_tier_3,
            )
            for row in last.lines.all()
        }
        after = {row.listing.pk: (row.status, row.stop, *row.prices) for row in draft}
        if before != after:
            publish_list(week=week, now=now, reason=_words_of(happening))


def _words_of(happening: Happening) -> str:
    facts = happening.facts
    subject = (
        facts.get("listing")
        or facts.get("setting")
        or facts.get("strain")
        or facts.get("scope")
        or ""
    )
    reason = facts.get("reason", "")
    kind = happening.kind.replace(".", " ").replace("_", " ")
    return f"{kind}: {subject} {reason}".strip()


def close_due_lists(*, now: datetime) -> list[ShipWeek]:
    """Close every list whose cut-off has passed: 12:00:00 is still in. Safe to run twice."""
    due = ShipWeek.objects.filter(
        published_at__isnull=False, closed_at__isnull=True, cut_off_at__lt=now
    )
    return [_close_list(week_id) for week_id in due.order_by("monday").values_list("pk", flat=True)]


@transaction.atomic
def _close_list(week_id: int) -> ShipWeek:
    week = ShipWeek.objects.select_for_update().get(pk=week_id)
    last = newest_version(week=week)
    if week.closed_at is not None or last is None:
        return week
    _write_closing_version(week, last)
    week.closed_at = week.cut_off_at
    week.save(update_fields=["closed_at"])
    facts = {"week": week.name, "reason": "the cut-off has passed"}
    Happening.objects.create(kind="list.closed", at=week.cut_off_at, facts=facts)
    return week


def _write_closing_version(week: ShipWeek, last: ListVersion) -> None:
    cut_off = timezone.localtime(week.cut_off_at)
    version = ListVersion.objects.create(
        week=week,
        number=last.number + 1,
        published_at=week.cut_off_at,
        reason=f"closed at the cut-off, {cut_off:%a %-d %b %H:%M}",
        snapshot=last.snapshot,
        snapshot_hash=last.snapshot_hash,
    )
    lines = list(last.lines.all())
    for row in lines:
        row.change = f"was {row.status}"
        row.pk, row.version, row.status = None, version, ListLine.Status.CLOSED
    ListLine.objects.bulk_create(lines)
