"""What an edit would make of planned boxes, and of lines that the law judges, order by order.

The boxes are planned anew as at a weather check, under the edit, against the forecast that their
plan was made with: so what differs comes from the edit alone.

Call from: config/editing.py, within the transaction that it undoes.
Locks: each order that is planned anew, until the trial is undone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Q, QuerySet

from config.what_if_rows import PlanChange, plan_row
from orders.models import Line, Order, Promise
from orders.rules import RuleBook
from shipping.bench_numbers import Bench
from shipping.clearing import NothingToPack, make_plan
from shipping.models import PackPlan

# Orders that have not been handed over.
UNDER_WAY = ("sent", "checked", "promised", "in pick", "packed", "set aside")
# One order's boxes take 0.03 to 0.08 s on a small machine: about three seconds for as many as
# these. A number, not a clock: the signature makes the trial again and has to find the same.
MOST_PLANS = 40
Judged = dict[int, tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Trial:
    """Plans that would be others, orders whose boxes would stay, orders that were not tried, and
    what the law would say of each line before and after."""

    plans: tuple[PlanChange, ...] = ()
    same: tuple[str, ...] = ()
    untried: tuple[str, ...] = ()
    lines: tuple[tuple[str, str], ...] = ()

    @property
    def sentence(self) -> str:
        """What becomes of the planned boxes, verdicts first. Empty where none are touched."""
        tried = len(self.plans) + len(self.same)
        if not tried:
            return ""
        turned = [row for row in self.plans if row.turn]
        words = [f"{row.order} goes from {row.turn}" for row in turned]
        others = len(self.plans) - len(turned)
        if others:
            words.append(f"{others} keep{'s' * (others == 1)} the verdict with other numbers")
        if self.same:
            words.append(f"{', '.join(self.same)} would stay as planned")
        parts = [
            f"Planned anew against the forecast of its last check, of {tried} "
            f"order{'s' * (tried > 1)}: {'; '.join(words)}."
        ]
        if self.untried:
            parts.append(
                f"Only the {tried} that ship first were tried; {len(self.untried)} more read it "
                f"when they are planned again: {', '.join(self.untried)}."
            )
        return " ".join(parts)


class Before:
    """What stands before an edit is written; after() looks again when it is."""

    def __init__(self, *, plans: Q | None, lines: Q | None, starts_on: date) -> None:
        found = _live_plans(plans, starts_on) if plans is not None else []
        self.plans = found[:MOST_PLANS]
        self.untried = tuple(plan.order.number for plan in found[MOST_PLANS:])
        self.lines_of = lines
        self.starts_on = starts_on
        self.judged = _judged(lines, starts_on)

    def after(self) -> Trial:
        changes = [_planned_anew(plan) for plan in self.plans]
        return Trial(
            plans=tuple(row for row in changes if row.was != row.now),
            same=tuple(row.order for row in changes if row.was == row.now),
            untried=self.untried,
            lines=self._lines(),
        )

    def _lines(self) -> tuple[tuple[str, str], ...]:
        then = _judged(self.lines_of, self.starts_on)
        rows = [
            ("line", f"{name}: {verdict}, {then[pk][1]} then")
            for pk, (name, verdict) in self.judged.items()
            if pk in then and then[pk][1] != verdict
        ]
        stay = sum(pk in then and then[pk][1] == said for pk, (_, said) in self.judged.items())
        if stay:
            rows.append(("lines", f"{stay} under way would be judged as they are now"))
        return tuple(rows)


def _live_plans(which: Q, starts_on: date) -> list[PackPlan]:
    rows = PackPlan.objects.filter(
        which, void_at__isnull=True, order__state__in=UNDER_WAY, ship_on__gte=starts_on
    )
    return list(rows.select_related("order").order_by("ship_on", "order__number"))


def _planned_anew(plan: PackPlan) -> PlanChange:
    """An order's plan as it stands, and as it would be made once more at its own moment."""
    # Read anew: the edit may have changed the ship-to, the lane or the zone behind it.
    order = Order.objects.select_related("ship_to__lane", "ship_to__zone", "customer").get(
        pk=plan.order_id
    )
    try:
        then = make_plan(
            order=order,
            now=plan.made_at,
            bench=Bench.read(on=order.ship_on),
            stage="only tried",
        )
    except NothingToPack:
        return PlanChange(order.number, plan_row(plan), None)
    return PlanChange(order.number, plan_row(plan), plan_row(then))


def _judged(which: Q | None, starts_on: date) -> Judged:
    """Each line under way and what the law says of it on its ship day, in words."""
    if which is None:
        return {}
    books: dict[int, RuleBook] = {}
    found: Judged = {}
    for line in _lines(which, starts_on):
        ship_to = line.order.ship_to
        book = books.setdefault(ship_to.pk, RuleBook.read(ship_to=ship_to))
        found[line.pk] = (f"order {line.order.number}, {line.listing.name}", _verdict(book, line))
    return found


def _lines(which: Q, starts_on: date) -> QuerySet[Line]:
    rows = Line.objects.filter(
        which, order__state__in=UNDER_WAY, order__ship_on__gte=starts_on
    ).exclude(state__in=[Line.State.REFUSED, Line.State.WITHDRAWN])
    return rows.select_related(
        "order__ship_to", "listing__strain_form__strain__strain_class"
    ).order_by("order__number", "position")


def _verdict(book: RuleBook, line: Line) -> str:
    judged = book.judge(strain=line.listing.strain_form.strain, on=line.order.ship_on)
    if judged.verdict == "forbid":
        return "may not go there"
    if judged.verdict == "paper":
        return "waits for a paper"
    if judged.verdict == "ask":
        return "may go, a person confirmed it" if line.confirmed_at else "waits for a person"
    if judged.balance_pieces is not None:
        promise = Promise.objects.filter(line=line, state__in=Promise.LIVE).first()
        if promise is not None and judged.balance_pieces < promise.pieces:
            return f"its paper lets {judged.balance_pieces} of {promise.pieces} go"
    return f"may go by {judged.reason}" if judged.reason else "may go"


def names_of(rows: Sequence[PlanChange]) -> list[list[str]]:
    """What a mark is made of: every word that was shown of each plan."""
    return [[row.order, f"{row.was}", f"{row.now}"] for row in rows]
