"""Ship weeks as dates: ISO names, ship days, list and cut-off times, hand-over days, windows.

A week is its Monday. Its number is only a name: 2026 has a week 53, so one is never added to it.
Every time that leaves here is aware and in UTC, so that adding hours means hours that pass.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

WEEK_NAME = re.compile(r"([0-9]{4})-W([0-9]{2})")
# Written out: strftime would follow the server's language.
DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTH_NAMES = (
    *("Jan", "Feb", "Mar", "Apr", "May", "Jun"),
    *("Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
)
MON, TUE, WED, THU, FRI, SAT, SUN = range(7)


@dataclass(frozen=True, slots=True)
class WeekPattern:
    """The farm's usual week, in farm time. Week days count from 0 for Monday."""

    ship_weekdays: tuple[int, ...] = (TUE, WED)
    shifted_ship_weekdays: tuple[int, ...] = (MON, TUE)
    # A no-delivery day on one of these moves the whole week forward.
    shifting_weekdays: tuple[int, ...] = (WED, THU, FRI)
    publish_time: time = time(14)
    cut_off_time: time = time(12)
    pick_time: time = time(6, 30)
    hand_over_time: time = time(16)
    arrival_time: time = time(8)


USUAL_PATTERN = WeekPattern()


@dataclass(frozen=True, slots=True)
class WeekCalendar:
    """One ship week: its days, when its list goes out and when its orders close."""

    monday: date
    name: str
    ship_days: tuple[date, ...]
    publish_at: datetime
    cut_off_at: datetime
    is_shifted: bool
    is_published_early: bool
    no_delivery_days: tuple[date, ...]


class WeekMark(NamedTuple):
    """One mark on the week line."""

    name: str
    at: datetime


def iso_week_name(on: date) -> str:
    """Name of the ISO week a day lies in.

    Parameters
    ----------
    on : date
        Any day of the week, its Monday as a rule.

    Returns
    -------
    str
        Four-digit ISO year, "-W", two-digit week: "2026-W53" for 2027-01-03.

    Source
    ------
    ISO 8601: week 1 holds the year's first Thursday; weeks begin on Monday.
    """
    year, week, _ = on.isocalendar()
    return f"{year:04d}-W{week:02d}"


def monday_of(name: str) -> date:
    """Monday of an ISO week given by its name.

    Parameters
    ----------
    name : str
        Extended form only, "2026-W49". The basic form "2026W49" is refused, so that a week has one
        spelling in addresses and files.

    Returns
    -------
    date
        The week's Monday.

    Raises
    ------
    ValueError
        If the text is not a week name, or the year has no such week.
    """
    match = WEEK_NAME.fullmatch(name)
    if match is None:
        raise ValueError(f"{name!r} is not a week. Write it like 2026-W49.")
    year, week = int(match[1]), int(match[2])
    try:
        return date.fromisocalendar(year, week, 1)
    except ValueError:
        raise ValueError(f"There is no week {week:02d} in {year:04d} ({name!r}).") from None


def week_monday(on: date) -> date:
    """Monday of the week a day lies in."""
    return on - timedelta(days=on.weekday())


def next_monday(monday: date) -> date:
    """Monday of the week after: the one way to go on by a week.

    Raises
    ------
    ValueError
        If the day given is not a Monday.
    """
    _require_monday(monday)
    return monday + timedelta(days=7)


def is_week_shifted(
    *,
    monday: date,
    no_delivery_days: Collection[date],
    pattern: WeekPattern = USUAL_PATTERN,
) -> bool:
    """Whether a no-delivery day on Wednesday to Friday moves the week to Monday and Tuesday."""
    return _first_shifting_day(monday, no_delivery_days, pattern) is not None


