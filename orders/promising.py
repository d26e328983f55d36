"""HOP 4 can promise: supply and live promises -> what may still be promised, week by week.

Call from: orders/listing.py, orders/intake.py, orders/sharing.py, shipping/keying.py.
Locks: none for reading; a caller that is about to promise locks the strain-forms first
(inventory.ledger.lock_strain_forms) and reads here in a second statement.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import F, Sum

from inventory.errors import FarmError, ForbiddenMove
from inventory.ledger import lock_strain_forms
from inventory.models import StrainForm
from inventory.people import User
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, read_stock
from inventory.supply import Supply, supply_of_all
from orders.calc.promise import promisable_pieces
from orders.models import Line, Promise, PromisedTotal, ShipWeek


class AboveWhatIsLeft(FarmError):
    code = "above_what_is_left"
    title = "Not that many are left"
    message = (
        "{asked} {listing} asked for {week}, {left} left above the mother reserve and what is "
        "promised. Take {left} or ask for a later week."
    )


@dataclass(frozen=True, slots=True)
class WeekDates:
    """The two days of a ship week that supply is reckoned by."""

    monday: date
    first_ship_on: date


@dataclass(frozen=True, slots=True)
class CanPromise:
    """What one strain-form can still promise in one week. [pieces]"""

    supply: Supply
    pieces: int
    promised_pieces: int
    in_week_pieces: int

    @property
    def stock(self) -> StrainStock:
        return self.supply.stock

    @property
    def units(self) -> int:
        return self.pieces // self.stock.unit


def promised_by_week(
    *, strain_form_ids: Iterable[int] | None = None
) -> dict[int, dict[WeekDates, int]]:
    """Live promised pieces that still stand in the water, by strain-form and week."""
    rows = PromisedTotal.objects.filter(pieces__gt=0)
    if strain_form_ids is not None:
        rows = rows.filter(strain_form_id__in=list(strain_form_ids))
    sums = rows.values_list("strain_form_id", "week__monday", "week__first_ship_on", "pieces")
    promised: dict[int, dict[WeekDates, int]] = {}
    for strain_form_id, monday, first_ship_on, total in sums:
        promised.setdefault(strain_form_id, {})[WeekDates(monday, first_ship_on)] = total
    return promised


def can_promise_all(
    *,
    week: ShipWeek,
    on: date,
    is_on_sale: bool,
    book: SettingBook,
    strain_form_ids: Iterable[int] | None = None,
) -> dict[int, CanPromise]:
    """Can-promise of every strain-form in one week: two statements and the book's one.

    ``is_on_sale`` says that this week's list is out or going out: then a cohort must have opened
    by its sample, its dates are not enough.
    """
    ids = None if strain_form_ids is None else list(strain_form_ids)
    stocks = read_stock(strain_form_ids=_with_kept(ids))
    promised = promised_by_week(strain_form_ids=ids)
    here = WeekDates(week.monday, week.first_ship_on)
    later = {dates for rows in promised.values() for dates in rows if dates.monday > week.monday}
    supplies = {
        dates.monday: supply_of_all(
            stocks=stocks,
            monday=dates.monday,
            first_ship_on=dates.first_ship_on,
            is_on_sale=is_on_sale and dates == here,
            on=on,
            book=book,
        )
        for dates in {here, *later}
    }
    return {
        pk: _can_promise(pk, week.monday, supplies, promised.get(pk, {}))
        for pk in supplies[week.monday]
        if ids is None or pk in ids
    }


def _with_kept(ids: list[int] | None) -> list[int] | None:
    """The strain-forms asked for and their sisters: mothers are kept per strain."""
    if ids is None:
        return None
    return list(
        StrainForm.objects.filter(strain__forms__in=ids).values_list("pk", flat=True).distinct()
    )


def _can_promise(
    pk: int,
    monday: date,
    supplies: Mapping[date, Mapping[int, Supply]],
    promised: Mapping[WeekDates, int],
) -> CanPromise:
    by_monday = {dates.monday: pieces for dates, pieces in promised.items()}
    pieces = promisable_pieces(
        supply_pieces={week: rows[pk].pieces for week, rows in supplies.items()},
        promised_pieces=by_monday,
        week=monday,
    )
    weighing = sum(total for week, total in by_monday.items() if week <= monday)
    return CanPromise(
        supply=supplies[monday][pk],
        pieces=pieces,
        promised_pieces=weighing,
        in_week_pieces=by_monday.get(monday, 0),
    )


def left_under_lock(
    *, strain_form_ids: Iterable[int], week: ShipWeek, on: date, book: SettingBook
) -> dict[int, CanPromise]:
    """Lock strain-forms until the transaction ends, then read what is left of each.

    The lock first and the reading in a second statement, on purpose: a locking SELECT that also
    sums oversells on PostgreSQL, since it answers from before the wait.
    """
    ids = sorted(set(strain_form_ids))
    lock_strain_forms(ids)
    return can_promise_all(week=week, on=on, is_on_sale=True, book=book, strain_form_ids=ids)


def make_promise(
    *,
    line: Line,
    can: CanPromise,
    units: int,
    now: datetime,
    user: User | None,
    reason: str,
) -> Promise:
    """Pencil a promise on a line. The caller holds the lock and has read ``can`` under it.

    Raises AboveWhatIsLeft when the total would pass what was read, whatever became of the lock.
    """
    pieces = units * can.stock.unit
    most_pieces = can.in_week_pieces + can.pieces
    _add_promised(line, pieces, most_pieces, can.stock.unit)
    promise, _ = Promise.objects.update_or_create(
        line=line,
        defaults={
            "strain_form_id": can.stock.strain_form_id,
            "week": line.order.week,
            "units": units,
            "pieces": pieces,
            "pieces_out": 0,
            "state": Promise.State.PENCILLED,
            "pencilled_at": now,
            "user": user,
            "reason": reason[:300],
        },
    )
    return promise


@transaction.atomic
def resize_promise(*, promise_id: int, can: CanPromise, units: int, reason: str) -> Promise:
    """Give a pencilled promise another size: less goes back at once, more is fenced as a new one.

    The caller holds the strain-form's lock and has read ``can`` under it. Raises ForbiddenMove for
    any other promise, AboveWhatIsLeft.
    """
    promise = (
        Promise.objects.select_for_update(of=("self",))
        .select_related("line__order__week", "line__listing")
        .get(pk=promise_id)
    )
    if promise.state != Promise.State.PENCILLED:
        raise ForbiddenMove(
            kind="Promise",
            name=str(promise.line),
            state=promise.get_state_display(),
            wanted="another size",
            why="only a pencilled promise has a size that may still change",
        )
    unit = can.stock.unit
    more = units * unit - promise.pieces
    if more > 0:
        _add_promised(promise.line, more, can.in_week_pieces + can.pieces, unit)
    elif more < 0:
        PromisedTotal.objects.filter(
            strain_form_id=promise.strain_form_id, week_id=promise.week_id
        ).update(pieces=F("pieces") + more)
    promise.units, promise.pieces, promise.reason = units, units * unit, reason[:300]
    promise.save(update_fields=["units", "pieces", "reason"])
    return promise


@transaction.atomic
def cut_promise(*, promise_id: int, units: int, reason: str) -> Promise:
    """Make an inked or picked promise smaller by a person's act, with a cause. No rule calls this.

    Of a picked one only what is not on the bench or in bags can be cut. Raises ForbiddenMove for
    any other promise, and for a size that is not smaller.
    """
    promise = (
        Promise.objects.select_for_update(of=("self",)).select_related("line").get(pk=promise_id)
    )
    a_unit = promise.pieces // promise.units
    # Loose pieces of a pack that is not whole do not keep it.
    least = max(1, promise.pieces_out // a_unit)
    if promise.state not in Promise.CUTTABLE or not least <= units < promise.units:
        raise ForbiddenMove(
            kind="Promise",
            name=str(promise.line),
            state=f"{promise.get_state_display()} for {promise.units}",
            wanted=f"one for {units}",
            why="only an inked promise is cut, or what a picked one lacks, to some of what it was",
        )
    before = _weighs(promise)
    promise.units, promise.pieces, promise.reason = units, a_unit * units, reason[:300]
    promise.pieces_out = min(promise.pieces_out, promise.pieces)
    promise.save(update_fields=["units", "pieces", "pieces_out", "reason"])
    PromisedTotal.objects.filter(
        strain_form_id=promise.strain_form_id, week_id=promise.week_id
    ).update(pieces=F("pieces") + _weighs(promise) - before)
    return promise


def _add_promised(line: Line, pieces: int, most_pieces: int, unit: int) -> None:
    strain_form_id, week = line.listing.strain_form_id, line.order.week
    total, _ = PromisedTotal.objects.get_or_create(strain_form_id=strain_form_id, week=week)
    # Guarded: a second writer waits here for the first and then sees its sum.
    added = PromisedTotal.objects.filter(pk=total.pk, pieces__lte=most_pieces - pieces).update(
        pieces=F("pieces") + pieces
    )
    if added != 1:
        total.refresh_from_db(fields=["pieces"])
        left = max(0, most_pieces - total.pieces) // unit
        raise AboveWhatIsLeft(
            asked=pieces // unit, listing=line.listing.name, week=week.name, left=left
        )


def _weighs(promise: Promise) -> int:
    return promise.pieces - promise.pieces_out if promise.state in Promise.LIVE else 0


@transaction.atomic
def change_promise(
    *, promise_id: int, state: str, reason: str = "", pieces_out: int | None = None
) -> Promise:
    """Move a promise along its states, and the week's total with it. Raises ForbiddenMove.

    ``pieces_out`` are the pieces that have left their tray: they no longer weigh on the count.
    """
    promise = Promise.objects.select_for_update().select_related("line__order").get(pk=promise_id)
    if state != promise.state and state not in Promise.MOVES[promise.state]:
        raise ForbiddenMove(
            kind="Promise",
            name=str(promise.line),
            state=promise.get_state_display(),
            wanted=state,
            why="that is not a move a promise makes",
        )
    before = _weighs(promise)
    promise.state = state
    promise.reason = reason[:300] or promise.reason
    if pieces_out is not None:
        promise.pieces_out = pieces_out
    promise.save(update_fields=["state", "reason", "pieces_out"])
    PromisedTotal.objects.filter(
        strain_form_id=promise.strain_form_id, week_id=promise.week_id
    ).update(pieces=F("pieces") + _weighs(promise) - before)
    return promise


def oversold_strain_forms(*, week: ShipWeek, on: date, book: SettingBook) -> list[str]:
    """The third fence, an audit: strain-forms with more promised than they can give."""
    found = _totals_off()
    for row in can_promise_all(week=week, on=on, is_on_sale=True, book=book).values():
        if row.promised_pieces > row.supply.pieces:
            short = row.promised_pieces - row.supply.pieces
            found.append(f"{row.stock.key}: {short} more promised than there are.")
    return found


def _totals_off() -> list[str]:
    """Weeks whose kept total is not the sum of its promises."""
    sums: dict[tuple[int, int], int] = {}
    rows = Promise.objects.filter(state__in=Promise.LIVE).values_list("strain_form", "week")
    for strain_form, week, total in rows.annotate(total=Sum(F("pieces") - F("pieces_out"))):
        sums[strain_form, week] = total
    kept = {
        (strain_form, week): pieces
        for strain_form, week, pieces in PromisedTotal.objects.values_list(
            "strain_form", "week", "pieces"
        )
    }
    return [
        f"Strain-form {key[0]}, week {key[1]}: promises say {sums.get(key, 0)}, "
        f"the total says {kept.get(key, 0)}."
        for key in sorted(sums.keys() | kept.keys())
        if sums.get(key, 0) != kept.get(key, 0)
    ]
