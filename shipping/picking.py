"""HOP 8 pick: inked promises -> trays, walking order, pick sheets with stamp and checksum.

Call from: config/scene_acts.py, shipping/pages.py, shipping/keying.py.
Locks: the ship week's row, so that two people drawing at once draw one after the other.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
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
from shipping.calc.route import Stop, shortest_walk, slot_distance_m
from shipping.models import PickSheet, Refill
from shipping.refilling import (
    allowed_pieces,
    end_refill,
    need_of,
    reserved_pieces,
    waiting_refills,
    why_not,
)
from shipping.shortfalls import check_stock, record_short
from shipping.stamping import DrawnSheet, Pick, keep_or_replace

TOXIN_SHEET_FROM = 2


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
    return keep_or_replace(week, ship_on, drawn, now)


def plan_picks(
    *, week: ShipWeek, now: datetime, is_recorded: bool = False
) -> dict[date, list[Pick]]:
    """Which tray serves which promise on each ship day of a week, each day from what is left."""
    promises = _promises_to_pick(week)
    refills = waiting_refills(week=week)
    by_strain_form: dict[int, list[Promise]] = {}
    for promise in promises:
        by_strain_form.setdefault(promise.strain_form_id, []).append(promise)
    if not by_strain_form and not refills:
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
        second = [
            row
            for row in refills
            if row.promise and row.promise.strain_form_id == stock.strain_form_id
        ]
        if second:
            second = _walkable(second, stock, week, now, is_recorded)
            _add_second_picks(days, second, stock)
        wanted = by_strain_form.get(stock.strain_form_id)
        if wanted is None:
            continue
        chosen = _choose(
            stock,
            wanted,
            kept[stock.strain_id],
            trays,
            week,
            book,
            timezone.localdate(now),
            reserved_pieces(second),
        )
        for ship_on, choice in chosen.items():
            days.setdefault(ship_on, []).extend(_picks_of(choice, stock, wanted, trays, ship_on))
            short = sum(int(pieces) for pieces in choice.short_pieces.values())
            if is_recorded and short:
                record_short(
                    stock=stock,
                    week=week,
                    pieces=short + need_of(stock=stock, week=week).missing,
                    cause="the trays that may be picked hold too few",
                    now=now,
                )
    return days


def _walkable(
    refills: Sequence[Refill], stock: StrainStock, week: ShipWeek, now: datetime, is_recorded: bool
) -> list[Refill]:
    """Second picks that can be walked still; of the others it is said once more that they lack."""
    rows = [(row, why_not(refill=row, stock=stock, week=week)) for row in refills]
    lost = [(row, why) for row, why in rows if why]
    if is_recorded and lost:
        for row, why in lost:
            end_refill(refill=row, now=now, why=why)
        check_stock(strain_form_id=stock.strain_form_id, week=week, cause=lost[0][1], now=now)
    return [row for row, why in rows if not why]


def _add_second_picks(
    days: dict[date, list[Pick]], refills: Sequence[Refill], stock: StrainStock
) -> None:
    standing = {row.tray: row for row in stock.trays}
    for row in refills:
        assert row.promise is not None
        pick = Pick(
            tray=row.tray,
            lot_id=standing[row.tray.code].lot_id,
            promise=row.promise,
            pieces=row.pieces,
            leave_pieces=max(0, standing[row.tray.code].pieces - row.pieces),
            is_toxin=row.promise.strain_form.strain.toxin >= TOXIN_SHEET_FROM,
            refill=row,
        )
        days.setdefault(row.promise.line.order.ship_on, []).append(pick)


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
    reserved: Mapping[str, int],
) -> dict[date, tray_choice.Choice]:
    pulled = pulled_since_count(stock)
    grades = _newest_grades(stock)
    looked_at = allowed_pieces(week=week, stock=stock)
    candidates = [
        _candidate(
            replace(row, pieces=max(0, row.pieces - reserved.get(row.tray, 0))),
            stock,
            trays[row.tray],
            week,
            book,
            on,
            pulled.get(row.tray_id, 0) + reserved.get(row.tray, 0),
            looked_at.get(row.tray, 0),
            grades,
        )
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
    out: int,
    looked_at: int,
    grades: dict[int, float],
) -> tray_choice.Tray | None:
    """A tray for the choice: ``out`` of what was counted is picked or about to be, ``looked_at``
    pieces beyond what is counted on were found good."""
    as_counted = replace(row, pieces=row.pieces + out)
    countable = tray_countable(row=as_counted, stock=stock, ship_on=week.first_ship_on, book=book)
    return tray_choice.Tray(
        code=row.tray,
        system=row.system,
        walk_order=row.trough_order,
        slot=row.slot,
        aisle=tray.trough.aisle,
        countable_pieces=max(0, min(countable - out + looked_at, row.pieces)),
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


def held_tray_codes() -> set[str]:
    """Trays under an open hold of their system, trough, lot or themselves."""
    held = Tray.objects.filter(
        Q(trough__system__holds__state__in=Hold.OPEN)
        | Q(trough__holds__state__in=Hold.OPEN)
        | Q(holds__state__in=Hold.OPEN)
        | Q(balance__lot__holds__state__in=Hold.OPEN)
    )
    return set(held.values_list("code", flat=True))
