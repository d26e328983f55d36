"""HOP 8f second pick: more of the same pieces for a shortfall -> Refill, drawn by itself.

The first three remedies of the terms: pieces above what is counted on, a growing tray graded
ready, another tray or system. Whoever takes one has named the tray; the sheets of the week are
drawn anew with it, so that nobody has to remember the walk.

Call from: shipping/shortfalls.py, shipping/picking.py, shipping/keying.py.
Locks: the orders' rows, lowest key first, then their promises.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Sum
from django.utils import timezone

from inventory.ledger import change_lot_state
from inventory.models import Lot, Tray
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock, read_stock
from inventory.supply import reserve_gap, tray_countable
from orders.models import Order, Promise, PromisedTotal, ShipWeek
from shipping.models import PickSheet, PickTask, Refill, Shortfall
from shipping.picked import ON_THE_BENCH, STILL_HERE, Lacking, lacking, put_back_what_cannot_go

MARGIN, GRADE, ELSEWHERE = "margin", "grade", "other system"
Remedy = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Need:
    """Where a strain-form of a week stands: what is to come out of the water, what may. [pieces]"""

    to_pick: int
    physical: int
    lacking: tuple[Lacking, ...]

    @property
    def stock_short(self) -> int:
        return max(0, self.to_pick - self.physical)

    @property
    def free(self) -> int:
        """What may leave and no promise or second pick is going to take."""
        return max(0, self.physical - self.to_pick)

    @property
    def missing(self) -> int:
        """What picked promises lack, on any account: no sheet brings it by itself."""
        return sum(row.missing_pieces for row in self.lacking)

    @property
    def short(self) -> int:
        return self.stock_short + self.missing


def need_of(*, stock: StrainStock, week: ShipWeek) -> Need:
    """What is promised up to a week, and what stands ready for it."""
    promised = PromisedTotal.objects.filter(
        strain_form_id=stock.strain_form_id, week__monday__lte=week.monday
    ).aggregate(total=Sum("pieces"))["total"]
    rows = lacking(strain_form_id=stock.strain_form_id, week=week)
    waits = sum(_weight(row) for row in rows if row.promise.state in ON_THE_BENCH)
    return Need(
        to_pick=max(0, (promised or 0) - waits),
        physical=physical_pieces(stock=stock, week=week),
        lacking=tuple(rows),
    )


def _weight(row: Lacking) -> int:
    """What a picked promise still weighs on the count though no pick is out for it."""
    return min(row.unpicked_pieces, row.promise.pieces - row.promise.pieces_out)


def physical_pieces(*, stock: StrainStock, week: ShipWeek) -> int:
    """Pieces that stand ready and may leave, as counted, before decay and above the reserve."""
    standing = sum(row.pieces for row in stock.trays if may_leave(row, stock, week))
    return max(0, standing - _gap(stock, week))


def may_leave(row: TrayStock, stock: StrainStock, week: ShipWeek) -> bool:
    """Whether a tray is in by the week, under no hold and not out of colour."""
    is_in = row.state == "ready" or (
        row.state == "growing" and row.p80_on is not None and row.p80_on <= week.monday
    )
    return is_in and not row.is_held_in(week.monday) and not stock.is_pale(row)


def _gap(stock: StrainStock, week: ShipWeek) -> int:
    sisters = [row for row in read_stock() if row.strain_id == stock.strain_id]
    kept = [row for sister in sisters for row in sister.trays if row.state == "kept"]
    return reserve_gap(floor_pieces=stock.floor_pieces, kept=kept, monday=week.monday)


def allowed_pieces(*, week: ShipWeek, stock: StrainStock) -> dict[str, int]:
    """Pieces above what is counted on that were looked at since the tray's count, by tray."""
    counted_on = {row.tray: row.counted_on for row in stock.trays}
    rows = Refill.objects.filter(
        promise=None, ended_at=None, shortfall__week=week, tray__code__in=counted_on
    )
    allowed: dict[str, int] = {}
    for tray, pieces, at in rows.values_list("tray__code", "pieces", "at"):
        if timezone.localdate(at) >= counted_on[tray]:
            allowed[tray] = allowed.get(tray, 0) + pieces
    return allowed


def remedies_of_the_same(*, stock: StrainStock, week: ShipWeek, pieces: int) -> Iterator[Remedy]:
    """Each tray that could give more of the same pieces, with what it could give."""
    need = need_of(stock=stock, week=week)
    picked = sum(row.missing_pieces for row in need.lacking if _can_be_refilled(row))
    yield from _margin(stock, week, pieces - need.missing - need.stock_short)
    yield from _growing(stock, week, pieces)
    yield from _elsewhere(stock, week, min(picked, need.free))


def _can_be_refilled(row: Lacking) -> bool:
    return row.promise.state in ON_THE_BENCH


def _margin(stock: StrainStock, week: ShipWeek, useful: int) -> Iterator[Remedy]:
    """Pieces that stand there and are not counted on, since some of them may be gone by then."""
    book = SettingBook.read(on=week.first_ship_on)
    allowed = allowed_pieces(week=week, stock=stock)
    for row in stock.trays:
        if useful <= 0 or row.state != "ready" or not may_leave(row, stock, week):
            continue
        counted = tray_countable(row=row, stock=stock, ship_on=week.first_ship_on, book=book)
        margin = row.pieces - counted - allowed.get(row.tray, 0)
        if margin > 0:
            yield {
                "kind": MARGIN,
                "tray": row.tray,
                "pieces": min(margin, useful),
                "words": f"{margin} in {row.tray} stand above what is counted on: look at them, "
                f"and where they will do take {min(margin, useful)}",
            }


