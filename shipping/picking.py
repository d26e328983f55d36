"""HOP 8 pick: inked promises -> trays, walking order, pick sheets with stamp and checksum.

Call from: config/scene_acts.py, shipping/pages.py, shipping/keying.py.
Locks: the ship week's row, so that two people drawing at once draw one after the other.
"""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from django.db import transaction
from django.db.models import Q, Sum
from django.utils import timezone

from inventory.models import Hold, Movement, Place, Tray, WalkNote, WaterSystem
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock, read_stock
from inventory.supply import reserve_gap, tray_countable
from orders.models import Promise, RestQuestion, ShipWeek
from shipping.calc import trays as tray_choice
from shipping.calc.route import Stop, shortest_walk, slot_distance_m, walk_minutes
from shipping.models import PickSheet, PickTask
from shipping.shortfalls import record_short

# No letter or figure that a pencil on damp paper can turn into another.
STAMP_LETTERS = "ACDEFHJKLMNPRTUVWXY34679"
TOXIN_SHEET_FROM = 2


@dataclass(frozen=True, slots=True)
class Pick:
    """Pieces of one promise out of one tray."""

    tray: Tray
    lot_id: int
    promise: Promise
    pieces: int
    leave_pieces: int
    is_toxin: bool


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
            ]
            for pick in self.picks
        ]
        return json.dumps([self.system.code, self.is_toxin, rows], separators=(",", ":"))


@transaction.atomic
def draw_sheets(
    *, week: ShipWeek, ship_on: date, now: datetime, user: User | None = None
) -> list[PickSheet]:
    """Draw the pick sheets of a ship day. A sheet that would say the same stands as it is.

    Sheets run system by system, longest since its last lifted hold first; toxic lines stand on
    sheets of their own after them. What cannot be picked makes a shortfall, never a smaller
    promise.
    """
    if user is not None:
        user.must("draw_sheets")
    ShipWeek.objects.select_for_update().get(pk=week.pk)
    picks = plan_picks(week=week, now=now, is_recorded=True).get(ship_on, [])
    drawn = arrange_sheets(picks)
    return _keep_or_replace(week, ship_on, drawn, now)


def plan_picks(
    *, week: ShipWeek, now: datetime, is_recorded: bool = False
) -> dict[date, list[Pick]]:
    """Which tray serves which promise on each ship day of a week, each day from what is left."""
    promises = _promises_to_pick(week)
    by_strain_form: dict[int, list[Promise]] = {}
    for promise in promises:
        by_strain_form.setdefault(promise.strain_form_id, []).append(promise)
    if not by_strain_form:
        return {}
    book = SettingBook.read(on=week.first_ship_on)
    trays = {tray.code: tray for tray in Tray.objects.select_related("trough__system")}
    strain_ids = {promise.strain_form.strain_id for promise in promises}
    stocks = read_stock()
    kept = {
        strain_id: [
            row
            for stock in stocks
            if stock.strain_id == strain_id
            for row in stock.trays
            if row.state == "kept"
        ]
        for strain_id in strain_ids
    }
    days: dict[date, list[Pick]] = {}
    for stock in stocks:
        wanted = by_strain_form.get(stock.strain_form_id)
        if wanted is None:
            continue
        chosen = _choose(
            stock, wanted, kept[stock.strain_id], trays, week, book, timezone.localdate(now)
        )
        for ship_on, choice in chosen.items():
            days.setdefault(ship_on, []).extend(_picks_of(choice, stock, wanted, trays, ship_on))
            short = sum(int(pieces) for pieces in choice.short_pieces.values())
            if is_recorded and short:
                record_short(
                    stock=stock,
                    week=week,
                    pieces=short,
                    cause="the trays that may be picked hold too few",
                    now=now,
                )
    return days


def _promises_to_pick(week: ShipWeek) -> list[Promise]:
    return list(
        Promise.objects.filter(week=week, state=Promise.State.INKED)
        # Out of colour, and its buyer has not said yet what shall go instead.
        .exclude(line__rest_questions__state=RestQuestion.State.ASKED)
        .select_related("strain_form__strain", "line__order", "line__listing__strain_form__form")
        .order_by("line__order__number", "line__position")
    )


def _choose(
    stock: StrainStock,
    wanted: Sequence[Promise],
    kept: Sequence[TrayStock],
    trays: dict[str, Tray],
    week: ShipWeek,
    book: SettingBook,
    on: date,
) -> dict[date, tray_choice.Choice]:
    pulled = pulled_since_count(stock)
    grades = _newest_grades(stock)
    candidates = [
        _candidate(row, stock, trays[row.tray], week, book, on, pulled, grades)
        for row in stock.trays
        if row.state == "ready" or _may_pick_growing(row, week)
    ]
    lines_by_day: dict[date, list[tray_choice.Line]] = {}
    for rank, promise in enumerate(
        sorted(wanted, key=lambda row: (row.inked_at, row.line.order.number))
    ):
        lines_by_day.setdefault(promise.line.order.ship_on, []).append(
            tray_choice.Line(order=_line_label(promise), pieces=promise.pieces, claim_rank=rank)
        )
    return tray_choice.choose_days(
        trays=[row for row in candidates if row is not None],
        lines_by_day=lines_by_day,
        gap_pieces=reserve_gap(floor_pieces=stock.floor_pieces, kept=kept, monday=week.monday),
        unit_pieces=stock.unit,
        is_colour_strain=stock.colour != "none" and not stock.is_resting,
    )


def _may_pick_growing(row: TrayStock, week: ShipWeek) -> bool:
    """Growing trays count once they are ready in 8 of 10 cases by the week's Monday."""
    return row.state == "growing" and row.p80_on is not None and row.p80_on <= week.monday


