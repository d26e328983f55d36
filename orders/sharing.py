"""HOP 7 share out: asks against stock -> pencilled, then inked promises, each with its sentence.

Call from: orders/share_pages.py, config/scene_acts.py, config/week_record.py.
Locks: strain-forms, lowest key first; the ship week's row, so that a week is shared by one caller.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove
from inventory.models import Happening
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.amending import judge_again, paper_steps
from orders.models import Order, Promise, ShareRun, ShipWeek
from orders.promising import CanPromise, can_promise_all, left_under_lock
from orders.promising_many import Pencil, free_pencils, ink_pencils, pencil_promises
from orders.share_book import (
    BY_ITEM,
    ListingNumbers,
    WeekNumbers,
    book_lines,
    listings_to_share,
    mark_of,
    mark_rows,
    rule_settings,
    share_week,
    shareable_lines,
)
from orders.share_plan import HandChange, SharePlan, make_share_plan, numbers_of, refuse_unknown
from orders.share_runs import SharedListing, write_run


class PromisesAreInked(FarmError):
    code = "promises_are_inked"
    title = "Promises are inked"
    message = (
        "The promises of {week} are inked: no rule may change them. Free one by hand with a cause, "
        "or settle the shortfall."
    )


class CutOffAhead(FarmError):
    code = "cut_off_ahead"
    title = "The list is still open"
    message = "The list of {week} is open until {cut_off}. Share out after the cut-off."


class SharesChangedSince(FarmError):
    code = "shares_changed_since"
    title = "The book has moved since"
    message = (
        "Stock, orders or settings of {week} have changed since those shares were shown. Nothing "
        "was shared out: look at the new numbers, then share them out."
    )


class NotSharedYet(FarmError):
    code = "not_shared_yet"
    title = "Nothing is shared out yet"
    message = "Share out {week} first, look at the sentences, then ink."


def preview(*, week: ShipWeek, now: datetime) -> tuple[SharedListing, ...]:
    """What sharing out by item would give now, listing by listing. Writes nothing."""
    return preview_plan(week=week, now=now).listings


def preview_plan(
    *, week: ShipWeek, now: datetime, way: str = BY_ITEM, hand: Sequence[HandChange] = ()
) -> SharePlan:
    """What sharing out would give now, both ways side by side. Writes nothing.

    Papers are looked at as share_out will: a line is shown with the ask that it will have then.

    Raises WayUnknown, HandChangeNotPossible, ReasonMissing.
    """
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    # Once promises are inked no paper is looked at again: they stand.
    steps = paper_steps(week=week) if week.inked_at is None else []
    lines = shareable_lines(week=week, steps=steps)
    can = can_promise_all(
        week=week,
        on=on,
        is_on_sale=True,
        book=book,
        strain_form_ids={line.listing.strain_form_id for line in lines},
    )
    plan = make_share_plan(week=week, lines=lines, can=can, book=book, way=way, hand=hand)
    return replace(plan, papers=tuple(steps))


def share_out(
    *,
    week: ShipWeek,
    now: datetime,
    user: User | None = None,
    way: str = BY_ITEM,
    hand: Sequence[HandChange] = (),
    mark: str | None = None,
) -> ShareRun:
    """Share a closed week out and pencil what each line gets. Running it again changes nothing
    but what has changed since. With the mark of a plan that was shown, exactly that or nothing.

    Raises PromisesAreInked, CutOffAhead, SharesChangedSince, and as preview_plan does.
    """
    if user is not None:
        user.must("share_out")
    _refuse_unless_open(week)
    # By itself: a refusal then shows the lines that this has opened, and not the old ones again.
    judge_again(week=week, now=now)
    return _share_out(week.pk, now, user, way, hand, mark)


def _refuse_unless_open(week: ShipWeek) -> None:
    week.refresh_from_db(fields=["inked_at", "closed_at"])
    if week.inked_at is not None:
        raise PromisesAreInked(week=week.name)
    if week.closed_at is None:
        cut_off = f"{timezone.localtime(week.cut_off_at):%a %-d %b %H:%M}"
        raise CutOffAhead(week=week.name, cut_off=cut_off)


@transaction.atomic
def _share_out(
    week_id: int,
    now: datetime,
    user: User | None,
    way: str,
    hand: Sequence[HandChange],
    mark: str | None,
) -> ShareRun:
    week = ShipWeek.objects.select_for_update().get(pk=week_id)
    _refuse_unless_open(week)
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    lines = book_lines(week=week)
    _free_last_run(week)
    left = left_under_lock(
        strain_form_ids={line.strain_form_id for line in lines}, week=week, on=on, book=book
    )
    rows = listings_to_share(week=week, lines=lines, can=left)
    numbers, found = _numbers(week, rows, left, book, way, hand, mark)
    if mark is not None and mark != found:
        raise SharesChangedSince(week=week.name)
    run = write_run(week=week, now=now, user=user, numbers=numbers)
    _pencil_run(week, numbers, left, now, user)
    week.shared_at = now
    week.save(update_fields=["shared_at"])
    return run


def _numbers(
    week: ShipWeek,
    rows: Sequence[ListingNumbers],
    left: Mapping[int, CanPromise],
    book: SettingBook,
    way: str,
    hand: Sequence[HandChange],
    mark: str | None,
) -> tuple[WeekNumbers, str]:
    """What each line gets, over arrays; with changes by hand as the plan is made, since each of
    them has to be looked at. With the mark of it, where one is asked for."""
    refuse_unknown(way=way)
    settings = rule_settings(book=book)
    if hand:
        lines = shareable_lines(week=week)
        plan = make_share_plan(week=week, lines=lines, can=left, book=book, way=way, hand=hand)
        return numbers_of(plan=plan, rows=rows, settings=settings), plan.mark
    numbers = share_week(rows=rows, way=way, settings=settings)
    if mark is None:
        return numbers, ""
    shown = mark_of(week=week, way=way, hand=(), fill=numbers.fill, rows=mark_rows(numbers))
    return numbers, shown


def _free_last_run(week: ShipWeek) -> None:
    """Set the pencils of an earlier run aside; first-come pencils stand, they were promised."""
    pencils = Promise.objects.filter(
        week=week, state=Promise.State.PENCILLED, line__is_first_come=False
    )
    free_pencils(week=week, promises=pencils, reason="shared out again")


def _pencil_run(
    week: ShipWeek,
    numbers: WeekNumbers,
    left: Mapping[int, CanPromise],
    now: datetime,
    user: User | None,
) -> None:
    # One at a time: objects kept by the ten thousand set off a search of all memory for cycles,
    # which takes longer than the pencils do.
    pencils = (
        Pencil(line.pk, line.strain_form_id, row.listing.name, units)
        for row in numbers.listings
        for line, units in zip(row.lines, row.promised, strict=True)
        if units and not line.is_first_come
    )
    # The same reading serves every promise: the growing totals are compared with it.
    reason = f"shared out {numbers.way}"
    pencil_promises(week=week, pencils=pencils, left=left, now=now, user=user, reason=reason)


@transaction.atomic
def ink_promises(*, week: ShipWeek, now: datetime, user: User | None = None) -> int:
    """Ink every pencilled promise of a shared week. Returns how many. Raises NotSharedYet."""
    if user is not None:
        user.must("share_out")
    week = ShipWeek.objects.select_for_update().get(pk=week.pk)
    if week.inked_at is not None:
        raise PromisesAreInked(week=week.name)
    if week.shared_at is None:
        raise NotSharedYet(week=week.name)
    pencilled = ink_pencils(
        week=week,
        promises=Promise.objects.filter(week=week, state=Promise.State.PENCILLED),
        now=now,
        user=user,
    )
    _refuse_oversold(week, now)
    _tell_customers(week, pencilled, now)
    week.inked_at = now
    week.save(update_fields=["inked_at"])
    return len(pencilled)


def _refuse_oversold(week: ShipWeek, now: datetime) -> None:
    """The sum check at ink: what is promised up to this week must stand above the floor."""
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    for row in can_promise_all(week=week, on=on, is_on_sale=True, book=book).values():
        if row.promised_pieces > row.supply.pieces:
            raise ForbiddenMove(
                kind="Week",
                name=week.name,
                state="shared",
                wanted="inked",
                why=f"{row.promised_pieces} of {row.stock.key} are promised and "
                f"{row.supply.pieces} stand above the floor; share out again",
            )


def _tell_customers(week: ShipWeek, promises: Sequence[Promise], now: datetime) -> None:
    orders = Order.objects.filter(week=week).exclude(
        state__in=[Order.State.WITHDRAWN, Order.State.SET_ASIDE]
    )
    counts = Counter(row.line.order_id for row in promises)
    for order in orders.filter(pk__in=counts).select_related("customer"):
        order.move_to(Order.State.PROMISED)
        facts = {
            "order": order.number,
            "customer": order.customer.code,
            "week": week.name,
            "reason": f"{counts[order.pk]} lines are promised",
        }
        Happening.objects.create(kind="order.promised", at=now, facts=facts)
