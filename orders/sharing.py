"""HOP 7 share out: asks against stock -> pencilled, then inked promises, each with its sentence.

Call from: orders/pages.py, config/playing.py, management command `week`.
Locks: strain-forms, lowest key first; the ship week's row, so that a week is shared by one caller.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from inventory.errors import FarmError, ForbiddenMove
from inventory.models import Happening, Listing
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.amending import judge_again
from orders.calc.share_words import buyer_sentence, sentence
from orders.calc.sharing import Share, share
from orders.exporting import missing_ticks
from orders.models import Line, Order, Promise, ShareRun, ShipWeek
from orders.promising import (
    CanPromise,
    can_promise_all,
    change_promise,
    left_under_lock,
    make_promise,
)
from orders.share_runs import (
    SharedLine,
    SharedListing,
    ask_of,
    line_ref,
    rule_settings,
    write_run,
)

OTHER_RULES = ("first_come", "equal", "proportional")


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


class NotSharedYet(FarmError):
    code = "not_shared_yet"
    title = "Nothing is shared out yet"
    message = "Share out {week} first, look at the sentences, then ink."


def preview(*, week: ShipWeek, now: datetime) -> list[SharedListing]:
    """What sharing out would give now, listing by listing. Writes nothing."""
    book = SettingBook.read(on=timezone.localdate(now))
    lines = shareable_lines(week=week)
    promises = can_promise_all(
        week=week,
        on=timezone.localdate(now),
        is_on_sale=True,
        book=book,
        strain_form_ids={line.listing.strain_form_id for line in lines},
    )
    return [_share_listing(*group, book) for group in _groups(lines, promises)]


def shareable_lines(*, week: ShipWeek) -> list[Line]:
    """Open lines of a week, less those that law, papers, export or a credit stop keep back."""
    lines = Line.objects.filter(order__week=week, state=Line.State.OPEN)
    lines = lines.exclude(order__state__in=[Order.State.WITHDRAWN, Order.State.SET_ASIDE])
    rows = lines.select_related(
        "order__customer",
        "order__ship_to",
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


def _groups(
    lines: Sequence[Line], promises: Mapping[int, CanPromise]
) -> list[tuple[Listing, list[Line], int]]:
    """Listings with their lines and what may be shared of each, pencils of a last run set aside."""
    by_listing: dict[int, list[Line]] = {}
    for line in lines:
        by_listing.setdefault(line.listing_id, []).append(line)
    promised = dict(
        Promise.objects.filter(line__in=lines, state__in=Promise.LIVE).values_list(
            "line_id", "units"
        )
    )
    groups = []
    for rows in by_listing.values():
        listing = rows[0].listing
        can = promises[listing.strain_form_id]
        is_stopped = can.stock.is_resting != listing.is_winter and can.stock.colour != "none"
        mine = sum(promised.get(line.pk, 0) for line in rows)
        available = 0 if is_stopped else _available(can, mine)
        groups.append((listing, rows, available))
    return groups


def _available(can: CanPromise, mine: int) -> int:
    """Sale units to share: what is left, and what these lines hold already."""
    return can.units + mine


def _share_listing(
    listing: Listing, lines: Sequence[Line], available: int, book: SettingBook
) -> SharedListing:
    rule = listing.share_rule
    settings = rule_settings(book=book)
    asks = [ask_of(line) for line in lines]
    shares = {
        name: share(rule=name, available=available, asks=asks, settings=settings)
        for name in {rule, *OTHER_RULES}
    }
    asked = sum(line.asked for line in lines)
    return SharedListing(
        listing=listing,
        rule=rule,
        available=available,
        asked=asked,
        is_short=any(shares[rule].promised[ask.ref] < ask.asked for ask in asks),
        lines=tuple(_shared_line(line, shares, rule) for line in lines),
        trace=shares[rule].trace,
    )


def _shared_line(line: Line, shares: Mapping[str, Share], rule: str) -> SharedLine:
    ref, word = line_ref(line), line.listing.strain_form.form.unit_word
    return SharedLine(
        line_id=line.pk,
        order_number=line.order.number,
        shop=line.order.ship_to.customer.name,
        asked=line.asked,
        promised=shares[rule].promised[ref],
        first_come=shares["first_come"].promised[ref],
        equal=shares["equal"].promised[ref],
        proportional=shares["proportional"].promised[ref],
        sentence=sentence(shares[rule], ref, counted_in=word),
        buyer_sentence=buyer_sentence(shares[rule], ref, counted_in=word),
    )


@transaction.atomic
def share_out(*, week: ShipWeek, now: datetime, user: User | None = None) -> ShareRun:
    """Share a closed week out and pencil what each line gets. Running it again changes nothing
    but what has changed since. Raises PromisesAreInked, CutOffAhead."""
    if user is not None:
        user.must("share_out")
    week = ShipWeek.objects.select_for_update().get(pk=week.pk)
    if week.inked_at is not None:
        raise PromisesAreInked(week=week.name)
    if week.closed_at is None:
        cut_off = f"{timezone.localtime(week.cut_off_at):%a %-d %b %H:%M}"
        raise CutOffAhead(week=week.name, cut_off=cut_off)
    judge_again(week=week, now=now)
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    lines = shareable_lines(week=week)
    _free_last_run(week, now)
    left = left_under_lock(
        strain_form_ids={line.listing.strain_form_id for line in lines},
        week=week,
        on=on,
        book=book,
    )
    listings = [_share_listing(*group, book) for group in _groups(lines, left)]
    run = write_run(week, now, user, listings, book)
    _pencil_run(listings, {line.pk: line for line in lines}, left, now, user)
    week.shared_at = now
    week.save(update_fields=["shared_at"])
    return run


def _free_last_run(week: ShipWeek, now: datetime) -> None:
    """Set the pencils of an earlier run aside; first-come pencils stand, they were promised."""
    pencils = Promise.objects.filter(
        week=week, state=Promise.State.PENCILLED, line__is_first_come=False
    )
    for promise_id in pencils.values_list("pk", flat=True):
        change_promise(promise_id=promise_id, state=Promise.State.FREED, reason="shared out again")


def _pencil_run(
    listings: Sequence[SharedListing],
    lines: Mapping[int, Line],
    left: Mapping[int, CanPromise],
    now: datetime,
    user: User | None,
) -> None:
    for row in listings:
        for shared in row.lines:
            line = lines[shared.line_id]
            if line.is_first_come or not shared.promised:
                continue
            # The same reading serves every promise: its guard compares the growing total with it.
            can = left[line.listing.strain_form_id]
            make_promise(
                line=line,
                can=can,
                units=shared.promised,
                now=now,
                user=user,
                reason=shared.sentence,
            )


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
    pencilled = list(
        Promise.objects.filter(week=week, state=Promise.State.PENCILLED).select_related(
            "line__order__customer"
        )
    )
    for promise in pencilled:
        change_promise(promise_id=promise.pk, state=Promise.State.INKED)
    Promise.objects.filter(pk__in=[row.pk for row in pencilled]).update(inked_at=now, user=user)
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
    for order in orders.select_related("customer"):
        lines = [row for row in promises if row.line.order_id == order.pk]
        if not lines:
            continue
        order.move_to(Order.State.PROMISED)
        facts = {
            "order": order.number,
            "customer": order.customer.code,
            "week": week.name,
            "reason": f"{len(lines)} lines are promised",
        }
        Happening.objects.create(kind="order.promised", at=now, facts=facts)