def ship_calendar(
    *,
    monday: date,
    no_delivery_days: Collection[date],
    farm_zone: str,
    pattern: WeekPattern = USUAL_PATTERN,
) -> WeekCalendar:
    """Ship days, list time and cut-off of one week.

    Parameters
    ----------
    monday : date
        Monday of the ship week.
    no_delivery_days : collection of date
        Those of this week and of the week before; others do no harm.
    farm_zone : str
        IANA zone of the farm: list and cut-off times are farm time.
    pattern : WeekPattern
        Week days and hours of the usual week.

    Returns
    -------
    WeekCalendar
        Ship days in order; times in UTC.

    Raises
    ------
    ValueError
        If the day given is not a Monday, or the no-delivery days leave no ship day.

    Source
    ------
    Chosen by the farm. The day-before rule is common practice for live goods sent overnight.
    """
    _require_monday(monday)
    is_shifted = is_week_shifted(monday=monday, no_delivery_days=no_delivery_days, pattern=pattern)
    publish_on = _publish_day(monday, no_delivery_days, pattern)
    # The Saturday before, so that Monday's boxes can still be picked and planned.
    cut_off_on = monday - timedelta(days=2) if is_shifted else monday
    sunday = monday + timedelta(days=6)
    return WeekCalendar(
        monday=monday,
        name=iso_week_name(monday),
        ship_days=_ship_days(monday, no_delivery_days, is_shifted, pattern),
        publish_at=moment_of(on=publish_on, at=pattern.publish_time, zone=farm_zone),
        cut_off_at=moment_of(on=cut_off_on, at=pattern.cut_off_time, zone=farm_zone),
        is_shifted=is_shifted,
        is_published_early=publish_on != monday - timedelta(days=3),
        no_delivery_days=tuple(sorted(d for d in no_delivery_days if monday <= d <= sunday)),
    )


def may_still_order(*, at: datetime, cut_off_at: datetime) -> bool:
    """Whether an order sent at that moment is in time. The stroke of the cut-off still is."""
    _require_aware(at)
    return at <= cut_off_at


def hand_over_refusal(
    *, on: date, no_delivery_days: Collection[date], lane_has_saturday: bool = False
) -> str:
    """Why live boxes may not be handed over on a day, or "" where they may.

    A Thursday that passes here still needs its late case judged by the box model.

    Parameters
    ----------
    on : date
        Day of hand-over; boxes land the day after.
    no_delivery_days : collection of date
        Those that hold at the destination.
    lane_has_saturday : bool
        Whether a box one day late would still be delivered, on the Saturday.

    Returns
    -------
    str
        One sentence or two, or the empty string.
    """
    lands_on = on + timedelta(days=1)
    if on.weekday() in (FRI, SAT, SUN):
        return (
            f"{day_text(on)}: nothing live is handed over on a Friday, Saturday or Sunday."
            " Choose a day from Monday to Wednesday."
        )
    if lands_on in no_delivery_days:
        return (
            f"A hand-over on {day_text(on)} lands on a no-delivery day ({day_text(lands_on)})."
            " Choose another ship day."
        )
    if on.weekday() == THU and not lane_has_saturday:
        return (
            f"A hand-over on {day_text(on)}, if late, would wait over the weekend: this lane has no"
            " Saturday delivery. Choose a day from Monday to Wednesday."
        )
    return ""


def is_hand_over_allowed(
    *, on: date, no_delivery_days: Collection[date], lane_has_saturday: bool = False
) -> bool:
    """Whether live boxes may be handed over on a day, by the calendar alone."""
    return not hand_over_refusal(
        on=on, no_delivery_days=no_delivery_days, lane_has_saturday=lane_has_saturday
    )


def report_due_at(
    *,
    received_at: datetime | None,
    window_h: int = 4,
    opens_at: datetime | None = None,
    depot_window_h: int = 6,
) -> datetime:
    """Last moment at which an arrival report is in time; that moment still is.

    Parameters
    ----------
    received_at : datetime or None
        Delivered scan at a door; collection at a depot, None while nobody has collected.
    window_h : int
        Hours from the scan or the collection. [h]
    opens_at : datetime or None
        Opening of the depot on the day of arrival; None for a door. A box left on the shelf is not
        covered for ever, so the window ends ``depot_window_h`` after it at the latest.
    depot_window_h : int
        Hours from the depot's opening. [h]

    Returns
    -------
    datetime
        In UTC.

    Raises
    ------
    ValueError
        If neither time is known, or one has no zone.

    Source
    ------
    Chosen by the farm.
    """
    ends = []
    if received_at is not None:
        ends.append(_hours_after(received_at, window_h))
    if opens_at is not None:
        ends.append(_hours_after(opens_at, depot_window_h))
    if not ends:
        raise ValueError("No delivered scan, collection or depot opening: no window can be given.")
    return min(ends)


