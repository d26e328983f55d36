"""HOP 5b price: a list price from a day on. Orders keep the price they were sent at.

Call from: config/what_if_acts.py, config/edit_prices.py, config/ticking.py.
Locks: the listing, so that of two prices for one day the second is refused.
"""

from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory.changing import note_change
from inventory.clock import doing_once, is_first
from inventory.errors import FarmError
from inventory.models import Change, Happening, Listing
from inventory.people import User
from orders.models import Price, ShipWeek

MOST = Decimal("100000")
STARTING = ("price", "setting")


class PriceUnreadable(FarmError):
    code = "price_unreadable"
    status = 422
    title = "That price cannot be"
    message = (
        "{listing}: {why}. Type a price in the farm's money with two decimals, such as 14.00, "
        "that starts today or later."
    )


class PriceSetThatDay(FarmError):
    code = "price_set_that_day"
    title = "A price starts that day already"
    message = (
        "{listing} has a price of {price} from {day}; orders may have been sent at it. Let the new "
        "one start on a later day."
    )


@transaction.atomic
def set_price(
    *,
    listing: Listing,
    list_price: Decimal,
    starts_on: date,
    reason: str,
    user: User,
    now: datetime,
    break_units: int | None = None,
    break_price: Decimal | None = None,
) -> Price:
    """A new list price from a day on; what was sold before keeps its own.

    Raises PriceUnreadable, PriceSetThatDay, ReasonMissing, NotAllowed.
    """
    user.must("edit_prices")
    why = _why_not(list_price, starts_on, break_units, break_price, now)
    if why:
        raise PriceUnreadable(listing=listing.name, why=why)
    Listing.objects.select_for_update().get(pk=listing.pk)
    taken = Price.objects.filter(listing=listing, starts_on=starts_on).first()
    if taken is not None and starts_on <= timezone.localdate(now):
        day = f"{starts_on:%-d %b %Y}"
        raise PriceSetThatDay(listing=listing.name, price=taken.list_price, day=day)
    # One that waits for its day may still be set anew: nothing was sold at it.
    last = Price.objects.filter(listing=listing, starts_on__lt=starts_on).order_by("starts_on")
    was = taken or last.last()
    was_price, was_break = (was.list_price if was else None), _break_words(was)
    price, _ = Price.objects.update_or_create(
        listing=listing,
        starts_on=starts_on,
        defaults={
            "list_price": list_price,
            "break_units": break_units,
            "break_price": break_price,
            "user": user,
        },
    )
    for field, before, after in (
        ("list price", was_price, list_price),
        ("break", was_break, _break_words(price)),
    ):
        if before != after:
            note_change(
                what="price",
                name=listing.name,
                field=field,
                was=before,
                now_is=after,
                reason=reason,
                user=user,
                at=now,
                starts_on=starts_on,
            )
    facts = {
        "listing": listing.name,
        "was": str(was_price or ""),
        "now": str(list_price),
        "starts_on": starts_on.isoformat(),
        "reason": reason,
    }
    Happening.objects.create(kind="price.changed", at=now, facts=facts)
    return price


def _break_words(price: Price | None) -> str:
    if price is None or price.break_units is None:
        return ""
    return f"{price.break_price} from {price.break_units} units"


def lists_that_read_prices(*, starts_on: date) -> list[tuple[str, str]]:
    """Each list that is out or being drafted and would show a price from that day on, in words."""
    weeks = ShipWeek.objects.filter(closed_at__isnull=True, cut_off_at__date__gte=starts_on)
    found = []
    for week in weeks.order_by("monday"):
        if week.published_at is None:
            found.append(("draft", f"{week.name}, not out yet, goes out with it"))
        else:
            found.append(("list", f"{week.name} is out and open: its next version shows it"))
    return found


def leave_starts(*, now: datetime) -> None:
    """What was signed for a later day begins: a happening on that day lets open lists know.

    Safe late and twice: each change is claimed once; one that is older than two weeks is history.
    """
    on = timezone.localdate(now)
    with doing_once(key=f"starts of {on}", now=now) as is_mine:
        if not is_mine:
            return
        rows = Change.objects.filter(
            what__in=STARTING, starts_on__lte=on, starts_on__gt=on - timedelta(days=14)
        )
        for row in rows.order_by("id"):
            is_later = timezone.localdate(row.at) < row.starts_on
            if is_later and is_first(key=f"start of change {row.pk}", now=now):
                facts = {"listing": row.name, "now": row.now, "reason": row.reason}
                Happening.objects.create(kind=f"{row.what}.started", at=now, facts=facts)


def _why_not(
    list_price: Decimal,
    starts_on: date,
    break_units: int | None,
    break_price: Decimal | None,
    now: datetime,
) -> str:
    """What is wrong with a price; empty where nothing is."""
    for price in (list_price, break_price):
        if price is None:
            continue
        if not price.is_finite() or not 0 < price < MOST or price != round(price, 2):
            return f"{price} is no price"
    if (break_units is None) != (break_price is None):
        return "a break needs both its number of units and its price"
    if break_units is not None and break_units < 2:
        return "a break begins at 2 units or more"
    if starts_on < timezone.localdate(now):
        return f"{starts_on:%-d %b %Y} has passed, and what was sold then keeps its price"
    return ""
