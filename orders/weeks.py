"""Ship weeks as rows: their days, publish hour and cut-off, from the calendar of no delivery.

Call from: config/playing.py, orders/pages.py, orders/api.py, shipping/pages.py.
"""

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.conf import settings

from inventory.errors import FarmError, Unknown
from inventory.setting_book import SettingBook
from orders.calc.weeks import (
    WeekCalendar,
    day_text,
    moment_of,
    monday_of,
    ship_calendar,
    time_text,
    week_marks,
)
from orders.models import NoDeliveryDay, Order, ShipWeek


class NoShipDayLeft(FarmError):
    code = "no_ship_day_left"
    title = "No ship day would be left"
    message = (
        "{week} would have no day left to ship on. Let a day of that week be delivered, or leave "
        "the calendar as it is."
    )


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


def redraw_weeks(*, around: date) -> list[ShipWeek]:
    """Draw the days of weeks that are not out yet anew after the calendar changed near a day.

    Raises NoShipDayLeft.
    """
    near = (around - timedelta(days=7), around + timedelta(days=7))
    weeks = list(ShipWeek.objects.filter(published_at__isnull=True, monday__range=near))
    for week in weeks:
        try:
            calendar = calendar_of(monday=week.monday)
        except ValueError:
            raise NoShipDayLeft(week=week.name) from None
        week.publish_at, week.cut_off_at = calendar.publish_at, calendar.cut_off_at
        week.first_ship_on, week.last_ship_on = calendar.ship_days[0], calendar.ship_days[-1]
        week.save(update_fields=["publish_at", "cut_off_at", "first_ship_on", "last_ship_on"])
    return weeks


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


def answer_until(*, order: Order) -> datetime:
    """Until when a shop's answer about an order counts: the evening before its box leaves."""
    book = SettingBook.read(on=order.ship_on)
    return moment_of(
        on=order.ship_on - timedelta(days=1),
        at=time(book.whole("answer_until_h")),
        zone=settings.FARM_TIME_ZONE,
    )


@dataclass(frozen=True, slots=True)
class LineMark:
    """One mark of the week line as it is drawn: its words, where it stands from 0 to 1000, and
    where its label stands, so high above the line that no two labels touch."""

    name: str
    words: str
    x: float
    hour: str = ""
    is_now: bool = False
    text_x: float = 0.0
    text_y: int = 0
    leader_y: int = 0


@dataclass(frozen=True, slots=True)
class WeekLine:
    """The week as one ruled line: its days, its marks in time order, and a notch for now."""

    days: tuple[LineMark, ...]
    marks: tuple[LineMark, ...]
    top: int
    height: int


# Measures of the drawing, whose line is 1000 long: letters of 17 in a wide serif.
LETTER_WIDTH, LABEL_GAP, LABEL_STEP, LABEL_BASE, DAYS_DEPTH = 8.8, 10.0, 22, 16, 33


def week_line(
    *, week: ShipWeek, now: datetime | None, zone: str, ship_on: date | None = None
) -> WeekLine:
    """The week line for a reader in a zone, for one ship day or the week's first; on paper, which
    is read at any hour, without a notch for now."""
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

    def drawn(name: str, at: datetime, is_now: bool = False) -> LineMark:
        stands_at = round(1000 * (at - start).total_seconds() / span_s, 1)
        words = time_text(at=at, zone=zone)
        return LineMark(name, words, stands_at, f"{at.astimezone(reader):%H:%M}", is_now)

    rows = [drawn(mark.name, mark.at) for mark in marks]
    if now is not None and 0 <= (notch := drawn("now", now, is_now=True)).x <= 1000:
        rows.append(notch)
    placed = _place_labels(sorted(rows, key=lambda mark: mark.x))
    top = min(mark.text_y for mark in placed) - 16
    return WeekLine(
        days=tuple(
            LineMark(day_text(first + timedelta(days=day)), "", round(1000 * day / days, 1))
            for day in range(days)
        ),
        marks=placed,
        top=top,
        height=DAYS_DEPTH - top,
    )


def _place_labels(marks: list[LineMark]) -> tuple[LineMark, ...]:
    """Each label flies like a flag from its mark, on the lowest row where it touches no words to
    its right and no staff passes through it."""
    starts: list[float] = []
    staffs: list[tuple[float, int]] = []
    placed = []
    for mark in reversed(marks):
        width = (len(mark.name) + 1 + len(mark.hour)) * LETTER_WIDTH
        text_x = round(max(-20.0, min(mark.x + 2, 1020 - width)), 1)
        end = text_x + width + LABEL_GAP
        row = max((under + 1 for x, under in staffs if x <= end), default=0)
        while row < len(starts) and starts[row] < end:
            row += 1
        starts[row : row + 1] = [text_x]
        staffs.append((mark.x, row))
        text_y = -LABEL_BASE - row * LABEL_STEP
        placed.append(
            replace(mark, text_x=text_x, text_y=text_y, leader_y=text_y + 5 if row else 0)
        )
    return tuple(reversed(placed))
