"""The pool that is cut again, and bases that cure: the farm's own worked figures."""

from datetime import date, timedelta
from math import inf

import pytest

from inventory.calc.cutting import base_plan, doubling_weeks, last_work_day, recut_pool_pieces

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
