"""HOP 8e picked: promises that were picked and lack pieces all the same -> what may be done of it.

A piece was not found at its tray, or lies on the bench or in a bag and its tray is on hold since,
or its bag was opened and it went back.

Call from: shipping/settling.py, shipping/refilling.py, shipping/keying.py, shipping/following.py,
shipping/unbagging.py, shipping/bench_rows.py, shipping/bench_pages.py, shipping/pages.py.
Locks: strain-forms in the ledger, then the promise's row.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Sum

from inventory import ledger
from inventory.errors import FarmError
from inventory.models import Hold, Place
from inventory.people import User
from orders.models import Line, Order, Promise, ShipWeek
from orders.promising import change_promise
from shipping.models import Bag, PickSheet, PickTask, Refill
from shipping.road_checks import hold_on

ON_THE_BENCH = (Promise.State.PULLED, Promise.State.BAGGED)
PICKED = (*ON_THE_BENCH, Promise.State.MISSED)
STILL_HERE = (Order.State.PROMISED, Order.State.IN_PICK, Order.State.PACKED)
SHOWN_BAGS = 6


class BagsStillTied(FarmError):
    code = "bags_still_tied"
    title = "Its bags are still tied"
    message = (
        "{pieces} pieces of {listing} for order {order} lie in bags {bags}. Open these at the "
        "bench of the order first, so that their pieces are back in their tray; then choose again."
    )


@dataclass(frozen=True, slots=True)
class Lacking:
    """A promise that was picked, and how many of its pieces cannot go. [pieces]

    ``unpicked_pieces`` are in no bag and not on the bench, and no second pick is out for them;
    ``held_pieces`` are there, but from a place on hold.
    """

    promise: Promise
    unpicked_pieces: int
    held_pieces: int

    @property
    def missing_pieces(self) -> int:
        return self.unpicked_pieces + self.held_pieces

    @property
    def missing_units(self) -> int:
        """Sale units that are not whole. On the bench what would be left must be whole units of
        the line and at least the least that is accepted; what is in bags goes as it is."""
        promise, line = self.promise, self.promise.line
        a_unit = promise.pieces // promise.units
        units = -(-self.missing_pieces // a_unit)
        if promise.state == Promise.State.PULLED:
            units = -(-units // line.unit) * line.unit
            if promise.units - units < line.least:
                units = promise.units
        return min(units, promise.units)


def lacking(*, strain_form_id: int, week: ShipWeek) -> list[Lacking]:
    """Picked promises of a strain-form that lack pieces and whose order is still here, who was
    inked last first."""
    rows = Promise.objects.filter(
        strain_form_id=strain_form_id, week=week, state__in=PICKED, line__state=Line.State.OPEN,
        line__order__state__in=STILL_HERE,
    ).select_related(
        "line__order__customer", "line__order__week", "line__order__ship_to__customer",
        "line__listing__strain_form__strain", "strain_form__form",
    )  # fmt: skip
    holds = open_holds()
    found = []
    for promise in rows.order_by("-inked_at", "-line__order__number"):
        out = promise.pieces_out if promise.state != Promise.State.MISSED else 0
        held = _held_pieces(promise, holds)
        # Loose pieces of a pack that is not whole do not count as picked.
        out -= out % promise.strain_form.form.unit_pieces
        row = Lacking(promise, max(0, promise.pieces - out - _asked_again(promise)), held)
        if row.missing_pieces:
            found.append(row)
    return found


def _asked_again(promise: Promise) -> int:
    """Pieces of a promise that a second pick is out for."""
    waiting = Refill.objects.filter(promise=promise, ended_at=None)
    return int(waiting.aggregate(total=Sum("pieces"))["total"] or 0)


def open_holds() -> list[Hold]:
    return list(Hold.objects.filter(state__in=Hold.OPEN))


def forms_held_on_bench() -> set[int]:
    """The strain-forms of which picked pieces lie on the bench, or in bags that are still here,
    and come from a place on hold."""
    holds = open_holds()
    tasks = PickTask.objects.filter(promise__state__in=ON_THE_BENCH, picked_pieces__gt=0)
    rows = tasks.select_related("tray__trough", "sheet", "promise")
    return {task.promise.strain_form_id for task in rows if _is_held(task, holds)}


def bag_hold(bag: Bag, holds: Iterable[Hold]) -> Hold | None:
    """The hold on the place a bag was filled from, or None."""
    return hold_on(holds=holds, tray=bag.tray, system_id=bag.system_id, lot_id=bag.lot_id)


def held_bags(*, orders: Iterable[Order]) -> list[tuple[Bag, Hold]]:
    """Bags still here that come from a place under an open hold, each with its hold."""
    holds = open_holds()
    if not holds:
        return []
    bags = (
        Bag.objects.filter(state__in=Bag.HERE, shipment__order__in=[order.pk for order in orders])
        .select_related("tray__trough", "box", "listing", "shipment__order")
        .order_by("code")
    )
    rows = [(bag, bag_hold(bag, holds)) for bag in bags]
    return [(bag, hold) for bag, hold in rows if hold is not None]


def held_counts(*, orders: Iterable[Order]) -> dict[str, int]:
    """How many bags of each order a hold keeps here, by order number. [bags]"""
    return Counter(bag.code.partition("-")[0] for bag, _ in held_bags(orders=orders))


def _bags_of(promise: Promise) -> list[Bag]:
    bags = Bag.objects.filled().filter(line_id=promise.line_id)
    return list(bags.select_related("tray__trough").order_by("code"))


def _held_pieces(promise: Promise, holds: Sequence[Hold]) -> int:
    if promise.state not in ON_THE_BENCH or not holds:
        return 0
    bags = _bags_of(promise)
    held = sum(bag.pieces for bag in bags if bag_hold(bag, holds) is not None)
    loose = (pieces for task, pieces in _loose(promise, bags) if _is_held(task, holds))
    return held + sum(loose)


def _is_held(task: PickTask, holds: Sequence[Hold]) -> bool:
    hold = hold_on(holds=holds, tray=task.tray, system_id=task.sheet.system_id, lot_id=task.lot_id)
    return hold is not None


def tasks_of(promise: Promise) -> list[PickTask]:
    """The tasks of a promise on sheets that stand."""
    tasks = PickTask.objects.filter(promise=promise).exclude(sheet__state=PickSheet.State.STALE)
    return list(tasks.select_related("tray__trough", "lot", "sheet").order_by("pk"))


def _loose(promise: Promise, bags: Iterable[Bag]) -> list[tuple[PickTask, int]]:
    """Picked pieces of a promise that lie in no bag, task by task."""
    in_bags: Counter[tuple[int, int | None]] = Counter()
    for bag in bags:
        in_bags[bag.tray_id, bag.lot_id] += bag.pieces
    rows = []
    for task in tasks_of(promise):
        picked, place = task.picked_pieces or 0, (task.tray_id, task.lot_id)
        bagged = min(picked, in_bags[place])
        in_bags[place] -= bagged
        rows.append((task, picked - bagged))
    return rows


def make_way(*, promise: Promise, units: int, user: User, now: datetime, note: str) -> None:
    """Before some units of a promise go another way: what of them lies on the bench goes back to
    its tray, held pieces first. Raises BagsStillTied for what lies in bags."""
    stays = (promise.units - units) * (promise.pieces // promise.units)
    if promise.state in ON_THE_BENCH:
        _put_back(promise, promise.pieces_out - stays, user, now, note)


def put_back_what_cannot_go(*, promise: Promise, user: User, now: datetime, note: str) -> None:
    """Before a second pick: held pieces on the bench, and those that fill no whole pack, go back
    to their tray. Raises BagsStillTied while held pieces lie in bags."""
    if promise.state in ON_THE_BENCH:
        held = _held_pieces(promise, open_holds())
        loose = (promise.pieces_out - held) % promise.strain_form.form.unit_pieces
        _put_back(promise, held + loose, user, now, note)


def _put_back(promise: Promise, pieces: int, user: User, now: datetime, note: str) -> None:
    if pieces <= 0:
        return
    bags, holds = _bags_of(promise), open_holds()
    loose = _loose(promise, bags)
    if sum(some for _, some in loose) < pieces:
        # Those on hold before others: these have to be opened in any case.
        first = sorted(bags, key=lambda bag: (bag_hold(bag, holds) is None, bag.code))
        codes = [bag.code for bag in first if bag_hold(bag, holds)] or [bag.code for bag in first]
        raise _still_tied(promise, pieces, codes)
    for task, some in _first_held(loose, pieces, holds):
        ledger.move_pieces(
            lot=task.lot,
            from_place=ledger.end_place(Place.End.BENCH),
            to_place=ledger.tray_place(task.tray),
            pieces=some,
            reason="return",
            at=now,
            user=user,
            client_key=f"return:{task.pk}:{task.picked_pieces}",
            note=note[:200],
        )
        take_off_task(task=task, pieces=some)
    change_promise(
        promise_id=promise.pk, state=promise.state, pieces_out=promise.pieces_out - pieces
    )


def refuse_bagged(*, promise: Promise) -> None:
    """Refuse to put a whole promise back while some of its pieces lie in bags. Raises
    BagsStillTied."""
    bags = _bags_of(promise)
    if bags:
        raise _still_tied(promise, sum(bag.pieces for bag in bags), [bag.code for bag in bags])


def _still_tied(promise: Promise, pieces: int, codes: Sequence[str]) -> BagsStillTied:
    return BagsStillTied(
        pieces=pieces,
        listing=promise.line.listing.name,
        order=promise.line.order.number,
        bags=", ".join(codes[:SHOWN_BAGS]) + (" and others" * (len(codes) > SHOWN_BAGS)),
    )


def take_off_task(*, task: PickTask, pieces: int) -> None:
    """Some of what a task brought is not for its order any more."""
    task.picked_pieces = (task.picked_pieces or 0) - pieces
    task.short_reason = "put back"
    task.save(update_fields=["picked_pieces", "short_reason"])


def _first_held(
    loose: Iterable[tuple[PickTask, int]], pieces: int, holds: Sequence[Hold]
) -> Iterator[tuple[PickTask, int]]:
    for task, there in sorted(loose, key=lambda row: not _is_held(row[0], holds)):
        some = min(there, pieces)
        if some:
            pieces -= some
            yield task, some
