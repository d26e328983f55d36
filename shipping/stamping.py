"""HOP 8 pick, on paper: picks of a day as sheets -> each kept, or replaced under a new stamp.

Call from: shipping/picking.py, shipping/following.py.
Locks: the caller holds the ship week's row.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from inventory.models import Tray, WaterSystem
from inventory.setting_book import SettingBook
from orders.models import Promise, ShipWeek
from shipping.calc.route import walk_minutes
from shipping.models import PickSheet, PickTask, Refill

# No letter or figure that a pencil on damp paper can turn into another.
STAMP_LETTERS = "ACDEFHJKLMNPRTUVWXY34679"


@dataclass(frozen=True, slots=True)
class Pick:
    """Pieces of one promise out of one tray."""

    tray: Tray
    lot_id: int
    promise: Promise
    pieces: int
    leave_pieces: int
    is_toxin: bool
    # A second pick for a line that was picked and lacks these.
    refill: Refill | None = None


@dataclass(slots=True)
class DrawnSheet:
    """One walk: a system, its picks in walking order, and how far it goes."""

    system: WaterSystem
    is_toxin: bool
    picks: list[Pick] = field(default_factory=list)
    walk_m: float = 0.0

    @property
    def pieces(self) -> int:
        return sum(pick.pieces for pick in self.picks)

    @property
    def stops(self) -> list[str]:
        return list(dict.fromkeys(pick.tray.code for pick in self.picks))

    def content(self) -> str:
        """The sheet as text: two sheets that say the same are the same sheet."""
        rows = [
            [
                pick.tray.code,
                pick.promise.line.order.number,
                pick.promise.line.listing.name,
                pick.pieces,
                pick.leave_pieces,
                *([f"second pick {pick.refill.pk}"] if pick.refill else []),
            ]
            for pick in self.picks
        ]
        return json.dumps([self.system.code, self.is_toxin, rows], separators=(",", ":"))


def keep_or_replace(
    week: ShipWeek, ship_on: date, drawn: Sequence[DrawnSheet], now: datetime
) -> list[PickSheet]:
    """Keep every live sheet that says the same; replace the others under a new stamp."""
    live = {
        (row.system_id, row.is_toxin): row
        for row in PickSheet.objects.filter(ship_on=ship_on).exclude(
            state__in=[PickSheet.State.STALE, PickSheet.State.KEYED_IN, PickSheet.State.CLOSED]
        )
    }
    waiting = _stale_without_successor(ship_on)
    taken = set(
        PickSheet.objects.filter(
            ship_on=ship_on, state__in=[PickSheet.State.KEYED_IN, PickSheet.State.CLOSED]
        ).values_list("number", flat=True)
    )
    for row in live.values():
        if not any(
            (sheet.system.pk, sheet.is_toxin) == (row.system_id, row.is_toxin) for sheet in drawn
        ):
            make_stale(sheet=row, reason="nothing is left to pick on it")
    sheets = []
    for sheet in drawn:
        key = (sheet.system.pk, sheet.is_toxin)
        before = live.get(key)
        if before is not None and before.content == sheet.content():
            taken.add(before.number)
            sheets.append(before)
            continue
        if before is not None:
            make_stale(sheet=before, reason="drawn again")
        replaced = before or waiting.get(key)
        number = _sheet_number(replaced, taken)
        taken.add(number)
        sheets.append(_write_sheet(week, ship_on, sheet, number, replaced, now))
    return sorted(sheets, key=lambda row: row.number)


def _stale_without_successor(ship_on: date) -> dict[tuple[int, bool], PickSheet]:
    rows = PickSheet.objects.filter(
        ship_on=ship_on, state=PickSheet.State.STALE, replaced_by__isnull=True
    )
    return {(row.system_id, row.is_toxin): row for row in rows.order_by("id")}


def _sheet_number(replaced: PickSheet | None, taken: set[int]) -> int:
    if replaced is not None and replaced.number not in taken:
        return replaced.number
    return next(number for number in range(1, 1000) if number not in taken)


def _write_sheet(
    week: ShipWeek,
    ship_on: date,
    drawn: DrawnSheet,
    number: int,
    replaced: PickSheet | None,
    now: datetime,
) -> PickSheet:
    content = drawn.content()
    sheet = PickSheet.objects.create(
        week=week,
        ship_on=ship_on,
        number=number,
        system=drawn.system,
        is_toxin=drawn.is_toxin,
        stamp=_stamp(f"{ship_on} {number} {now.isoformat()} {content}"),
        content=content,
        drawn_at=now,
        checksum_pieces=drawn.pieces,
        walk_m=drawn.walk_m,
        walk_min=_walk_min(drawn, ship_on),
        replaces=replaced if replaced and not hasattr(replaced, "replaced_by") else None,
    )
    stops = {code: index for index, code in enumerate(drawn.stops, 1)}
    PickTask.objects.bulk_create(
        PickTask(
            sheet=sheet,
            stop=stops[pick.tray.code],
            tray=pick.tray,
            lot_id=pick.lot_id,
            promise=pick.promise,
            refill=pick.refill,
            pieces=pick.pieces,
            leave_pieces=pick.leave_pieces,
        )
        for pick in drawn.picks
    )
    return sheet


def _walk_min(drawn: DrawnSheet, ship_on: date) -> float:
    book = SettingBook.read(on=ship_on)
    pace = {name: book.number(name) for name in ("walk_m_s", "tray_s", "piece_s")}
    return walk_minutes(metres=drawn.walk_m, trays=len(drawn.stops), pieces=drawn.pieces, **pace)


def _stamp(text: str) -> str:
    """Six letters that no other sheet has, whatever it says and whenever it was drawn."""
    stamp, again = _letters(text), 0
    while PickSheet.objects.filter(stamp=stamp).exists():
        again += 1
        stamp = _letters(f"{text} {again}")
    return stamp


def _letters(text: str) -> str:
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8])
    letters = []
    for _ in range(6):
        number, rest = divmod(number, len(STAMP_LETTERS))
        letters.append(STAMP_LETTERS[rest])
    return "".join(letters)


def make_stale(*, sheet: PickSheet, reason: str) -> None:
    """Mark a sheet stale. One that was keyed in already stands."""
    PickSheet.objects.filter(
        pk=sheet.pk, state__in=[PickSheet.State.DRAWN, PickSheet.State.PRINTED]
    ).update(state=PickSheet.State.STALE, stale_reason=reason[:200])