def _growing(stock: StrainStock, week: ShipWeek, pieces: int) -> Iterator[Remedy]:
    for row in stock.trays:
        if row.state != "growing" or row.is_held_in(week.monday) or stock.is_pale(row):
            continue
        most = min(pieces, row.pieces)
        if most > 0:
            yield {
                "kind": GRADE,
                "tray": row.tray,
                "lot": row.lot_id,
                "pieces": most,
                "words": f"grade {most} of {row.tray} ready on the bench; {row.pieces} stand there",
            }


def _elsewhere(stock: StrainStock, week: ShipWeek, wanted: int) -> Iterator[Remedy]:
    """Free pieces for promises that were picked and lack some: no sheet goes there by itself."""
    unit = stock.unit
    spoken_for = _spoken_for(row.tray for row in stock.trays)
    wanted = -(-wanted // unit) * unit
    for row in stock.trays:
        is_stopped = not may_leave(row, stock, week) or row.care_stop(week.first_ship_on)
        if row.state != "ready" or is_stopped:
            continue
        most = min(wanted, row.pieces - spoken_for[row.tray]) // unit * unit
        if most > 0:
            yield {
                "kind": ELSEWHERE,
                "tray": row.tray,
                "pieces": most,
                "words": f"{most} are free in {row.tray}, system {row.system}: take them there in "
                "a second pick",
            }


def _spoken_for(trays: Iterable[str]) -> Counter[str]:
    """Pieces of each tray that a sheet still out or a second pick not yet drawn will take."""
    codes = list(trays)
    out = [PickSheet.State.DRAWN, PickSheet.State.PRINTED]
    drawn = PickTask.objects.filter(sheet__state__in=out, tray__code__in=codes)
    undrawn = Refill.objects.filter(promise__isnull=False, ended_at=None, tray__code__in=codes)
    found: Counter[str] = Counter()
    for rows in (drawn, undrawn.exclude(tasks__sheet__state__in=out)):
        for code, pieces in rows.values_list("tray__code", "pieces"):
            found[code] += pieces
    return found


def take_the_same(*, shortfall: Shortfall, remedy: Remedy, user: User, now: datetime) -> None:
    """Do what one of these remedies says: the lot is ready, the pieces are on the next sheet.

    Raises NotAllowed, BagsStillTied.
    """
    if remedy["kind"] == GRADE:
        user.must("grade_ready")
        lot = Lot.objects.get(pk=remedy["lot"])
        if lot.state == Lot.State.GROWING:
            change_lot_state(lot_id=lot.pk, state=Lot.State.READY)
    else:
        user.must("pick")
    tray, left = Tray.objects.get(code=remedy["tray"]), int(remedy["pieces"])
    if remedy["kind"] != MARGIN:
        left -= _second_picks(shortfall, tray, left, user, now)
    if remedy["kind"] == MARGIN and left:
        Refill.objects.create(shortfall=shortfall, tray=tray, pieces=left, at=now, user=user)


def _second_picks(shortfall: Shortfall, tray: Tray, pieces: int, user: User, now: datetime) -> int:
    """Second picks for promises that lack pieces, who was inked first before others. [pieces]"""
    form = shortfall.strain_form
    rows = lacking(strain_form_id=form.pk, week=shortfall.week)
    orders = {row.promise.line.order_id for row in rows}
    list(Order.objects.select_for_update().filter(pk__in=orders).order_by("pk"))
    unit, given = form.form.unit_pieces, 0
    for row in reversed(lacking(strain_form_id=form.pk, week=shortfall.week)):
        wanted = -(-row.missing_pieces // unit) * unit
        some = min(wanted, (pieces - given) // unit * unit)
        if some <= 0 or not _can_be_refilled(row):
            continue
        promise = Promise.objects.select_for_update().get(pk=row.promise.pk)
        put_back_what_cannot_go(
            promise=promise, user=user, now=now, note=f"a second pick from {tray.code} instead"
        )
        Refill.objects.create(
            shortfall=shortfall, promise=promise, tray=tray, pieces=some, at=now, user=user
        )
        given += some
    return given


def waiting_refills(*, week: ShipWeek) -> list[Refill]:
    """Second picks of a week that are not picked yet, in the order they were asked for."""
    rows = Refill.objects.filter(promise__isnull=False, ended_at=None, shortfall__week=week)
    return list(
        rows.select_related(
            "tray__trough__system",
            "promise__strain_form__strain",
            "promise__line__order",
            "promise__line__listing__strain_form__form",
        )
    )


def why_not(*, refill: Refill, stock: StrainStock, week: ShipWeek) -> str:
    """Why a second pick cannot be walked any more, in words; empty where it can."""
    promise, code = refill.promise, refill.tray.code
    assert promise is not None
    order = promise.line.order
    if promise.state not in ON_THE_BENCH or order.state not in STILL_HERE:
        return f"order {order.number} goes without it"
    row = next((row for row in stock.trays if row.tray == code), None)
    if row is None or row.pieces < refill.pieces:
        return f"{row.pieces if row else 0} stand in {code}"
    if not may_leave(row, stock, week) or row.care_stop(week.first_ship_on):
        return f"nothing may leave {code} now"
    return ""


def end_refill(*, refill: Refill, now: datetime, why: str) -> None:
    """A second pick is picked, or is not to be picked any more."""
    refill.ended_at, refill.ended_why = now, why[:200]
    refill.save(update_fields=["ended_at", "ended_why"])


def reserved_pieces(refills: Sequence[Refill]) -> dict[str, int]:
    """What second picks will take of each tray. [pieces]"""
    reserved: dict[str, int] = {}
    for row in refills:
        reserved[row.tray.code] = reserved.get(row.tray.code, 0) + row.pieces
    return reserved
