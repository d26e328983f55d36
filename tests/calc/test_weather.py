"""The air a box meets: legs of the overnight and the island lane, shifted, late, at the van."""

import csv
from dataclasses import astuple, replace
from pathlib import Path

import pytest

from shipping.calc.heat import HeatSettings, outside_steps
from shipping.calc.weather import LaneDay, Leg, legs_met, missing_points
from tests.calc.pack_cases import COLLECTED, ISLAND, OVERNIGHT, overnight

BUFFALO = overnight("Tue", -6, -2, is_depot_allowed=True)
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def air(day, delivery, **case):
    """Hours and air of each leg, rounded off the dust of float sums."""
    met = legs_met(day=day, delivery=delivery, **case)
    return [(leg.hours, round(leg.outside_c, 9)) for leg in met]


def van_c(morning, midday, *, is_sunny=False, shift_c=0.0):
    day = overnight("Tue", morning, midday, is_sunny=is_sunny)
    van, counter = legs_met(day=day, delivery="door", shift_c=shift_c)[-2:]
    assert (van.name, counter.name) == ("delivery van", "counter")
    return van.outside_c, counter.outside_c


def hours(legs):
    return sum(leg.hours for leg in legs)


def test_the_overnight_lane_to_a_door_by_hand():
    # Dock (18 + 18) / 2; hub 0.4 x -8 + 10.8; station 0.4 x -6 + 10.8; van -2 + 6.
    assert air(BUFFALO, "door") == [
        *[(3.0, 18.0), (3.5, 16.0), (3.5, 7.6), (2.5, 16.0)],
        *[(2.0, 8.4), (3.0, 4.0), (0.5, -2.0)],
    ]
    assert hours(legs_met(day=BUFFALO, delivery="door")) == 18.0


def test_the_overnight_lane_to_a_depot_by_hand():
    # Shelf 0.25 x -2 + 13.5.
    assert air(BUFFALO, "depot") == [
        *[(3.0, 18.0), (3.5, 16.0), (3.5, 7.6), (2.5, 16.0), (2.0, 8.4), (3.0, 13.0)],
    ]
    assert hours(legs_met(day=BUFFALO, delivery="depot")) == 17.5


@pytest.mark.parametrize(("delivery", "last"), [("door", "delivery van"), ("depot", "depot shelf")])
def test_a_day_lost_comes_before_the_van_or_the_shelf(delivery, last):
    met = legs_met(day=BUFFALO, delivery=delivery, is_late=True)
    names = [leg.name for leg in met]

    # 0.4 x mean(-6, -2) + 10.8.
    assert [(leg.hours, leg.outside_c) for leg in met if leg.name == "a day late"] == [
        (24.0, pytest.approx(9.2))
    ]
    assert names[names.index("a day late") + 1] == last
    assert hours(met) == hours(legs_met(day=BUFFALO, delivery=delivery)) + 24


def test_a_shift_moves_the_forecast_but_not_flights_or_shelter():
    colder = [
        *[(3.0, 16.5), (3.5, 16.0), (3.5, 6.4), (2.5, 16.0)],
        *[(2.0, 7.2), (3.0, 1.0), (0.5, -5.0)],
    ]
    assert air(BUFFALO, "door", shift_c=-3) == colder
    assert air(BUFFALO, "depot", shift_c=3)[-1] == (3.0, 13.75)


@pytest.mark.parametrize(
    ("midday", "is_sunny", "van"),
    [
        *[(9.9, False, 15.9), (10.0, False, 10.0), (22.0, False, 22.0)],
        *[(34.0, True, 42.0), (10.0, True, 18.0)],
        # A heated van in the cold comes first, sunny lane or not.
        (5.0, True, 11.0),
    ],
)
def test_the_van_warms_what_it_carries(midday, is_sunny, van):
    assert van_c(0, midday, is_sunny=is_sunny) == (pytest.approx(van), midday)


def test_the_van_is_judged_on_the_forecast_unshifted():
    assert van_c(0, 11, shift_c=-3) == (8, 8)
    assert van_c(0, 9, shift_c=3) == (18, 12)


def test_the_island_lane_is_collected_from_a_warm_hall():
    usual = [(2.0, 20), (3.0, 18), (3.0, 15), (3.0, 16), (6.0, 14), (3.0, 25)]
    assert air(COLLECTED, "depot") == usual
    assert hours(legs_met(day=COLLECTED, delivery="depot")) == 20.0


def test_the_island_lane_shifts_its_hall_in_full_and_its_trucks_by_half():
    colder = [(2.0, 18.5), (3.0, 18), (3.0, 15), (3.0, 14.5), (6.0, 14), (3.0, 22)]
    warmer = [(2.0, 21.5), (3.0, 18), (3.0, 15), (3.0, 17.5), (6.0, 14), (3.0, 28)]
    assert air(COLLECTED, "depot", shift_c=-3) == colder
    assert air(COLLECTED, "depot", shift_c=3) == warmer


def test_a_day_lost_on_the_island_lane_is_spent_at_twenty():
    assert air(COLLECTED, "depot", is_late=True)[-2:] == [(24.0, 20), (3.0, 25)]


def test_a_lane_of_ones_own_is_rows_and_no_code():
    bike = Leg("bicycle", 0.25, share=1, point="midday", shift_share=1)
    day = LaneDay((bike, Leg("shop", 1.0, fixed_share=1, fixed_c=21)), {"midday": 4})
    assert air(day, "door", shift_c=-3) == [(0.25, 1), (1.0, 21)]


def test_steps_of_five_minutes_hold_each_leg_for_its_hours():
    outside = outside_steps(legs=legs_met(day=BUFFALO, delivery="door"), settings=HeatSettings())
    assert len(outside) == 216
    assert outside[[35, 36, 77, 78]] == pytest.approx([18, 16, 16, 7.6])
    assert outside[[-7, -6, -1]] == pytest.approx([4, -2, -2])


def test_a_forecast_says_what_it_lacks():
    assert missing_points(day=BUFFALO) == ()
    assert missing_points(day=COLLECTED) == ()
    # The late leg takes the mean of morning and midday, and the van looks at midday.
    bare = replace(BUFFALO, points={"hub": -8})
    assert missing_points(day=bare) == ("evening", "midday", "morning")
    with pytest.raises(KeyError, match="evening"):
        legs_met(day=bare, delivery="door")


@pytest.mark.parametrize(("profile", "legs"), [("overnight", OVERNIGHT), ("island", ISLAND)])
def test_the_farms_own_rows_are_these_lanes(profile, legs):
    with (FIXTURES / "lane_legs.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["lane"] == profile]
    found = [
        Leg(
            name=row["name"],
            hours=float(row["hours"]),
            mode=row["mode"],
            share=float(row["share"]),
            point=row["point"],
            fixed_share=float(row["fixed_share"] or 0),
            fixed_c=float(row["fixed_c"] or 0),
            shift_share=float(row["shift_share"]),
            rule=row["rule"],
        )
        for row in rows
    ]
    assert [astuple(leg) for leg in found] == [astuple(leg) for leg in legs]
