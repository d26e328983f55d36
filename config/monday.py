"""The office's week in rows: what is stopped, what is short, which order needs a word.

Call from: config/pages.py. Reads only.
"""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal

from django.db.models import Case, DecimalField, F, Q, Sum, When
from django.utils import timezone

from inventory.models import Hold
from inventory.setting_book import SettingBook
from orders import list_guard, share_runs, sharing
from orders.calc.weeks import day_text
from orders.models import Line, ListLine, Order, Paper, RegionRule, ShipWeek
from orders.resting import open_questions
from orders.weeks import answer_until
from shipping.clearing import newest_forecast
from shipping.incidents import open_incidents
from shipping.models import Credit, FreightCredit, PackPlan

AHEAD = timedelta(days=14)
GONE = ("withdrawn", "set aside", "basket")


@dataclass(frozen=True, slots=True)
class Row:
    """One thing to look at. ``url`` opens where it is settled."""

    what: str
    state: str
    why: str
    url: str = ""
    args: tuple[str, ...] = field(default=())


def stops(*, week: ShipWeek | None, now: datetime) -> list[Row]:
    """Incidents at a bench, lists that wait, holds, rests, papers and weather, in that order."""
    rows = _incidents() + _waiting_lists(now) + _holds()
    if week is not None:
        rows += _rests(week)
    return rows + _papers(now) + (_weather(week, now) if week else [])


def _incidents() -> list[Row]:
    return [
        Row(
            f"bench of {row.shipment.order}",
            "stopped",
            f"{row.get_kind_display()}: {row.words} ({row}, since "
            f"{timezone.localtime(row.noted_at):%-d %b %H:%M}); a lead or the owner ends it there",
            "bench",
            (row.shipment.order.number,) if row.shipment.order else (),
        )
        for row in open_incidents()
    ]


def _waiting_lists(now: datetime) -> list[Row]:
    """Lists that will not go out by themselves, from the day before their hour on."""
    soon = ShipWeek.objects.filter(
        published_at__isnull=True, publish_at__lte=now + timedelta(days=1), cut_off_at__gte=now
    )
    rows = []
    for week in soon:
        faults = list_guard.faults_now(week=week, now=now)
        unsigned = list_guard.unsigned_faults(week=week, faults=faults)
        if unsigned:
            words = list_guard.fault_words(unsigned)
            hour = timezone.localtime(week.publish_at)
            why = f"{words}, not signed; without it the list does not go out {hour:%a %H:%M}"
            rows.append(Row(f"list {week.name}", "waits", why, "publish", (week.name,)))
    return rows


def _holds() -> list[Row]:
    holds = Hold.objects.filter(state__in=Hold.OPEN).prefetch_related("looks")
    return [
        Row(
            f"system {hold.system.code}" if hold.system else hold.scope,
            hold.get_state_display(),
            f"{hold.reason} (since {timezone.localtime(hold.raised_at):%-d %b}, "
            f"{len(hold.counted_looks())} of {hold.needs_looks} clean looks)",
            "holds",
        )
        for hold in holds.select_related("system", "trough", "tray", "lot")
    ]


def _rests(week: ShipWeek) -> list[Row]:
    version = week.versions.exclude(reason__startswith="closed").last()
    if version is None:
        return []
    lines = version.lines.filter(status=ListLine.Status.RESTING).select_related("listing")
    names: dict[tuple[str, str], list[str]] = defaultdict(list)
    for line in lines:
        names[line.status, line.reason].append(line.listing.name)
    return [
        Row(some[0], status, reason)
        if len(some) == 1
        else Row(f"{len(some)} listings", status, f"{reason}: {', '.join(some)}")
        for (status, reason), some in names.items()
    ]


def _papers(now: datetime) -> list[Row]:
    """Papers that end and rules that are due for a second look within a fortnight."""
    on = timezone.localdate(now)
    rows = [
        Row(
            f"paper {paper.code}",
            "ended" if paper.valid_to and paper.valid_to < on else "ends soon",
            f"{paper.kind} of {paper.customer or paper.ship_to or 'the farm'}, "
            f"valid to {paper.valid_to:%-d %b %Y}",
        )
        for paper in Paper.objects.filter(valid_to__lte=on + AHEAD)
        .select_related("customer", "ship_to__customer")
        .order_by("valid_to")
    ]
    stale = RegionRule.objects.filter(review_by__lte=on + AHEAD).order_by("review_by", "region")
    rows += [
        Row(
            f"rule {rule.region}",
            "past review" if rule.review_by < on else "review soon",
            f"{rule.get_verdict_display()}: {rule.text} (review by {rule.review_by:%-d %b %Y}); "
            "check it with the authority",
        )
        for rule in stale
    ]
    return rows


def _weather(week: ShipWeek, now: datetime) -> list[Row]:
    """Orders within two days of leaving whose forecast is missing or too old to decide by."""
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    oldest = now - timedelta(hours=book.number("forecast_max_age_h"))
    orders = Order.objects.filter(
        week=week, ship_on__range=(on, on + timedelta(days=1)), state__in=["promised", "in pick"]
    )
    rows = []
    for order in orders.select_related("ship_to__customer"):
        forecast = newest_forecast(ship_to=order.ship_to, ship_on=order.ship_on, now=now)
        if forecast is None or forecast.issued_at < oldest:
            age = (
                f"issued {timezone.localtime(forecast.issued_at):%a %H:%M}"
                if forecast
                else "none yet"
            )
            why = f"forecast for {day_text(order.ship_on)}: {age}; it counts as missing"
            rows.append(Row(f"weather {order.ship_to}", "missing", why, "plan", (order.number,)))
    return rows


