"""Ship weeks: names, calendars with no-delivery days, hand-over days, windows, marks.

Expected times are worked figures of the farm (zone America/Chicago, autumn 2026) or counted by hand
beside the check.
"""

import json
import os
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from orders.calc.weeks import (
    WeekPattern,
    day_text,
    hand_over_refusal,
    is_hand_over_allowed,
    iso_week_name,
    may_still_order,
    monday_of,
    next_monday,
    report_due_at,
    ship_calendar,
    time_text,
    week_marks,
    week_monday,
)

CHICAGO = "America/Chicago"
NO_DELIVERY = frozenset(
    {date(2026, 11, 26), date(2026, 12, 24), date(2026, 12, 25), date(2027, 1, 1)}
)

# Day -> week date. Sources: ISO 8601:2000 5.2.3.1 (1985-W15-5); published tables of week dates
# around New Year (2019-12-30, 2006-12-31); the rest counted from the Thursday rule.
ISO_DAYS = [
    ("1985-04-12", "1985-W15-5"),
    ("2006-12-31", "2006-W52-7"),
    ("2019-12-30", "2020-W01-1"),
    ("2022-12-31", "2022-W52-6"),
    ("2026-12-31", "2026-W53-4"),
    ("2027-01-03", "2026-W53-7"),
    ("2027-01-04", "2027-W01-1"),
]


def chicago(month: int, day: int, hour: int, minute: int = 0, year: int = 2026) -> datetime:
    return datetime(year, month, day, hour, minute, tzinfo=ZoneInfo(CHICAGO))


def calendar_of(name: str, no_delivery_days=NO_DELIVERY, **rest):
    return ship_calendar(
        monday=monday_of(name), no_delivery_days=no_delivery_days, farm_zone=CHICAGO, **rest
    )


# Names


@pytest.mark.parametrize(("day", "week_date"), ISO_DAYS)
def test_a_day_lies_in_the_week_of_its_thursday(day, week_date):
    on = date.fromisoformat(day)
    assert f"{iso_week_name(on)}-{on.isoweekday()}" == week_date
    assert monday_of(week_date[:8]) == week_monday(on)


@pytest.mark.parametrize(
    ("name", "monday"),
    [
        ("2026-W48", date(2026, 11, 23)),
        ("2026-W53", date(2026, 12, 28)),
        ("2027-W01", date(2027, 1, 4)),
        ("2009-W53", date(2009, 12, 28)),
    ],
)
def test_a_week_is_its_monday(name, monday):
    assert monday_of(name) == monday
    assert iso_week_name(monday) == name


@pytest.mark.parametrize(
    "text",
    [
        *("2027-W53", "2026-W00", "2026-W54", "0000-W01"),
        *("2026W49", "2026-49", "2026-w49", "2026-W9", "2026-W49-1", "W49", "", "2026-W4\u096f"),
        *(" 2026-W49", "2026-W49\n"),
    ],
)
def test_a_text_that_is_no_week_is_refused_by_name(text):
    with pytest.raises(ValueError) as refusal:
        monday_of(text)
    assert repr(text) in str(refusal.value)


def test_the_week_after_w53_is_w01():
    monday = monday_of("2026-W52")
    names = []
    for _ in range(3):
        monday = next_monday(monday)
        names.append(iso_week_name(monday))
    assert names == ["2026-W53", "2027-W01", "2027-W02"]


def test_going_on_a_week_starts_from_a_monday():
    with pytest.raises(ValueError, match="2026-11-25 is not a Monday"):
        next_monday(date(2026, 11, 25))
    with pytest.raises(ValueError, match="2026-12-01 is not a Monday"):
        ship_calendar(monday=date(2026, 12, 1), no_delivery_days=(), farm_zone=CHICAGO)


def test_years_with_a_week_53():
    # 71 such years in every 400 of the Gregorian calendar; these between 2000 and 2030.
    found = [y for y in range(2000, 2031) if iso_week_name(date(y, 12, 28)).endswith("W53")]
    assert found == [2004, 2009, 2015, 2020, 2026]
    assert sum(iso_week_name(date(y, 12, 28)).endswith("W53") for y in range(2000, 2400)) == 71


def check_cases() -> list:
    """The outside set of ISO week dates, where its folder is given."""
    folder = os.environ.get("FARM_CHECKS")
    if not folder:
        reason = "FARM_CHECKS names no folder of outside checks"
        return [pytest.param(None, marks=pytest.mark.skip(reason=reason))]
    cases = json.loads((Path(folder) / "10_isoweek.json").read_text())["cases"]
    return [pytest.param(case, id=case["id"]) for case in cases]


