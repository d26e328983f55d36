"""The pool that is cut again, and bases that cure: the farm's own worked figures."""

from datetime import date, timedelta
from math import inf

import pytest

from inventory.calc.cutting import (
    base_plan,
    cut_weeks,
    demand_pieces,
    doubling_weeks,
    is_same_season,
    last_work_day,
    pieces_to_cut,
    recut_pool_pieces,
)

OFF = {date(2026, 11, 26), date(2026, 12, 25)}
TODAY = date(2026, 11, 25)


def works(on):
    return on.weekday() < 5 and on not in OFF


@pytest.mark.parametrize(
    "sold, cycle, made, lives, pool, weeks",
    [(20, 10, 3, 0.86, 127, 7.3), (14, 8, 4, 0.90, 44, 4.3)],
)
def test_the_pool_of_the_worked_figures(sold, cycle, made, lives, pool, weeks):
    facts = {"cycle_weeks": cycle, "yield_pieces": made, "survival": lives}
    assert recut_pool_pieces(weekly_sales=sold, **facts) == pool
    assert round(doubling_weeks(**facts), 1) == weeks
    # Simulated: a pool of that size makes what is sold in a cycle, one piece fewer does not.
    for pieces, keeps_up in ((pool, True), (pool - 1, False)):
        assert (pieces * made * lives - sold * cycle >= pieces) is keeps_up


def test_a_pool_that_does_not_grow_has_no_size():
    facts = {"cycle_weeks": 10, "yield_pieces": 1, "survival": 0.9}
    assert recut_pool_pieces(weekly_sales=20, **facts) is None
    assert doubling_weeks(**facts) == inf


def test_bases_for_two_cuts_of_the_worked_figures():
    wanted = [(date(2027, 1, 11), 180), (date(2026, 12, 29), 232)]
    usable = [(date.min, 60), (date(2026, 12, 8), 160)]
    first, second = base_plan(wanted=wanted, usable=usable, today=TODAY, is_work_day=works)
    assert (first.there_pieces, first.short_pieces) == (220, 12)
    # 33 days before 29 Dec is the holiday of 26 Nov, so the day before it: today.
    assert (first.cures_from_on, first.mix_by_on) == (date(2026, 11, 26), TODAY)
    assert (first.batches, first.hours, first.left_pieces) == (1, 8.0, 148)
    assert (second.there_pieces, second.short_pieces) == (148, 32)
    assert second.mix_by_on == date(2026, 12, 9)


def test_a_batch_that_cures_too_late_does_not_count_and_a_late_plan_cuts_fewer():
    wanted = [(date(2026, 12, 7), 100), (date(2026, 12, 29), 100)]
    usable = [(date.min, 60), (date(2026, 12, 8), 160)]
    first, second = base_plan(wanted=wanted, usable=usable, today=TODAY, is_work_day=works)
    assert (first.is_late, first.short_pieces, first.batches) == (True, 40, 0)
    # The sixty are used up by the first cut; the batch is there for the second.
    assert (second.there_pieces, second.short_pieces, second.left_pieces) == (160, 0, 60)


def test_the_last_work_day_goes_back_over_a_weekend_and_a_holiday():
    assert last_work_day(on=date(2026, 11, 29), is_work_day=works) == date(2026, 11, 27)
    assert last_work_day(on=date(2026, 12, 25), is_work_day=works) == date(2026, 12, 24)
    day = date(2026, 12, 25)
    assert last_work_day(on=day, is_work_day=lambda on: on < day - timedelta(days=40)) == day


def test_demand_is_the_median_of_what_was_asked_and_a_tenth():
    assert demand_pieces(asked=[88, 20, 30, 40]) == pytest.approx(38.5)
    assert demand_pieces(asked=[]) == 0


def test_the_same_season_goes_over_the_new_year():
    assert is_same_season(on=date(2027, 1, 4), other=date(2026, 12, 7), half_days=45)
    assert is_same_season(on=date(2026, 11, 30), other=date(2024, 12, 2), half_days=45)
    assert not is_same_season(on=date(2027, 4, 5), other=date(2026, 11, 30), half_days=45)


def test_what_is_cut_makes_up_for_what_does_not_heal_and_is_not_ready():
    # 30 short; 0.95 heal, 0.85 of them by the date: 37.15.
    assert pieces_to_cut(short_pieces=30, heal_share=0.95) == 38
    assert pieces_to_cut(short_pieces=0, heal_share=0.95) == 0


def test_weeks_share_what_stands_and_what_was_cut_for_one_serves_the_next():
    day = [date(2026, 11, 30) + timedelta(weeks=week) for week in range(5)]
    weeks = [
        (day[0], None, 50, 56),  # served from what stands
        (day[1], None, 50, 40),  # nothing left, and no cut is in time: not sold
        (day[2], day[0], 50, 90),  # 40 of the 90 are left
        (day[3], day[1], 50, 90),
        (day[4], day[2], 0, 90),
    ]
    found = cut_weeks(weeks=weeks, heal_share=1.0, ready_share=0.5)
    assert [row.monday for row in found] == [day[2], day[3]]
    # 10 short at one half: 20 cut make 10; then nothing is left and 50 are short.
    assert [(row.supply_pieces, row.cut_pieces) for row in found] == [(40, 20), (0, 100)]