def week_marks(
    *,
    calendar: WeekCalendar,
    farm_zone: str,
    arrival_zone: str | None = None,
    pattern: WeekPattern = USUAL_PATTERN,
) -> tuple[WeekMark, ...]:
    """Marks of the week line in time order: list out, cut-off, then pick, ship, arrive a ship day.

    Parameters
    ----------
    calendar : WeekCalendar
        The week.
    farm_zone : str
        IANA zone of the farm, for pick and hand-over.
    arrival_zone : str or None
        IANA zone of the ship-to, whose morning the arrival is; None takes the farm's.
    pattern : WeekPattern
        Hours of the usual week.

    Returns
    -------
    tuple of WeekMark, shape (2 + 3 n_ship_days,)
        Names and times in UTC.
    """
    marks = [
        WeekMark("list out", calendar.publish_at),
        WeekMark("cut-off", calendar.cut_off_at),
    ]
    for on in calendar.ship_days:
        lands_on = on + timedelta(days=1)
        arrive_at = moment_of(on=lands_on, at=pattern.arrival_time, zone=arrival_zone or farm_zone)
        marks += [
            WeekMark("pick", moment_of(on=on, at=pattern.pick_time, zone=farm_zone)),
            WeekMark("ship", moment_of(on=on, at=pattern.hand_over_time, zone=farm_zone)),
            WeekMark("arrive", arrive_at),
        ]
    return tuple(sorted(marks, key=lambda mark: mark.at))


def moment_of(*, on: date, at: time, zone: str) -> datetime:
    """A wall-clock time of a zone on a day, as a moment in UTC."""
    return datetime.combine(on, at, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def day_text(on: date) -> str:
    """A day in short: "Mon 30 Nov"."""
    return f"{DAY_NAMES[on.weekday()]} {on.day} {MONTH_NAMES[on.month - 1]}"


def time_text(*, at: datetime, zone: str) -> str:
    """A moment in short, as the clocks of a zone show it: "Mon 30 Nov, 13:00"."""
    _require_aware(at)
    local = at.astimezone(ZoneInfo(zone))
    return f"{day_text(local.date())}, {local:%H:%M}"


def zoned_text(*, at: datetime, zone: str) -> str:
    """The same with the zone's short name, where clocks of two zones meet on a page."""
    return f"{time_text(at=at, zone=zone)} {at.astimezone(ZoneInfo(zone)):%Z}"


def _first_shifting_day(
    monday: date, no_delivery_days: Collection[date], pattern: WeekPattern
) -> date | None:
    days = (monday + timedelta(days=weekday) for weekday in sorted(pattern.shifting_weekdays))
    return next((day for day in days if day in no_delivery_days), None)


def _publish_day(monday: date, no_delivery_days: Collection[date], pattern: WeekPattern) -> date:
    """Friday of the week before, or the day before the no-delivery day that shifted that week."""
    week_before = monday - timedelta(days=7)
    first = _first_shifting_day(week_before, no_delivery_days, pattern)
    if first is None:
        return week_before + timedelta(days=FRI)
    return first - timedelta(days=1)


def _ship_days(
    monday: date, no_delivery_days: Collection[date], is_shifted: bool, pattern: WeekPattern
) -> tuple[date, ...]:
    weekdays = pattern.shifted_ship_weekdays if is_shifted else pattern.ship_weekdays
    days = (monday + timedelta(days=weekday) for weekday in sorted(weekdays))
    # A no-delivery Wednesday takes the Tuesday of the shifted week as well.
    kept = tuple(
        day for day in days if is_hand_over_allowed(on=day, no_delivery_days=no_delivery_days)
    )
    if not kept:
        raise ValueError(f"{iso_week_name(monday)} has no ship day left beside no-delivery days.")
    return kept


def _hours_after(at: datetime, hours_h: int) -> datetime:
    # Through UTC: an aware datetime in a zone adds wall-clock hours, wrong by one on two Sundays.
    _require_aware(at)
    return at.astimezone(UTC) + timedelta(hours=hours_h)


def _require_monday(monday: date) -> None:
    if monday.weekday() != MON:
        raise ValueError(f"{monday.isoformat()} is not a Monday.")


def _require_aware(at: datetime) -> None:
    if at.tzinfo is None:
        raise ValueError(f"{at.isoformat()} has no time zone.")
