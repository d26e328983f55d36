"""Bases of the quarter: the lead is told some work days before the last on which to mix."""

from datetime import date

import pytest
from tests_support import farm_time

from config.base_plan import BASES_AHEAD, bases_wanted, work_days_until, write_due
from inventory.models import BaseBatch, Message
from inventory.setting_book import SettingBook
from orders.cut_limits import work_days
from orders.cut_plan import plan_cuts
from orders.models import NoDeliveryDay

pytestmark = pytest.mark.django_db
DAY, SIX, LATER = date(2026, 12, 1), farm_time("2026-12-01 05:00"), farm_time("2026-12-01 07:00")


def letters():
    return list(Message.objects.filter(kind="mix bases by").order_by("key", "user_id"))


def test_work_days_are_counted_without_weekends_and_holidays(farm):
    is_work_day = work_days()
    assert work_days_until(date(2026, 12, 4), date(2026, 12, 1), is_work_day) == 3
    assert work_days_until(date(2026, 12, 8), date(2026, 12, 4), is_work_day) == 2
    # Christmas Eve and Christmas Day are no-delivery days of the farm.
    assert {date(2026, 12, 24), date(2026, 12, 25)} <= set(
        NoDeliveryDay.objects.values_list("day", flat=True)
    )
    assert work_days_until(date(2026, 12, 28), date(2026, 12, 23), is_work_day) == 1


def test_bases_are_wanted_week_by_week_for_a_quarter(inked_farm):
    cuts = plan_cuts(on=DAY, book=SettingBook.read(on=DAY)).cuts
    wanted = bases_wanted(cuts=cuts, on=DAY)
    days = [day for day, _ in wanted]
    assert days == sorted(set(days)) and max(days) <= date(2027, 3, 2)
    until = DAY + BASES_AHEAD
    soon = [row.week for row in cuts if row.is_on_bases and row.week.cut_by_on <= until]
    assert sum(pieces for _, pieces in wanted) == sum(week.cut_pieces for week in soon)


def test_the_lead_is_told_once_of_each_cut_that_can_still_be_saved(inked_farm):
    write_due(now=SIX)
    assert letters() == []
    write_due(now=LATER)
    write_due(now=LATER)
    [letter] = letters()
    assert letter.user.role == "lead"
    assert letter.subject.startswith("Mix bases by Thu 3 Dec: ")
    write_due(now=farm_time("2026-12-02 07:00"))
    assert len(letters()) == 1


def test_with_bases_enough_nobody_is_told(inked_farm):
    BaseBatch.objects.create(code="BB-90", pieces=5000, mixed_on="2026-10-01",
                             usable_on="2026-11-03", state="usable")  # fmt: skip
    write_due(now=LATER)
    assert letters() == []