@pytest.mark.parametrize("case", check_cases())
def test_outside_set_of_iso_weeks(case):
    given, expected = case["inputs"], case["expected"]
    if "date" in given:
        on = date.fromisoformat(given["date"])
        assert f"{iso_week_name(on)}-{on.isoweekday()}" == expected["week_date"]
    elif "range" in given:
        first, last = given["range"]
        names = [iso_week_name(date(year, 12, 28)) for year in range(first, last + 1)]
        assert [int(name[:4]) for name in names if name.endswith("53")] == expected["years"]
    elif "week" in given:
        monday = monday_of(given["week"])
        assert monday.isoformat() == expected["monday"]
        assert (next_monday(monday) - timedelta(days=1)).isoformat() == expected["sunday"]
    else:
        # The extended form only: a week has one spelling here, so "2026W53" is refused.
        is_taken = expected["valid"] and "-" in given["text"]
        assert _is_week_name(given["text"]) is is_taken


def _is_week_name(text: str) -> bool:
    try:
        monday_of(text)
    except ValueError:
        return False
    return True


# Calendars

FARM_WEEKS = [
    # name, ship days, list out, cut-off, shifted
    ("2026-W47", [(11, 17), (11, 18)], (11, 13, 14), (11, 16, 12), False),
    ("2026-W48", [(11, 23), (11, 24)], (11, 20, 14), (11, 21, 12), True),
    ("2026-W49", [(12, 1), (12, 2)], (11, 25, 14), (11, 30, 12), False),
    ("2026-W50", [(12, 8), (12, 9)], (12, 4, 14), (12, 7, 12), False),
    ("2026-W51", [(12, 15), (12, 16)], (12, 11, 14), (12, 14, 12), False),
    ("2026-W52", [(12, 21), (12, 22)], (12, 18, 14), (12, 19, 12), True),
    # W52's first no-delivery day is Thu 24 Dec, so its Friday's list is out on Wed 23.
    ("2026-W53", [(12, 28), (12, 29)], (12, 23, 14), (12, 26, 12), True),
]


@pytest.mark.parametrize(("name", "ship", "out", "cut_off", "is_shifted"), FARM_WEEKS)
def test_calendar_of_the_farms_autumn(name, ship, out, cut_off, is_shifted):
    week = calendar_of(name)
    assert week.name == name
    assert week.ship_days == tuple(date(2026, month, day) for month, day in ship)
    assert week.publish_at == chicago(*out)
    assert week.cut_off_at == chicago(*cut_off)
    assert week.is_shifted is is_shifted
    assert week.is_published_early is (name in {"2026-W49", "2026-W53"})
    assert week.publish_at.tzinfo is UTC and week.cut_off_at.tzinfo is UTC


def test_first_week_of_the_new_year():
    week = calendar_of("2027-W01")
    assert week.ship_days == (date(2027, 1, 5), date(2027, 1, 6))
    # Due Fri 1 Jan, a no-delivery day: out on Thu 31 Dec.
    assert week.publish_at == chicago(12, 31, 14)
    assert week.cut_off_at == chicago(1, 4, 12, year=2027)


def test_a_week_names_its_own_no_delivery_days():
    assert calendar_of("2026-W48").no_delivery_days == (date(2026, 11, 26),)
    assert calendar_of("2026-W52").no_delivery_days == (date(2026, 12, 24), date(2026, 12, 25))


@pytest.mark.parametrize(
    ("off", "is_shifted"),
    [(7, False), (8, False), (9, True), (10, True), (11, True), (12, False), (13, False)],
)
def test_only_wednesday_to_friday_shifts_a_week(off, is_shifted):
    # Mon 7 to Sun 13 December 2026.
    assert calendar_of("2026-W50", {date(2026, 12, off)}).is_shifted is is_shifted


def test_a_no_delivery_wednesday_takes_the_tuesday_too():
    # Wed 11 Nov 2026: shifted to Mon 9 and Tue 10, and Tuesday's boxes would land on the Wednesday.
    assert calendar_of("2026-W46", {date(2026, 11, 11)}).ship_days == (date(2026, 11, 9),)


def test_a_no_delivery_tuesday_leaves_the_usual_days():
    # Tuesday's boxes land on Wednesday and Wednesday's on Thursday.
    week = calendar_of("2026-W50", {date(2026, 12, 8)})
    assert week.ship_days == (date(2026, 12, 8), date(2026, 12, 9))


def test_a_week_without_a_ship_day_is_refused_by_name():
    with pytest.raises(ValueError, match="2026-W50 has no ship day left"):
        calendar_of("2026-W50", {date(2026, 12, 8), date(2026, 12, 9)})


