"""Letters about orders that the office changed or withdrew: what, line by line, and who did it.

Call from: config/ticking.py. Changes that follow each other closely go in one letter, with what
came of them all; each is written in one transaction with the mark that it has been told.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from inventory.clock import has_waited
from inventory.messaging import Action
from inventory.models import Listing
from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text
from orders.changing import may_change
from orders.models import Order, OrderChange, OrderChangeRow
from orders.order_messages import week_context, write_to_shop


@dataclass(frozen=True, slots=True)
class Net:
    """One line before a burst of changes and after it. [sale units, $ a unit]"""

    listing: Listing
    asked: tuple[int, int]
    least: tuple[int, int]
    promised: tuple[int, int]
    price: tuple[Decimal | None, Decimal]

    @property
    def differs(self) -> bool:
        was, now = self.price
        is_priced_anew = was is not None and self.asked[1] > 0 and was != now
        pairs = (self.asked, self.least, self.promised)
        return is_priced_anew or any(before != after for before, after in pairs)


def write_due(*, now: datetime) -> None:
    """Write to each shop whose order the office has changed and left alone since."""
    waiting = OrderChange.objects.filter(told_at__isnull=True)
    last_at: dict[int, datetime] = {}
    for order_id, at in waiting.order_by("at").values_list("order", "at"):
        last_at[order_id] = at
    if not last_at:
        return
    quiet = timedelta(
        minutes=SettingBook.read(on=timezone.localdate(now)).whole("change_letter_quiet_min")
    )
    for order_id, at in last_at.items():
        if has_waited(since=at, now=now, wait=quiet):
            _write_one(order_id, now)


@transaction.atomic
def _write_one(order_id: int, now: datetime) -> None:
    rows = Order.objects.select_for_update(of=("self",))
    order = rows.select_related("ship_to__customer", "customer", "week").get(pk=order_id)
    changes = list(
        order.changes.filter(told_at__isnull=True)
        .select_related("user")
        .prefetch_related("rows__line__listing")
        .order_by("number")
    )
    order.changes.filter(pk__in=[row.pk for row in changes]).update(told_at=now)
    nets = net_rows(changes=changes)
    is_withdrawn = order.state == Order.State.WITHDRAWN
    if changes and (nets or is_withdrawn):
        _write(order, changes, nets, is_withdrawn, now)


def net_rows(*, changes: Sequence[OrderChange]) -> list[Net]:
    """What some changes come to, one after the other: each line as it was first and is at last."""
    firsts: dict[int, OrderChangeRow] = {}
    lasts: dict[int, OrderChangeRow] = {}
    for change in changes:
        for row in change.rows.all():
            firsts.setdefault(row.line_id, row)
            lasts[row.line_id] = row
    nets = [
        Net(
            listing=lasts[pk].line.listing,
            asked=(first.asked_before, lasts[pk].asked_after),
            least=(first.least_before, lasts[pk].least_after),
            promised=(first.promised_before, lasts[pk].promised_after),
            price=(first.price_before, lasts[pk].price_after),
        )
        for pk, first in sorted(firsts.items(), key=lambda item: item[1].line.position)
    ]
    return [row for row in nets if row.differs]


def _write(
    order: Order,
    changes: Sequence[OrderChange],
    nets: Sequence[Net],
    is_withdrawn: bool,
    now: datetime,
) -> None:
    number, zone = order.number, order.ship_to.time_zone
    lines = f"{len(nets)} line{'s' if len(nets) != 1 else ''}"
    what = "is withdrawn" if is_withdrawn else f"was changed by the office: {lines}"
    until = time_text(at=order.week.cut_off_at, zone=zone)
    write_to_shop(
        order,
        now=now,
        key=f"changed:{number}:{changes[-1].number}",
        kind="your order was changed",
        subject=f"Order {number} {what}",
        action=Action(f"Look at order {number}", reverse("order", args=[number])),
        template="order_changed",
        context={
            "rows": [_row(net) for net in nets],
            "is_withdrawn": is_withdrawn,
            "who": [f"{row.user.name}, {time_text(at=row.at, zone=zone)}" for row in changes
                    if row.user is not None],
            "reasons": list(dict.fromkeys(row.reason for row in changes if row.reason)),
            "until_words": until if may_change(order=order, now=now) else "",
            **week_context(week=order.week, ship_to=order.ship_to, now=now, ship_on=order.ship_on),
        },
    )  # fmt: skip


def _row(net: Net) -> dict[str, Any]:
    was, now = net.asked
    notes = []
    if now and was and net.least[0] != net.least[1]:
        notes.append(f"least {net.least[1]}, was {net.least[0]}")
    if now and net.price[0] is not None and net.price[0] != net.price[1]:
        notes.append(f"${net.price[1]} each, was ${net.price[0]}")
    elif now and not was:
        notes.append(f"${net.price[1]} each")
    if net.promised[0] != net.promised[1]:
        notes.append(f"{net.promised[1]} promised, {net.promised[0]} before")
    return {
        "title": net.listing.title,
        "name": net.listing.name,
        "was": was or "-",
        "now": now or "-",
        "what": "taken off" if not now else "added" if not was else "",
        "note": "; ".join(notes),
    }
