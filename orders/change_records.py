"""HOP 6b changes, their record: what an order's lines were before and after, and who changed them.

Call from: orders/changing.py, orders/amending.py; orders/pages.py and orders/api.py read it.
Locks: none; the caller holds the order's row.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from inventory.models import Happening
from inventory.people import User
from orders.calc.change_words import RowChange, change_sentence
from orders.calc.weeks import time_text
from orders.models import Line, ListLine, Order, OrderChange, OrderChangeRow, Promise

STANDING = (Line.State.OPEN, Line.State.NEEDS_PAPER, Line.State.NEEDS_PERSON)


@dataclass(frozen=True, slots=True)
class LineFacts:
    """What of a line a change can move. [sale units, $ a unit]"""

    asked: int = 0
    least: int = 0
    promised: int = 0
    price: Decimal | None = None


@dataclass(frozen=True, slots=True)
class ChangeShown:
    """One change as people and programs read it."""

    number: int
    at: datetime
    by: str
    channel: str
    kind: str
    words: str


def facts_of(*, order: Order) -> dict[int, LineFacts]:
    """Every line of an order as it stands now, by its key."""
    promises = Promise.objects.filter(line__order=order, state__in=Promise.LIVE)
    promised = dict(promises.values_list("line_id", "units"))
    return {
        line.pk: LineFacts(
            asked=line.asked if line.state in STANDING else 0,
            least=line.least if line.state in STANDING else 0,
            promised=promised.get(line.pk, 0),
            price=line.unit_price,
        )
        for line in order.lines.all()
    }


def channel_of(user: User | None) -> str:
    """Where a change comes from when nobody says: the office types for a shop, a shop itself."""
    if user is None:
        return OrderChange.Channel.BY_ITSELF
    return OrderChange.Channel.PHONE if user.is_staff_member else OrderChange.Channel.PAGE


def write_change(
    *,
    order: Order,
    before: Mapping[int, LineFacts],
    now: datetime,
    user: User | None,
    channel: str = "",
    kind: str = OrderChange.Kind.CHANGED,
    reason: str = "",
    is_told: bool = False,
) -> OrderChange:
    """Keep a change, count the order's version up and tell of it once. The work is done by then.

    What the office changes is written to the shop (orders/change_messages.py), unless another
    letter tells of it.
    """
    is_ours = user is not None and user.is_staff_member
    after = facts_of(order=order)
    order.version += 1
    order.save(update_fields=["version"])
    change = OrderChange.objects.create(
        order=order,
        number=order.version,
        at=now,
        user=user,
        channel=channel or channel_of(user),
        kind=kind,
        reason=reason[:300],
        told_at=None if is_ours and not is_told else now,
    )
    OrderChangeRow.objects.bulk_create(
        _row(change, pk, before.get(pk, LineFacts()), facts)
        for pk, facts in after.items()
        if before.get(pk, LineFacts()) != facts
    )
    facts = {
        "order": order.number,
        "customer": order.customer.code,
        "week": order.week.name,
        "version": order.version,
        "reason": reason or words_of(change=change),
    }
    Happening.objects.create(kind="order.changed", at=now, facts=facts)
    _tell_of_what_is_back(order, before, after, now)
    return change


def _row(change: OrderChange, pk: int, was: LineFacts, facts: LineFacts) -> OrderChangeRow:
    assert facts.price is not None
    return OrderChangeRow(
        change=change,
        line_id=pk,
        asked_before=was.asked,
        asked_after=facts.asked,
        least_before=was.least,
        least_after=facts.least,
        promised_before=was.promised,
        promised_after=facts.promised,
        price_before=was.price if was.asked else None,
        price_after=facts.price,
    )


def _tell_of_what_is_back(
    order: Order,
    before: Mapping[int, LineFacts],
    after: Mapping[int, LineFacts],
    now: datetime,
) -> None:
    """Pieces given back before the cut-off open a line again that was sold through."""
    given = [pk for pk, was in before.items() if after[pk].promised < was.promised]
    if not given or order.week.closed_at is not None:
        return
    version = order.week.versions.order_by("-number").first()
    if version is None:
        return
    sold = version.lines.filter(
        status=ListLine.Status.SOLD_THROUGH,
        listing__in=Line.objects.filter(pk__in=given).values("listing"),
    )
    for name in sold.values_list("listing__name", flat=True):
        facts = {"listing": name, "reason": f"{name}: some of it came back"}
        Happening.objects.create(kind="line.back", at=now, facts=facts)


def words_of(*, change: OrderChange) -> str:
    """What a change changed, in words; its reason where somebody gave one."""
    rows = [_row_change(row) for row in change.rows.select_related("line__listing")]
    words = change_sentence(rows)
    if change.kind == OrderChange.Kind.WITHDRAWN:
        return change.reason
    return f"{words}: {change.reason}" if change.reason and words else words or change.reason


def _row_change(row: OrderChangeRow) -> RowChange:
    return RowChange(
        name=row.line.listing.name,
        asked=(row.asked_before, row.asked_after),
        least=(row.least_before, row.least_after),
        promised=(row.promised_before, row.promised_after),
        price=(row.price_before, row.price_after),
    )


def changes_shown(*, order: Order, after: int = 0) -> list[ChangeShown]:
    """Every change of an order later than a version, oldest first."""
    changes: Iterable[OrderChange] = (
        order.changes.filter(number__gt=after)
        .select_related("user")
        .prefetch_related("rows__line__listing")
    )
    return [
        ChangeShown(
            number=row.number,
            at=row.at,
            by=row.user.name if row.user else _nobody(row, order),
            channel=row.get_channel_display(),
            kind=row.kind,
            words=words_of(change=row),
        )
        for row in changes
    ]


def _nobody(change: OrderChange, order: Order) -> str:
    is_system = change.channel == OrderChange.Channel.API
    return f"{order.customer.name}'s system" if is_system else "the farm"


def when_words(change: ChangeShown, *, zone: str) -> str:
    """When by the clocks of a zone and by whom, such as "Thu 26 Nov, 09:12, Petra Lunn, page"."""
    return f"{time_text(at=change.at, zone=zone)}, {change.by}, {change.channel}"