def short_listings(*, week: ShipWeek | None, now: datetime) -> list[share_runs.SharedListing]:
    """Listings of which more is asked than there is, with what each shop would get, and why."""
    if week is None:
        return []
    shown = share_runs.signed_listings(week=week) or [*sharing.preview(week=week, now=now)]
    return [row for row in shown if row.is_short]


def orders_that_need_a_word(*, week: ShipWeek | None, now: datetime) -> list[Row]:
    """Lines that wait, credits, orders under the minimum, new ship-tos, late-risk consents."""
    credits = _credits_that_wait(now)
    if week is None:
        return credits
    return (
        _lines_that_wait(week)
        + _resting(week)
        + credits
        + _under_minimum(week, now)
        + _new_ship_tos(week)
        + _care(week)
    )


def _credits_that_wait(now: datetime) -> list[Row]:
    """Credits nobody has approved yet, of whatever week: reports to look at, freight to give."""
    most = SettingBook.read(on=timezone.localdate(now)).decimal("credit_most")
    reports = Credit.objects.filter(state="drafted", report__shipment__order__isnull=False)
    rows = [
        _credit_row(row.report.shipment.order, row.amount + row.freight, row.sentence, most)
        for row in reports.select_related("report__shipment__order__ship_to__customer")
        if row.report.shipment.order is not None
    ]
    freights = FreightCredit.objects.filter(state="drafted")
    return rows + [
        _credit_row(row.order, row.amount, row.sentence, most)
        for row in freights.select_related("order__ship_to__customer").order_by("pk")
    ]


def _credit_row(order: Order, amount: Decimal, sentence: str, most: Decimal) -> Row:
    who = "the owner" if amount > most else "the office"
    why = f"{amount} wait for {who}: {sentence}"
    return Row(f"{order.number} {order.ship_to}", "credit", why, "credits")


def _lines_that_wait(week: ShipWeek) -> list[Row]:
    lines = Line.objects.filter(
        order__week=week, state__in=[Line.State.NEEDS_PERSON, Line.State.NEEDS_PAPER]
    ).select_related("order__ship_to__customer", "listing")
    return [
        _order_row(line.order, line.get_state_display(), f"{line.listing.name}: {line.reason}")
        for line in lines
    ]


def _resting(week: ShipWeek) -> list[Row]:
    """Inked lines of a strain that rests: their buyers are asked, and until when."""
    rows = []
    for question in open_questions():
        order = question.line.order
        if order.week_id != week.pk:
            continue
        until = f"{timezone.localtime(answer_until(order=order)):%a %-d %b %H:%M}"
        what = f"{question.units} {question.line.listing.title}"
        why = f"{what} went out of colour; cancelled without an answer by {until}"
        where = f"{order.number} {order.ship_to}"
        rows.append(Row(where, "asked", why, "rest-answer", (order.number,)))
    return rows


def _order_row(order: Order, state: str, why: str) -> Row:
    return Row(f"{order.number} {order.ship_to}", state, why, "order", (order.number,))


def _under_minimum(week: ShipWeek, now: datetime) -> list[Row]:
    """Goods asked below the customer's minimum, over all its ship-tos. Named, never blocked."""
    default = SettingBook.read(on=timezone.localdate(now)).decimal("minimum_order")
    goods = (
        Order.objects.filter(week=week)
        .exclude(state__in=GONE)
        .values("customer")
        .annotate(
            goods=Sum(
                Case(
                    When(
                        ~Q(lines__state__in=["refused", "withdrawn"]),
                        then=F("lines__asked") * F("lines__unit_price"),
                    ),
                    default=Decimal(0),
                    output_field=DecimalField(max_digits=12, decimal_places=2),
                )
            )
        )
    )
    asked = {row["customer"]: row["goods"] or Decimal(0) for row in goods}
    rows = []
    orders = Order.objects.filter(week=week, customer__in=asked).exclude(state__in=GONE)
    for order in orders.select_related("customer", "ship_to__customer"):
        least = order.customer.minimum_order or default
        if asked[order.customer_id] < least:
            why = f"{asked[order.customer_id]:.2f} asked, the least is {least:.2f}"
            rows.append(_order_row(order, "under minimum", why))
    return rows


def _new_ship_tos(week: ShipWeek) -> list[Row]:
    """Ship-tos nothing has been sent to before: their first box is talked over."""
    orders = Order.objects.filter(week=week).exclude(state__in=GONE)
    known = (
        Order.objects.filter(week__monday__lt=week.monday).exclude(state__in=GONE).values("ship_to")
    )
    # A farm that has only begun has no earlier week; then every ship-to would be named.
    if not known.exists():
        return []
    return [
        _order_row(order, "new ship-to", "nothing has been sent there before; talk the box over")
        for order in orders.exclude(ship_to__in=known).select_related("ship_to__customer")
    ]


def _care(week: ShipWeek) -> list[Row]:
    plans = PackPlan.objects.filter(
        order__week=week,
        void_at__isnull=True,
        verdict=PackPlan.Verdict.CARE,
        order__is_late_risk_accepted=False,
    ).exclude(order__state__in=["on the road", "arrived", "settled"])
    return [
        _order_row(plan.order, "late risk", f"needs the shop's consent: {plan.sentence}")
        for plan in plans.select_related("order__ship_to__customer")
    ]
