"""HOP 6f sheet, on its way in: a filled sheet -> rows of the draft, and a word on every other row.

Call from: orders/sheet_pages.py.
Locks: the basket's row (orders.basket.save_basket). Nothing is ordered here; the list page sends.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inventory.errors import Unknown
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.basket import Typed, save_basket
from orders.calc.weeks import may_still_order, time_text
from orders.intake import WeekNotOpen
from orders.listing import newest_version, shown_words
from orders.models import Basket, BasketRow, ListLine, ListVersion, SheetRead, ShipTo, ShipWeek
from orders.sheet_checks import SheetLine, judge_rows, list_in, refuse_currencies
from orders.sheet_files import Limits, SheetTable, read_tables
from orders.sheet_out import Stamp, stamp_in


@dataclass(frozen=True, slots=True)
class SheetCheck:
    """A sheet as it was read: where it comes from, its lines, and what the list changed since."""

    stamp: Stamp | None
    notes: tuple[str, ...]
    lines: tuple[SheetLine, ...]
    differences: tuple[dict[str, str], ...] = ()


@transaction.atomic
def take_sheet(
    *,
    content: bytes,
    name: str,
    ship_to: ShipTo,
    week: ShipWeek,
    user: User,
    now: datetime,
) -> SheetRead:
    """Read a filled sheet into the draft. Right rows are kept, the others named; nothing is sent.

    Raises WeekNotOpen and Unknown for a list that takes no orders, SheetTooLarge, SheetTooLong,
    SheetNotATable, SheetUnreadable, SheetColumnMissing, SheetTwice, SheetCurrency; the draft is
    then as it was.
    """
    version = newest_version(week=week)
    if version is None:
        raise Unknown(kind="list for", name=week.name)
    _refuse_closed(week, now)
    limits = Limits.of(SettingBook.read(on=timezone.localdate(now)))
    tables = read_tables(content=content, name=name, limits=limits)
    # Two people of a shop may read sheets in at once: what a row was is what the other left.
    list(Basket.objects.select_for_update().filter(ship_to=ship_to, week=week))
    check = check_sheet(tables=tables, name=name, version=version, ship_to=ship_to, now=now)
    basket = save_basket(
        ship_to=ship_to,
        week=week,
        typed=_to_keep(check),
        user=user,
        now=now,
        version_seen=version.number,
    )
    return SheetRead.objects.create(
        week=week,
        ship_to=ship_to,
        basket=basket,
        version=version.number,
        file_name=name[:120],
        notes=list(check.notes),
        lines=[asdict(line) for line in check.lines],
        differences=list(check.differences),
        user=user,
        at=now,
    )


def _refuse_closed(week: ShipWeek, now: datetime) -> None:
    if week.closed_at is None and may_still_order(at=now, cut_off_at=week.cut_off_at):
        return
    raise WeekNotOpen(
        week=week.name,
        why=f"closed on {timezone.localtime(week.cut_off_at):%a %-d %b %H:%M %Z}",
        remedy="Nothing was read. Read the sheet in on the next week's list; it keeps the numbers.",
    )


def _to_keep(check: SheetCheck) -> dict[str, Typed]:
    return {
        line.listing: Typed("" if line.typed == "0" else line.typed, line.least)
        for line in check.lines
        if line.is_kept
    }


@transaction.atomic
def put_back(*, read: SheetRead, user: User, now: datetime) -> int:
    """Put back what the draft held before a sheet was read, where nobody has typed since."""
    rows = BasketRow.objects.filter(basket_id=read.basket_id).select_related("listing")
    held = {row.listing.name: row.asked for row in rows} if read.basket_id else {}
    typed = {
        line["listing"]: Typed(line["was"], line["was_least"])
        for line in read.kept
        if line["outcome"] != "same"
        and held.get(line["listing"], "0") == line["typed"]
        and read.basket_id
    }
    if typed:
        save_basket(ship_to=read.ship_to, week=read.week, typed=typed, user=user, now=now)
    read.put_back_at = now
    read.save(update_fields=["put_back_at"])
    return len(typed)


def check_sheet(
    *,
    tables: Sequence[SheetTable],
    name: str,
    version: ListVersion,
    ship_to: ShipTo,
    now: datetime,
) -> SheetCheck:
    """Judge every filled row of a sheet against a list version and the draft. Writes nothing.

    Raises SheetNotATable, SheetColumnMissing, SheetTwice, SheetCurrency.
    """
    table, columns, head = list_in(tables=tables, name=name)
    stamps = {found for row in table.rows for cell in row.cells if (found := stamp_in(cell))}
    rows = [row for row in table.rows if row is not head and not any(map(stamp_in, row.cells))]
    refuse_currencies(rows=[head, *rows], columns=columns, name=name)
    lines = judge_rows(rows=rows, columns=columns, version=version, ship_to=ship_to)
    stamp = min(stamps, key=lambda row: row.made, default=None)
    notes = _notes_on(stamp, len(stamps), version, ship_to)
    return SheetCheck(stamp, notes, lines, _differences(stamp, version, ship_to, lines, now))


# ---- the stamp


def _notes_on(
    stamp: Stamp | None, count: int, version: ListVersion, ship_to: ShipTo
) -> tuple[str, ...]:
    """What the stamp says against the list it is read for, a sentence each."""
    if stamp is None:
        return (
            "The sheet carries no stamp, so nobody can tell which list it was made from: look at "
            "prices and what may be had before you send.",
        )
    notes = []
    if count > 1:
        notes.append(f"The sheet carries {count} stamps; the oldest, made {stamp.made}, counts.")
    week = version.week
    if stamp.week != week.name:
        is_same_year = stamp.week[:4] == week.name[:4]
        old, new = (stamp.week[5:], week.name[5:]) if is_same_year else (stamp.week, week.name)
        notes.append(
            f"The stamp is {old}, current {new}: your quantities are kept for review against this "
            "list. Look at prices and what may be had before you send."
        )
    elif stamp.version < version.number:
        zone = timezone.get_current_timezone_name()
        out = time_text(at=version.published_at, zone=zone)
        notes.append(
            f"The sheet was made from version {stamp.version} of {week.name}; version "
            f"{version.number} is out since {out}. Your quantities are kept."
        )
    elif stamp.version > version.number:
        notes.append(
            f"The sheet says version {stamp.version} of {week.name}, which does not exist; it is "
            f"read against version {version.number}."
        )
    if stamp.ship_to != ship_to.code:
        notes.append(
            f"The sheet was made for {stamp.ship_to} and is read for {ship_to.code}, {ship_to}: "
            "prices and what may be sent are those of this ship-to."
        )
    return tuple(notes)


def _differences(
    stamp: Stamp | None,
    version: ListVersion,
    ship_to: ShipTo,
    lines: Sequence[SheetLine],
    now: datetime,
) -> tuple[dict[str, str], ...]:
    """What the list says otherwise than the one the sheet was made from, of the listings asked."""
    if stamp is None or (stamp.week, stamp.version) == (version.week.name, version.number):
        return ()
    tier = ship_to.customer.tier_on(timezone.localdate(now))
    then = {
        row.listing.name: row
        for row in ListLine.objects.filter(
            version__week__name=stamp.week, version__number=stamp.version
        ).select_related("listing")
    }
    today = {row.listing.name: row for row in version.lines.select_related("listing")}
    found = []
    for name in dict.fromkeys(line.listing for line in lines):
        old, new = then.get(name), today.get(name)
        if old is None or new is None:
            continue
        for what, was, is_now in (
            ("price", str(old.price(tier)), str(new.price(tier))),
            ("status", old.status, new.status),
            ("can promise", _shown(old), _shown(new)),
        ):
            if was != is_now:
                found.append({"listing": name, "what": what, "was": was, "now": is_now})
    return tuple(found)


def _shown(line: ListLine) -> str:
    return shown_words(line.shown, line.can_promise)
