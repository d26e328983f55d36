"""Ship weeks as rows: their days, publish hour and cut-off, from the calendar of no delivery.

Call from: config/playing.py, orders/pages.py, orders/api.py, shipping/pages.py.
"""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.conf import settings

from inventory.errors import Unknown
from orders.calc.weeks import (
    WeekCalendar,
    day_text,
    monday_of,
    ship_calendar,
    time_text,
    week_marks,
)
from orders.models import NoDeliveryDay, ShipWeek


def open_week(*, monday: date, farm_zone: str) -> ShipWeek:
    """The ship week that begins on a Monday, made from the calendar on first use."""
    known = ShipWeek.objects.filter(monday=monday).first()
    if known is not None:
        return known
    calendar = calendar_of(monday=monday, farm_zone=farm_zone)
    return ShipWeek.objects.create(
        monday=monday,
        name=calendar.name,
        publish_at=calendar.publish_at,
        cut_off_at=calendar.cut_off_at,
        first_ship_on=calendar.ship_days[0],
        last_ship_on=calendar.ship_days[-1],
    )


def calendar_of(*, monday: date, farm_zone: str = settings.FARM_TIME_ZONE) -> WeekCalendar:
    """The days of the ship week that begins on a Monday, from the days of no delivery."""
    # The week before decides when this list goes out, so its days are read as well.
    days = NoDeliveryDay.objects.filter(
        region="", day__range=(monday - timedelta(days=7), monday + timedelta(days=7))
    ).values_list("day", flat=True)
    return ship_calendar(monday=monday, no_delivery_days=frozenset(days), farm_zone=farm_zone)


def week_named(*, name: str) -> ShipWeek:
    """The ship week of an ISO week name such as 2026-W49. Raises Unknown."""
    try:
        monday = monday_of(name)
    except ValueError:
        raise Unknown(kind="ship week", name=name) from None
    week = ShipWeek.objects.filter(monday=monday).first()
    if week is None:
        raise Unknown(kind="ship week", name=name)
    return week


@dataclass(frozen=True, slots=True)
class LineMark:
    """One mark of the week line as it is drawn: its words, and where it stands from 0 to 1000."""

    name: str
    words: str
    x: float
    is_now: bool = False


@dataclass(frozen=True, slots=True)
class WeekLine:
    """The week as one ruled line: its days, its marks in time order, and a notch for now."""

    days: tuple[LineMark, ...]
    marks: tuple[LineMark, ...]


def week_line(*, week: ShipWeek, now: datetime, zone: str, ship_on: date | None = None) -> WeekLine:
    """The week line for a reader in a zone, for one ship day or the week's first."""
    ship_on = ship_on or week.first_ship_on
    calendar = WeekCalendar(
        monday=week.monday,
        name=week.name,
        ship_days=(ship_on,),
        publish_at=week.publish_at,
        cut_off_at=week.cut_off_at,
        is_shifted=False,
        is_published_early=False,
        no_delivery_days=(),
    )
    marks = week_marks(calendar=calendar, farm_zone=settings.FARM_TIME_ZONE, arrival_zone=zone)
    reader = ZoneInfo(zone)
    first = min(marks[0].at, week.publish_at).astimezone(reader).date()
    days = (marks[-1].at.astimezone(reader).date() - first).days + 1
    start = datetime.combine(first, time(), reader)
    span_s = timedelta(days=days).total_seconds()

    def stands_at(at: datetime) -> float:
        return round(1000 * (at - start).total_seconds() / span_s, 1)

    drawn = [
        LineMark(mark.name, time_text(at=mark.at, zone=zone), stands_at(mark.at)) for mark in marks
    ]
    if 0 <= stands_at(now) <= 1000:
        drawn.append(LineMark("now", time_text(at=now, zone=zone), stands_at(now), is_now=True))
    return WeekLine(
        days=tuple(
            LineMark(day_text(first + timedelta(days=day)), "", round(1000 * day / days, 1))
            for day in range(days)
        ),
        marks=tuple(sorted(drawn, key=lambda mark: mark.x)),
    )
