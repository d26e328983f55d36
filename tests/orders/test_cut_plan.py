"""The cut plan: what was asked, what stands, and the last day on which a cut is in time."""

from datetime import date, timedelta

import pytest
from django.urls import reverse
from tests_support import farm_time, page_words

from inventory.clock import move_clock
from inventory.models import Balance, Lot, StrainForm
from inventory.ready_dates import refresh_ready_dates
from inventory.setting_book import SettingBook
from orders.cut_plan import asked_by_week, plan_cuts
from orders.models import Line, Order, ShipWeek

ON = date(2026, 12, 1)


@pytest.fixture
def closed(closed_farm):
    """The week of W49 after its cut-off, with what its shops asked."""
    move_clock(to=farm_time("2026-12-01 09:00"))
    return ShipWeek.objects.get(name="2026-W49")


def plan(key="PLT"):
    rows = plan_cuts(on=ON, book=SettingBook.read(on=ON))
    return [row for row in rows if row.strain_form.strain.key == key]


def form(key="PLT"):
    return StrainForm.objects.get(strain__key=key, form__key="plug")


def test_what_was_asked_counts_though_it_was_not_given(closed):
    asked = asked_by_week()
    # Eight orders ask 88 Plum Trellis; 56 could be promised.
    assert asked.totals[form().pk] == {closed.monday: 88}
    line = Line.objects.filter(order__week=closed, listing__name="PLT plug").first()
    Line.objects.filter(pk=line.pk).update(state=Line.State.REFUSED, reason_code="line_resting")
    assert asked_by_week().totals[form().pk] == {closed.monday: 88}
    Line.objects.filter(pk=line.pk).update(reason_code="region_forbids")
    assert asked_by_week().totals[form().pk] == {closed.monday: 88 - line.asked}
    Order.objects.filter(pk=line.order_id).update(state=Order.State.WITHDRAWN)
    Line.objects.filter(pk=line.pk).update(state=Line.State.OPEN)
    assert asked_by_week().totals[form().pk] == {closed.monday: 88 - line.asked}


def test_a_cut_on_its_last_day_is_ready_and_one_a_day_later_is_not(closed):
    rows = plan()
    assert rows
    first = rows[0].week
    assert first.demand_pieces == pytest.approx(88 * 1.1)
    assert first.cut_by_on >= ON
    # The forecast of real lots agrees: one cut on that day, one on the day after.
    tray = Balance.objects.filter(strain_form=form(), lot__state="growing").get()
    for cut_on, is_ready in (
        (first.cut_by_on, True),
        (first.cut_by_on + timedelta(days=1), False),
    ):
        Lot.objects.filter(pk=tray.lot_id).update(cut_on=cut_on)
        refresh_ready_dates(on=cut_on)
        p80_on = Lot.objects.get(pk=tray.lot_id).p80_on
        assert (p80_on <= first.monday) is is_ready


def test_a_week_whose_season_was_not_seen_goes_by_the_newest_weeks_and_says_so(closed):
    asked, book = asked_by_week(), SettingBook.read(on=ON)
    pieces = pytest.approx(88 * 1.1)
    of_season = asked.demand(form().pk, date(2027, 11, 29), book)
    assert (of_season.pieces, of_season.weeks, of_season.is_of_season) == (pieces, 1, True)
    other = asked.demand(form().pk, date(2027, 5, 3), book)
    assert (other.pieces, other.is_of_season) == (pieces, False)


def test_a_plan_for_the_weeks_takes_parents_and_hours(closed):
    rows = plan()
    assert all(row.week.cut_by_on <= ON + timedelta(weeks=26) for row in rows)
    for row in rows:
        # Four pieces a parent; 45 stony pieces an hour.
        assert row.parents == -(-row.week.cut_pieces // 4)
        assert row.hours == row.week.cut_pieces / 45
    # 22 are kept and the floor is 20.
    assert {row.kept_above_floor for row in rows} == {2}


def test_the_page_shows_the_plan_and_its_bases(closed, client, person):
    client.force_login(person("LD"))
    page = page_words(client.get(reverse("cutting")))
    assert "cutter hours, from what shops asked" in page
    assert "PLT plug" in page
    assert "96.8 likely asked (no week of that season yet: median of the newest 1 week" in page
    assert "The cuts are those planned for the next quarter" in page