def _candidate(
    row: TrayStock,
    stock: StrainStock,
    tray: Tray,
    week: ShipWeek,
    book: SettingBook,
    on: date,
    pulled: dict[int, int],
    grades: dict[int, float],
) -> tray_choice.Tray | None:
    out = pulled.get(row.tray_id, 0)
    as_counted = replace(row, pieces=row.pieces + out)
    countable = tray_countable(row=as_counted, stock=stock, ship_on=week.first_ship_on, book=book)
    return tray_choice.Tray(
        code=row.tray,
        system=row.system,
        walk_order=row.trough_order,
        slot=row.slot,
        aisle=tray.trough.aisle,
        countable_pieces=max(0, min(countable - out, row.pieces)),
        cut_on=row.cut_on or row.rooted_on,
        age_months=row.age_months,
        grade=grades.get(tray.trough_id),
        is_held=row.is_held_in(week.monday) or bool(row.care_stop(on)) or stock.is_pale(row),
        aisle_length_m=float(tray.trough.aisle_length_m),
    )


def pulled_since_count(stock: StrainStock) -> dict[int, int]:
    """Pieces picked out of each tray since it was last counted: they leave before decay applies."""
    counted_on = {row.tray_id: row.counted_on for row in stock.trays}
    bench = Place.objects.filter(code=Place.End.BENCH).first()
    if bench is None:
        return {}
    moves = Movement.objects.filter(
        Q(from_place__tray_id__in=counted_on, to_place=bench)
        | Q(to_place__tray_id__in=counted_on, from_place=bench),
    ).values_list("from_place__tray_id", "to_place__tray_id", "at__date")
    pulled: dict[int, int] = {}
    for source, target, on, pieces in moves.annotate(total=Sum("pieces")):
        tray_id = source or target
        if on >= counted_on[tray_id]:
            pulled[tray_id] = pulled.get(tray_id, 0) + (pieces if source else -pieces)
    return pulled


def _newest_grades(stock: StrainStock) -> dict[int, float]:
    """The newest colour grade of a strain in each trough, by trough id."""
    if stock.colour == "none":
        return {}
    notes = WalkNote.objects.filter(strain_id=stock.strain_id, grade__isnull=False)
    rows = notes.order_by("looked_at").values_list("trough_id", "grade")
    return {trough_id: float(grade or 0) for trough_id, grade in rows}


def _line_label(promise: Promise) -> str:
    """Order numbers sort the choice; a second look of the same strain-form follows its first."""
    look = promise.line.listing.look
    return f"{promise.line.order.number} {look}".strip()


def _picks_of(
    choice: tray_choice.Choice,
    stock: StrainStock,
    wanted: Iterable[Promise],
    trays: dict[str, Tray],
    ship_on: date,
) -> list[Pick]:
    promises = {
        _line_label(promise): promise for promise in wanted if promise.line.order.ship_on == ship_on
    }
    lots = {row.tray: row.lot_id for row in stock.trays}
    return [
        Pick(
            tray=trays[take.tray],
            lot_id=lots[take.tray],
            promise=promises[take.order],
            pieces=take.pieces,
            leave_pieces=choice.left_pieces.get(take.tray, 0),
            is_toxin=promises[take.order].strain_form.strain.toxin >= TOXIN_SHEET_FROM,
        )
        for take in choice.takes
        if take.pieces
    ]


def clean_order(systems: Iterable[WaterSystem]) -> list[WaterSystem]:
    """Systems from clean to doubtful: longest since the last lifted hold first."""
    return sorted(systems, key=lambda row: (row.last_lifted_on or date.max, row.code))


def arrange_sheets(picks: Sequence[Pick]) -> list[DrawnSheet]:
    """Picks as sheets in clean order, toxic ones last, each with its shortest walk."""
    systems = clean_order({pick.tray.trough.system for pick in picks})
    sheets = [
        DrawnSheet(
            system=system,
            is_toxin=is_toxin,
            picks=[
                pick
                for pick in picks
                if pick.tray.trough.system_id == system.pk and pick.is_toxin == is_toxin
            ],
        )
        for is_toxin in (False, True)
        for system in systems
    ]
    return [_walked(sheet) for sheet in sheets if sheet.picks]


def _walked(sheet: DrawnSheet) -> DrawnSheet:
    trays = {pick.tray.code: pick.tray for pick in sheet.picks}
    walk = shortest_walk(
        stops=[
            Stop(
                code=tray.code,
                aisle=tray.trough.aisle,
                y_m=slot_distance_m(slot=tray.slot),
                walk_order=tray.trough.walk_order,
                slot=tray.slot,
            )
            for tray in trays.values()
        ],
        aisle_length_m=float(max(tray.trough.aisle_length_m for tray in trays.values())),
        depot_aisle=1,
    )
    place = {stop.code: index for index, stop in enumerate(walk.order)}
    sheet.picks.sort(
        key=lambda pick: (
            place[pick.tray.code],
            pick.promise.line.order.number,
            pick.promise.line.position,
        )
    )
    sheet.walk_m = walk.metres
    return sheet


def _keep_or_replace(
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


def held_tray_codes() -> set[str]:
    """Trays under an open hold of their system, trough, lot or themselves."""
    held = Tray.objects.filter(
        Q(trough__system__holds__state__in=Hold.OPEN)
        | Q(trough__holds__state__in=Hold.OPEN)
        | Q(holds__state__in=Hold.OPEN)
        | Q(balance__lot__holds__state__in=Hold.OPEN)
    )
    return set(held.values_list("code", flat=True))