def test_a_no_delivery_monday_does_not_pull_the_next_list_before_its_week():
    # Mon 18 and Thu 21 Jan 2027: the list of the week after is out on Wed 20, not on Sun 17.
    week = calendar_of("2027-W04", {date(2027, 1, 18), date(2027, 1, 21)})
    assert week.publish_at == chicago(1, 20, 14, year=2027)


def test_a_farm_may_keep_another_pattern():
    pattern = WeekPattern(ship_weekdays=(2, 0), publish_time=time(9), cut_off_time=time(17))
    week = calendar_of("2026-W50", pattern=pattern)
    assert week.ship_days == (date(2026, 12, 7), date(2026, 12, 9))
    assert week.publish_at == chicago(12, 4, 9)
    assert week.cut_off_at == chicago(12, 7, 17)


def test_every_list_is_out_before_its_cut_off_and_that_before_the_first_pick():
    monday = monday_of("2026-W01")
    for _ in range(60):
        week = ship_calendar(monday=monday, no_delivery_days=NO_DELIVERY, farm_zone=CHICAGO)
        first_pick = datetime.combine(week.ship_days[0], time(6), tzinfo=ZoneInfo(CHICAGO))
        assert week.publish_at < week.cut_off_at < first_pick
        monday = next_monday(monday)


# Cut-off


def test_the_stroke_of_twelve_is_still_in():
    cut_off_at = calendar_of("2026-W49").cut_off_at
    assert may_still_order(at=chicago(11, 30, 12), cut_off_at=cut_off_at)
    assert not may_still_order(at=chicago(11, 30, 12) + timedelta(seconds=1), cut_off_at=cut_off_at)
    with pytest.raises(ValueError, match="no time zone"):
        may_still_order(at=chicago(11, 30, 12).replace(tzinfo=None), cut_off_at=cut_off_at)


@pytest.mark.parametrize(
    ("zone", "shown"),
    [
        (CHICAGO, "Mon 30 Nov, 12:00"),
        ("America/New_York", "Mon 30 Nov, 13:00"),
        ("America/Los_Angeles", "Mon 30 Nov, 10:00"),
        ("Pacific/Honolulu", "Mon 30 Nov, 08:00"),
    ],
)
def test_the_cut_off_is_shown_in_the_buyers_own_zone(zone, shown):
    assert time_text(at=calendar_of("2026-W49").cut_off_at, zone=zone) == shown


@pytest.mark.parametrize(
    ("name", "publish_utc", "cut_off_utc", "phoenix", "honolulu"),
    [
        # Clocks go back on Sun 1 Nov 2026: list 14:00 at -5 h, cut-off 12:00 at -6 h, 71 h apart.
        ("2026-W45", "2026-10-30T19", "2026-11-02T18", "Mon 2 Nov, 11:00", "Mon 2 Nov, 08:00"),
        # They go on on Sun 14 Mar 2027: list 14:00 at -6 h, cut-off 12:00 at -5 h, 69 h apart.
        ("2027-W11", "2027-03-12T20", "2027-03-15T17", "Mon 15 Mar, 10:00", "Mon 15 Mar, 07:00"),
    ],
)
def test_a_cut_off_after_a_change_of_clocks(name, publish_utc, cut_off_utc, phoenix, honolulu):
    week = calendar_of(name)
    assert week.publish_at == datetime.fromisoformat(f"{publish_utc}:00+00:00")
    assert week.cut_off_at == datetime.fromisoformat(f"{cut_off_utc}:00+00:00")
    assert time_text(at=week.cut_off_at, zone=CHICAGO)[-5:] == "12:00"
    # Neither of the two zones changes its clocks.
    assert time_text(at=week.cut_off_at, zone="America/Phoenix") == phoenix
    assert time_text(at=week.cut_off_at, zone="Pacific/Honolulu") == honolulu


# Hand-over


def test_no_hand_over_on_the_day_before_a_no_delivery_day():
    refusal = hand_over_refusal(on=date(2026, 11, 25), no_delivery_days=NO_DELIVERY)
    assert "lands on a no-delivery day" in refusal
    assert "Wed 25 Nov" in refusal and "Thu 26 Nov" in refusal
    assert is_hand_over_allowed(on=date(2026, 11, 25), no_delivery_days=())


@pytest.mark.parametrize("day", [27, 28, 29])
@pytest.mark.parametrize("has_saturday", [True, False])
def test_no_hand_over_from_friday_to_sunday(day, has_saturday):
    refusal = hand_over_refusal(
        on=date(2026, 11, day), no_delivery_days=(), lane_has_saturday=has_saturday
    )
    assert "Friday, Saturday or Sunday" in refusal


