"""The acts that can be tried before they are signed: lift or raise a hold, move a day, weather,
a price, a mother floor. Each names what it touches and calls the hop that does it.

Call from: config/what_if.py, config/what_if_pages.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, ClassVar, Protocol

from django.utils import timezone

from inventory import holds
from inventory.models import Hold, Listing, Strain
from inventory.people import User
from orders.calc.weeks import day_text
from orders.intake import ShipDayNotOffered
from orders.models import Line, Order, ShipTo, ShipWeek
from orders.pricing import set_price
from shipping.bench_numbers import Bench
from shipping.boxing import bags_of
from shipping.clearing import PLANNABLE, enter_forecast, make_plan, set_aside
from shipping.models import PickSheet
from shipping.recalling import trace

NOT_PICKED_YET = ("sent", "checked", "promised")
Touched = list[tuple[str, str]]


class Act(Protocol):
    """One thing a person may try. ``key`` names it with all its inputs."""

    stop: ClassVar[str]

    @property
    def right(self) -> str: ...

    @property
    def key(self) -> list[str]: ...

    @property
    def words(self) -> str: ...

    def can_sign(self, *, now: datetime) -> bool: ...

    def trial(self) -> "Act": ...

    def prepare(self, *, now: datetime, user: User) -> None: ...

    def do(self, *, now: datetime, user: User) -> None: ...

    def touched(self, *, now: datetime) -> Touched: ...

    def needs(self, *, now: datetime) -> str: ...

    def order_numbers(self) -> list[str]: ...


class _Plain:
    """What most acts have in common: signed at once, nothing set beforehand, no plan looked at."""

    # The stop that the act takes away from listings, where it does.
    stop: ClassVar[str] = ""

    def can_sign(self, *, now: datetime) -> bool:
        return True

    def trial(self) -> Any:
        return self

    def prepare(self, *, now: datetime, user: User) -> None:
        return None

    def needs(self, *, now: datetime) -> str:
        return ""

    def order_numbers(self) -> list[str]:
        return []


def _sheets_over(trays: Sequence[str]) -> Touched:
    sheets = PickSheet.objects.filter(
        tasks__tray__code__in=trays, state__in=["drawn", "printed"]
    ).distinct()
    return [("sheet", f"{sheet.stamp}, {sheet}: goes stale") for sheet in sheets]


def _held_trays(hold: Hold) -> list[str]:
    codes = holds.held_balances(hold).values_list("tray__code", flat=True)
    return sorted(codes)


@dataclass(frozen=True)
class LiftHold(_Plain):
    """A hold lifted on a farm day: today it can be signed, a later day can only be asked."""

    hold: Hold
    on: date
    reason: str = ""
    stop: ClassVar[str] = "hold"

    @property
    def right(self) -> str:
        is_earned = len(self.hold.counted_looks()) >= self.hold.needs_looks
        return "lift_hold" if is_earned else "lift_hold_early"

    def trial(self) -> "LiftHold":
        # A question needs no reason; a signature does.
        return replace(self, reason=self.reason or "only asked")

    @property
    def key(self) -> list[str]:
        return ["lift", self.hold.code, self.on.isoformat()]

    @property
    def words(self) -> str:
        return f"this hold lifts on {day_text(self.on)}"

    def can_sign(self, *, now: datetime) -> bool:
        return self.on == timezone.localdate(now)

    def prepare(self, *, now: datetime, user: User) -> None:
        # Lists count an expected lift in already: compared is the hold that stays.
        Hold.objects.filter(pk=self.hold.pk).update(lift_expected_on=None)

    def do(self, *, now: datetime, user: User) -> None:
        if self.can_sign(now=now):
            holds.lift_hold(hold=self.hold, at=now, user=user, reason=self.reason)
        else:
            Hold.objects.filter(pk=self.hold.pk).update(lift_expected_on=self.on)

    def touched(self, *, now: datetime) -> Touched:
        trays = _held_trays(self.hold)
        return [("trays", ", ".join(trays)), *_sheets_over(trays)]

    def needs(self, *, now: datetime) -> str:
        """How many clean looks are missing by then, in words."""
        missing = self.hold.needs_looks - len(self.hold.counted_looks())
        if missing <= 0:
            return "Its clean looks have earned it."
        looks = "one more clean look" if missing == 1 else f"{missing} more clean looks"
        earliest = self.hold.earliest_lift_on()
        if self.on < earliest:
            return (
                f"Needs {looks}, the last on {day_text(earliest)} at the earliest; before that "
                "only the owner lifts it, with a reason."
            )
        # Only the looks before the last could have been made by then.
        return f"Needs {looks} on the day." if missing == 1 else f"Needs {looks} by then."


@dataclass(frozen=True)
class RaiseHold(_Plain):
    scope_kind: str
    scope: str
    grade: str
    reason: str

    @property
    def right(self) -> str:
        return "raise_hold"

    @property
    def key(self) -> list[str]:
        return ["raise", self.scope_kind, self.scope, self.grade, self.reason]

    @property
    def words(self) -> str:
        return f"a {self.grade} hold is raised on {self.scope_kind} {self.scope}"

    def do(self, *, now: datetime, user: User) -> None:
        holds.raise_hold(
            scope_kind=self.scope_kind,
            scope=self.scope,
            reason=self.reason,
            grade=self.grade,
            at=now,
            user=user,
        )

    def touched(self, *, now: datetime) -> Touched:
        """Trays, sheets, bags on the bench, and what has left within the usual look-back."""
        target = holds.place_of(scope_kind=self.scope_kind, scope=self.scope)
        look_back = Hold._meta.get_field("look_back_days").get_default()
        bags = trace(
            scope_kind=self.scope_kind,
            scope=self.scope,
            from_on=timezone.localdate(now) - timedelta(days=look_back),
        )
        trays = _held_trays(Hold(**{self.scope_kind: target}))
        found = [("trays", ", ".join(trays)), *_sheets_over(trays)]
        for bag in bags:
            if bag.is_here:
                found.append(("bag", f"{bag.bag} of order {bag.order}, {bag.pieces} {bag.strain}"))
        for code in sorted({bag.shipment for bag in bags if not bag.is_here}):
            mine = [bag for bag in bags if bag.shipment == code]
            pieces = sum(bag.pieces for bag in mine)
            words = f"{code} to {mine[0].customer_name}, {pieces} pieces: has left"
            found.append(("shipment", words))
        return found


@dataclass(frozen=True)
class MoveShipDay(_Plain):
    """Every order of a lane that ships on one day goes on another day of its week."""

    lane: str
    was: date
    to: date
    reason: str

    @property
    def right(self) -> str:
        return "order_for_customer"

    @property
    def key(self) -> list[str]:
        return ["day", self.lane, self.was.isoformat(), self.to.isoformat()]

    @property
    def words(self) -> str:
        return f"lane {self.lane} ships on {day_text(self.to)} instead of {day_text(self.was)}"

    def _orders(self) -> list[Order]:
        rows = Order.objects.filter(
            ship_to__lane__code=self.lane,
            ship_on__in=[self.was, self.to],
            state__in=NOT_PICKED_YET,
        )
        return list(rows.select_related("ship_to__lane", "ship_to__zone", "customer", "week"))

    def order_numbers(self) -> list[str]:
        return [order.number for order in self._orders()]

    def do(self, *, now: datetime, user: User) -> None:
        if self.to == self.was or self.to < timezone.localdate(now):
            raise _not_offered(self.to, ShipWeek.objects.filter(last_ship_on__gt=self.was).first())
        bench = Bench.read(on=self.to)
        for order in self._orders():
            if order.ship_on != self.was:
                continue
            if self.to not in order.week.ship_days:
                raise _not_offered(self.to, order.week)
            moved = set_aside(order=order, to=self.to, now=now, reason=self.reason)
            order.refresh_from_db(fields=["ship_on", "office_note"])
            if moved.state in PLANNABLE and bags_of(order=order):
                make_plan(order=order, now=now, bench=bench, stage="by hand")

    def touched(self, *, now: datetime) -> Touched:
        orders = [order for order in self._orders() if order.ship_on == self.was]
        numbers = [order.number for order in orders]
        sheets = PickSheet.objects.filter(
            tasks__promise__line__order__number__in=numbers, state__in=["drawn", "printed"]
        ).distinct()
        found = [("order", f"{order.number} to {order.ship_to}") for order in orders]
        return found + [("sheet", f"{sheet.stamp}, {sheet}: goes stale") for sheet in sheets]


def _not_offered(day: date, week: ShipWeek | None) -> ShipDayNotOffered:
    days = " and ".join(day_text(one) for one in week.ship_days) if week else "no day ahead"
    name = week.name if week else "No week"
    return ShipDayNotOffered(asked=day_text(day), week=name, days=days)


@dataclass(frozen=True)
class OtherWeather(_Plain):
    """Another forecast for one ship-to and ship day. [deg C]"""

    ship_to: ShipTo
    ship_on: date
    evening_c: float
    hub_c: float
    morning_c: float
    midday_c: float

    @property
    def right(self) -> str:
        return "enter_forecast"

    @property
    def key(self) -> list[str]:
        numbers = (self.evening_c, self.hub_c, self.morning_c, self.midday_c)
        return ["weather", self.ship_to.code, self.ship_on.isoformat(), *map(str, numbers)]

    @property
    def words(self) -> str:
        return (
            f"{self.ship_to.town} on {day_text(self.ship_on)} has evening {self.evening_c:g}, hub "
            f"{self.hub_c:g}, morning {self.morning_c:g} and midday {self.midday_c:g} °C"
        )

    def _orders(self) -> list[Order]:
        rows = Order.objects.filter(ship_to=self.ship_to, ship_on=self.ship_on, state__in=PLANNABLE)
        return list(rows.select_related("ship_to__lane", "ship_to__zone", "customer", "week"))

    def order_numbers(self) -> list[str]:
        return [order.number for order in self._orders()]

    def do(self, *, now: datetime, user: User) -> None:
        enter_forecast(
            ship_to=self.ship_to,
            ship_on=self.ship_on,
            now=now,
            user=user,
            evening_c=self.evening_c,
            hub_c=self.hub_c,
            morning_c=self.morning_c,
            midday_c=self.midday_c,
        )
        bench = Bench.read(on=self.ship_on)
        for order in self._orders():
            if bags_of(order=order):
                make_plan(order=order, now=now, bench=bench, stage="by hand")

    def touched(self, *, now: datetime) -> Touched:
        return [("order", f"{order.number} to {order.ship_to}") for order in self._orders()]


@dataclass(frozen=True)
class NewPrice(_Plain):
    listing: Listing
    list_price: Decimal
    starts_on: date
    reason: str

    @property
    def right(self) -> str:
        return "edit_prices"

    @property
    def key(self) -> list[str]:
        return ["price", self.listing.name, str(self.list_price), self.starts_on.isoformat()]

    @property
    def words(self) -> str:
        return f"{self.listing.name} is listed at {self.list_price} from {day_text(self.starts_on)}"

    def do(self, *, now: datetime, user: User) -> None:
        set_price(
            listing=self.listing,
            list_price=self.list_price,
            starts_on=self.starts_on,
            reason=self.reason,
            user=user,
            now=now,
        )

    def touched(self, *, now: datetime) -> Touched:
        lines = Line.objects.filter(
            listing=self.listing, order__week__closed_at__isnull=True, state=Line.State.OPEN
        )
        return [
            ("order", f"{line.order.number} keeps the price it was sent at, {line.unit_price}")
            for line in lines.select_related("order").order_by("order__number")
        ]


@dataclass(frozen=True)
class LowerFloor(_Plain):
    strain: Strain
    pieces: int
    reason: str

    @property
    def right(self) -> str:
        return "lower_floor"

    @property
    def key(self) -> list[str]:
        return ["floor", self.strain.key, str(self.pieces)]

    @property
    def words(self) -> str:
        return f"the mother floor of {self.strain.name} is {self.pieces}"

    def do(self, *, now: datetime, user: User) -> None:
        holds.lower_floor(
            strain_key=self.strain.key,
            pieces=self.pieces,
            reason=self.reason,
            user=user,
            at=now,
        )

    def touched(self, *, now: datetime) -> Touched:
        return [("strain", f"{self.strain}: floor {self.strain.floor_pieces} to {self.pieces}")]
