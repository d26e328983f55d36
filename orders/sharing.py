"""HOP 7 share out: asks against stock -> pencilled, then inked promises, each with its sentence.

Call from: orders/pages.py, config/playing.py, management command `week`.
Locks: strain-forms, lowest key first; the ship week's row, so that a week is shared by one caller.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove
from inventory.models import Happening
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.amending import judge_again
from orders.exporting import missing_ticks
from orders.models import Line, Order, Promise, ShareRun, ShipWeek
from orders.promising import CanPromise, can_promise_all, left_under_lock
from orders.promising_many import Pencil, free_pencils, ink_pencils, pencil_promises
from orders.share_plan import BY_ITEM, HandChange, SharePlan, make_share_plan
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

    Raises WayUnknown, HandChangeNotPossible, ReasonMissing.
    """
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    lines = shareable_lines(week=week)
    can = can_promise_all(
        week=week,
        on=on,
        is_on_sale=True,
        book=book,
        strain_form_ids={line.listing.strain_form_id for line in lines},
    )
    return make_share_plan(week=week, lines=lines, can=can, book=book, way=way, hand=hand)


def shareable_lines(*, week: ShipWeek) -> list[Line]:
    """Open lines of a week, less those that law, papers, export or a credit stop keep back."""
    lines = Line.objects.filter(order__week=week, state=Line.State.OPEN)
    lines = lines.exclude(order__state__in=[Order.State.WITHDRAWN, Order.State.SET_ASIDE])
    if week.inked_at is None:
        # Carried over from a week that fell short: first in line, promised before the list is.
        lines = lines.exclude(promise__state=Promise.State.INKED)
    rows = lines.select_related(
        "order__customer",
        "order__ship_to__customer",
        "listing__strain_form__form",
        "listing__strain_form__strain",
    ).order_by("listing__name", "order__number", "position")
    stopped: dict[int, bool] = {}
    kept = []
    for line in rows:
        order = line.order
        if order.pk not in stopped:
            stopped[order.pk] = order.customer.is_credit_stopped or bool(missing_ticks(order=order))
        if not stopped[order.pk]:
            kept.append(line)
    return kept


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
    lines = shareable_lines(week=week)
    _free_last_run(week)
    left = left_under_lock(
        strain_form_ids={line.listing.strain_form_id for line in lines},
        week=week,
        on=on,
        book=book,
    )
    plan = make_share_plan(week=week, lines=lines, can=left, book=book, way=way, hand=hand)
    if mark is not None and mark != plan.mark:
        raise SharesChangedSince(week=week.name)
    run = write_run(week, now, user, plan.listings, way)
    _pencil_run(week, plan.listings, lines, left, now, user)
    week.shared_at = now
    week.save(update_fields=["shared_at"])
    return run


def _free_last_run(week: ShipWeek) -> None:
    """Set the pencils of an earlier run aside; first-come pencils stand, they were promised."""
    pencils = Promise.objects.filter(
        week=week, state=Promise.State.PENCILLED, line__is_first_come=False
    )
    free_pencils(week=week, promises=pencils, reason="shared out again")


def _pencil_run(
    week: ShipWeek,
    listings: Sequence[SharedListing],
    lines: Sequence[Line],
    left: Mapping[int, CanPromise],
    now: datetime,
    user: User | None,
) -> None:
    by_key = {line.pk: line for line in lines}
    pencils = [
        Pencil(by_key[shared.line_id], shared.promised, shared.sentence)
        for row in listings
        for shared in row.lines
        if shared.promised and not by_key[shared.line_id].is_first_come
    ]
    # The same reading serves every promise: the growing totals are compared with it.
    pencil_promises(week=week, pencils=pencils, left=left, now=now, user=user)


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