def test_thursday_only_where_the_lane_delivers_on_saturday():
    thursday = date(2026, 12, 3)
    assert "no Saturday delivery" in hand_over_refusal(on=thursday, no_delivery_days=())
    assert is_hand_over_allowed(on=thursday, no_delivery_days=(), lane_has_saturday=True)
    # Thu 24 Dec would land on Fri 25 Dec: Saturday delivery does not help.
    assert "lands on a no-delivery day" in hand_over_refusal(
        on=date(2026, 12, 24), no_delivery_days=NO_DELIVERY, lane_has_saturday=True
    )


@pytest.mark.parametrize(
    "on", [date(2026, 11, 23), date(2026, 11, 24), date(2026, 12, 2), date(2026, 12, 30)]
)
def test_hand_over_days_that_stand(on):
    assert hand_over_refusal(on=on, no_delivery_days=NO_DELIVERY) == ""


# Report window

NEW_YORK = ZoneInfo("America/New_York")


def test_a_report_is_in_time_for_four_hours_after_the_delivered_scan():
    # Delivered Wed 2 Dec 10:12 Eastern: 13:55 is in time, 14:13 is not.
    due_at = report_due_at(received_at=datetime(2026, 12, 2, 10, 12, tzinfo=NEW_YORK))
    assert time_text(at=due_at, zone="America/New_York") == "Wed 2 Dec, 14:12"
    assert datetime(2026, 12, 2, 13, 55, tzinfo=NEW_YORK) <= due_at
    assert datetime(2026, 12, 2, 14, 13, tzinfo=NEW_YORK) > due_at


@pytest.mark.parametrize(
    ("received", "due"),
    [
        # 00:30 at -4 h = 04:30 UTC, + 4 h = 08:30 UTC = 03:30 at -5 h.
        ((2026, 11, 1), "Sun 1 Nov, 03:30"),
        # 00:30 at -5 h = 05:30 UTC, + 4 h = 09:30 UTC = 05:30 at -4 h.
        ((2027, 3, 14), "Sun 14 Mar, 05:30"),
    ],
)
def test_a_report_window_is_hours_that_pass_on_a_sunday_of_changing_clocks(received, due):
    due_at = report_due_at(received_at=datetime(*received, 0, 30, tzinfo=NEW_YORK))
    assert time_text(at=due_at, zone="America/New_York") == due


@pytest.mark.parametrize(
    ("collected", "due"),
    [
        ((8, 20), "Wed 2 Dec, 12:20"),
        ((10, 0), "Wed 2 Dec, 14:00"),
        # 11:30 + 4 h is 15:30, past opening + 6 h.
        ((11, 30), "Wed 2 Dec, 14:00"),
        (None, "Wed 2 Dec, 14:00"),
    ],
)
def test_a_depot_window_runs_from_collection_and_ends_six_hours_after_opening(collected, due):
    collected_at = collected and chicago(12, 2, *collected)
    due_at = report_due_at(received_at=collected_at, opens_at=chicago(12, 2, 8))
    assert time_text(at=due_at, zone=CHICAGO) == due


def test_a_report_window_needs_a_moment_with_a_zone():
    with pytest.raises(ValueError, match="no window"):
        report_due_at(received_at=None)
    with pytest.raises(ValueError, match="no time zone"):
        report_due_at(received_at=chicago(12, 2, 10).replace(tzinfo=None))


# Words and marks


def test_a_day_and_a_moment_in_short():
    assert day_text(date(2026, 12, 1)) == "Tue 1 Dec"
    assert time_text(at=datetime(2026, 5, 31, 23, 5, tzinfo=UTC), zone="UTC") == "Sun 31 May, 23:05"
    # One minute past midnight in UTC is still the evening before at the farm.
    at = datetime(2026, 12, 1, 0, 1, tzinfo=UTC)
    assert time_text(at=at, zone=CHICAGO) == "Mon 30 Nov, 18:01"


def test_marks_of_the_week_line():
    marks = week_marks(
        calendar=calendar_of("2026-W49"), farm_zone=CHICAGO, arrival_zone="America/New_York"
    )
    assert [(mark.name, time_text(at=mark.at, zone=CHICAGO)) for mark in marks] == [
        ("list out", "Wed 25 Nov, 14:00"),
        ("cut-off", "Mon 30 Nov, 12:00"),
        ("pick", "Tue 1 Dec, 06:30"),
        ("ship", "Tue 1 Dec, 16:00"),
        ("pick", "Wed 2 Dec, 06:30"),
        # 08:00 at the ship-to is 07:00 at the farm.
        ("arrive", "Wed 2 Dec, 07:00"),
        ("ship", "Wed 2 Dec, 16:00"),
        ("arrive", "Thu 3 Dec, 07:00"),
    ]
