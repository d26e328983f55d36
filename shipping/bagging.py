"""HOP 9b bag: pulled pieces on the bench -> tied bags, each with its clock.

Call from: shipping/bench_pages.py, shipping/papers.py (codes only), config/scene_acts.py.
Locks: the order's row, then strain-forms in the ledger.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import QuerySet

from inventory import ledger
from inventory.errors import FarmError
from inventory.models import Hold, Lot, Place, Tray
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.models import Order, Promise
from orders.promising import change_promise
from shipping.calc.bags import BagClock, clock_state
from shipping.handing_over import make_shipment
from shipping.incidents import refuse_at_stopped_bench
from shipping.keying import TrayNotPickable
from shipping.models import Bag, PickSheet, PickTask, Refill
from shipping.road_checks import hold_on

HAZARD_FROM_TOXIN = 2
# Branching pieces break against each other and pierce the bag: a rigid cup stands between.
CUP_KINDS = frozenset({"P2"})


class NothingPulled(FarmError):
    code = "nothing_pulled"
    title = "Nothing lies on the bench"
    message = "No piece of order {order} is picked yet. Key in its pick sheets, then tie the bags."


class GlovesAndGogglesNeeded(FarmError):
    code = "gloves_and_goggles"
    status = 422
    title = "Gloves and goggles first"
    message = (
        "Order {order} has pieces that can carry palytoxin: {listings}. Put on gloves and goggles, "
        "tick both, then tie the bags."
    )


@dataclass(frozen=True, slots=True)
class BagToTie:
    """One bag before it is tied: its code, and the task that fills it. ``pieces`` are single."""

    code: str
    task: PickTask
    promise: Promise
    pieces: int

    @property
    def is_toxin(self) -> bool:
        return bool(self.promise.strain_form.strain.toxin >= HAZARD_FROM_TOXIN)

    @property
    def has_cup(self) -> bool:
        strain_form = self.promise.strain_form
        return strain_form.bag in CUP_KINDS or strain_form.strain.is_spiky


def bags_to_tie(*, order: Order) -> list[BagToTie]:
    """The bags of an order by its live pick tasks, in line order, whether tied or not.

    A code counts the order's promised units, not what was found: a label printed on Monday is the
    bag's label on Tuesday, and a piece that was not found leaves its number out. What a second
    pick brings is numbered apart, R01 and on, in the order the picks were asked for.
    """
    rows: list[BagToTie] = []
    first, live = 1, _live_tasks(PickTask.objects.filter(promise__line__order=order))
    for promise in _inked_promises(order):
        unit = promise.strain_form.form.unit_pieces
        number, tasks = first, [row for row in live[promise.pk] if row.refill_id is None]
        for task in tasks:
            picked = task.pieces if task.picked_pieces is None else task.picked_pieces
            rows += [
                BagToTie(f"{order.number}-{number + index:03d}", task, promise, unit)
                for index in range(picked // unit)
            ]
            number += task.pieces // unit
        # As many as were drawn: what was taken off since leaves its numbers out.
        first += max(promise.units, sum(task.pieces for task in tasks) // unit)
    return [*rows, *_second_bags(order, live)]


def _second_bags(order: Order, live: Mapping[int, list[PickTask]]) -> Iterator[BagToTie]:
    number = 1
    refills = Refill.objects.filter(promise__line__order=order).select_related(
        "promise__line__listing", "promise__strain_form__strain", "promise__strain_form__form"
    )
    for refill in refills.order_by("pk"):
        assert refill.promise is not None
        unit = refill.promise.strain_form.form.unit_pieces
        for task in live.get(refill.promise.pk, ()):
            if task.refill_id == refill.pk:
                picked = task.pieces if task.picked_pieces is None else task.picked_pieces
                for index in range(picked // unit):
                    code = f"{order.number}-R{number + index:02d}"
                    yield BagToTie(code, task, refill.promise, unit)
        number += refill.pieces // unit


def _inked_promises(order: Order) -> list[Promise]:
    """Promises that were inked, freed ones too: their numbers stay taken."""
    promises = Promise.objects.filter(line__order=order).exclude(state=Promise.State.PENCILLED)
    return list(
        promises.exclude(state=Promise.State.FREED, inked_at__isnull=True)
        .select_related("line__listing", "strain_form__strain", "strain_form__form")
        .order_by("line__position")
    )


def _live_tasks(tasks: QuerySet[PickTask]) -> dict[int, list[PickTask]]:
    """Those of some tasks whose sheet and promise stand, by promise, in the order of the walk."""
    standing = tasks.exclude(sheet__state=PickSheet.State.STALE).exclude(
        promise__state__in=[Promise.State.FREED, Promise.State.MISSED]
    )
    found: dict[int, list[PickTask]] = defaultdict(list)
    for task in standing.select_related("tray__trough__system", "sheet__system", "lot").order_by(
        "sheet__number", "stop", "pk"
    ):
        found[task.promise_id].append(task)
    return found


@transaction.atomic
def tie_bags(
    *, order: Order, now: datetime, user: User, has_gloves: bool = False, has_goggles: bool = False
) -> list[Bag]:
    """Tie one bag a piece, or one a pack, of everything picked for an order; the clock starts.

    A second call ties only what was picked since and returns every bag of the order. Raises
    NothingPulled, GlovesAndGogglesNeeded, IncidentOpen, and TrayNotPickable for a kept tray or one
    under an open hold, even a hold that was raised after the pick.
    """
    user.must("pack")
    order = Order.objects.select_for_update().get(pk=order.pk)
    pulled = Promise.objects.filter(line__order=order, state=Promise.State.PULLED)
    waiting = set(pulled.values_list("pk", flat=True))
    known = Bag.objects.filter(shipment__order=order)
    if not waiting and not known.exists():
        raise NothingPulled(order=order.number)
    tied = set(known.values_list("code", flat=True))
    rows = [row for row in bags_now(order=order) if row.code not in tied]
    _refuse_bare_hands(order, rows, has_gloves, has_goggles)
    _refuse_stopped([row.task for row in rows])
    shipment = make_shipment(order=order)
    refuse_at_stopped_bench(shipment=shipment, act="tied")
    Bag.objects.bulk_create(
        _bag(row, now, user, shipment_id=shipment.pk, ticks=(has_gloves, has_goggles))
        for row in rows
    )
    _return_loose_pieces(waiting, now, user)
    _move_promises(waiting)
    return list(known.filled().select_related("line__listing", "tray", "system", "kind"))


def bags_now(*, order: Order) -> list[BagToTie]:
    """Those bags of an order whose pieces lie on the bench, tied or not."""
    return [
        row
        for row in bags_to_tie(order=order)
        if row.promise.state == Promise.State.PULLED and row.task.picked_pieces is not None
    ]


@dataclass(frozen=True, slots=True)
class BagMarks:
    """Until when a tied bag is good, from when it is warned of and stopped, and how it stands."""

    good_until: datetime
    warn_from: datetime
    stop_from: datetime
    age_h: float
    state: str


def bag_marks(*, bag: Bag, now: datetime, book: SettingBook) -> BagMarks:
    """The clock of a bag at a moment. Clams are stopped sooner, propagules later, by class."""
    strain_class = bag.listing.strain_form.strain.strain_class_id
    stop_h = book.number("bag_stop_h", strain_class=strain_class)
    clock = BagClock(
        good_h=book.number("bag_good_h", strain_class=strain_class),
        # No use in a warning after the stop.
        warn_h=min(stop_h, book.number("bag_warn_h", strain_class=strain_class)),
        stop_h=stop_h,
    )
    age_h = (now - bag.tied_at) / timedelta(hours=1)
    return BagMarks(
        good_until=bag.tied_at + timedelta(hours=clock.good_h),
        warn_from=bag.tied_at + timedelta(hours=clock.warn_h),
        stop_from=bag.tied_at + timedelta(hours=clock.stop_h),
        age_h=age_h,
        state=clock_state(age_h=age_h, clock=clock),
    )


def _refuse_bare_hands(
    order: Order, rows: Sequence[BagToTie], has_gloves: bool, has_goggles: bool
) -> None:
    toxic = sorted({row.promise.line.listing.name for row in rows if row.is_toxin})
    if toxic and not (has_gloves and has_goggles):
        raise GlovesAndGogglesNeeded(order=order.number, listings=", ".join(toxic))


def _refuse_stopped(tasks: Iterable[PickTask]) -> None:
    """The last stop for a mother piece, and for a hold raised while the pieces lay on the bench."""
    holds = list(Hold.objects.filter(state__in=Hold.OPEN))
    for task in {task.pk: task for task in tasks}.values():
        if task.tray.use == Tray.Use.KEPT or task.lot.state == Lot.State.KEPT:
            raise TrayNotPickable(tray=task.tray.code, why="kept for mothers")
        hold = hold_on(
            holds=holds, tray=task.tray, system_id=task.sheet.system_id, lot_id=task.lot_id
        )
        if hold is not None:
            raise TrayNotPickable(tray=task.tray.code, why=f"on hold ({hold.code})")


def _bag(
    row: BagToTie, now: datetime, user: User, *, shipment_id: int, ticks: tuple[bool, bool]
) -> Bag:
    return Bag(
        code=row.code,
        shipment_id=shipment_id,
        line=row.promise.line,
        listing=row.promise.line.listing,
        lot=row.task.lot,
        tray=row.task.tray,
        # Where it stood when it was picked: a tray may move before anyone recalls it.
        system=row.task.sheet.system,
        kind_id=row.promise.strain_form.bag,
        pieces=row.pieces,
        has_cup=row.has_cup,
        is_toxin=row.is_toxin,
        has_gloves=row.is_toxin and ticks[0],
        has_goggles=row.is_toxin and ticks[1],
        tied_at=now,
        tied_by=user,
    )


def _return_loose_pieces(promise_ids: set[int], now: datetime, user: User) -> None:
    """Pieces that fill no whole pack go back to their tray: nothing stays behind on the bench."""
    live = _live_tasks(PickTask.objects.filter(promise__in=promise_ids))
    for promise in Promise.objects.filter(pk__in=promise_ids).select_related("strain_form__form"):
        for task in live[promise.pk]:
            loose = (task.picked_pieces or 0) % promise.strain_form.form.unit_pieces
            if loose:
                ledger.move_pieces(
                    lot=task.lot,
                    from_place=ledger.end_place(Place.End.BENCH),
                    to_place=ledger.tray_place(task.tray),
                    pieces=loose,
                    reason="return",
                    at=now,
                    user=user,
                    client_key=f"loose:{task.pk}",
                    note="fills no whole pack",
                )
                task.picked_pieces = (task.picked_pieces or 0) - loose
                task.save(update_fields=["picked_pieces"])
                change_promise(
                    promise_id=promise.pk,
                    state=promise.state,
                    pieces_out=max(0, promise.pieces_out - loose),
                )
                promise.refresh_from_db(fields=["pieces_out"])


def _move_promises(waiting: set[int]) -> None:
    rows = Promise.objects.filter(pk__in=waiting)
    bags = set(Bag.objects.filter(line__promise__in=waiting).values_list("line_id", flat=True))
    filled = Bag.objects.filled().filter(line__promise__in=waiting)
    in_bags = set(filled.values_list("line_id", flat=True))
    for promise_id, line_id in sorted(rows.values_list("pk", "line_id")):
        if line_id in in_bags:
            change_promise(promise_id=promise_id, state=Promise.State.BAGGED)
        elif line_id not in bags:
            # Whose bags were all opened and put back waits for what a person decides.
            change_promise(
                promise_id=promise_id,
                state=Promise.State.MISSED,
                reason="nothing was found at the pick",
            )
