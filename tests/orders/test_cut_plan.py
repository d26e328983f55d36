"""The cut plan: what was asked, what stands, and the last day on which a cut is in time."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.urls import reverse
from tests_support import farm_time, page_words

from config.cut_words import limit_words
from inventory.clock import move_clock
from inventory.models import Balance, Lot, StrainForm
from inventory.ready_dates import refresh_ready_dates
from inventory.setting_book import SettingBook
from orders.calc.cut_limits import BASES, HOURS, PARENTS, SLOTS, WEEKS
from orders.cut_limits import right_troughs
from orders.cut_plan import asked_by_week, plan_cuts
from orders.models import Line, Order, PromisedTotal, ShipWeek

ON = date(2026, 12, 1)


@pytest.fixture
def closed(closed_farm):
    """The week of W49 after its cut-off, with what its shops asked."""
    move_clock(to=farm_time("2026-12-01 09:00"))
    return ShipWeek.objects.get(name="2026-W49")


def plan(key="PLT"):
    rows = plan_cuts(on=ON, book=SettingBook.read(on=ON)).cuts
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
        assert row.grant.pieces <= row.week.cut_pieces
        assert row.grant.mothers + row.grant.sale_parents <= row.parents + len(row.grant.parts)


@pytest.fixture
def there(closed):
    return plan_cuts(on=ON, book=SettingBook.read(on=ON)).limits


def test_hours_are_those_of_the_work_days_that_are_left(there, closed):
    # Ten hours a week, two a work day. From Tue 1 Dec four days; a week in full; 24 and 25 Dec and
    # 1 Jan are off.
    assert there.hours[:5] == [8.0, 10.0, 10.0, 6.0, 8.0]
    assert there.last_days[:5] == [
        date(2026, 12, 4), date(2026, 12, 11), date(2026, 12, 18), date(2026, 12, 23),
        date(2026, 12, 31),
    ]  # fmt: skip
    # A cut of today has taken its share: 45 stony pieces are an hour.
    lot = Balance.objects.get(tray__code="T2.2").lot
    parent = Balance.objects.get(tray__code="T2.1").lot
    Lot.objects.filter(pk=lot.pk).update(cut_on=ON, cut_pieces=45, parent=parent)
    assert plan_cuts(on=ON, book=SettingBook.read(on=ON)).limits.hours[0] == 7.0


def test_a_trough_is_as_free_as_its_trays_and_its_holds_leave_it(there):
    # T4 has 48 slots and 43 trays with pieces or mothers.
    assert there.free_slots["T4"][0] == 5
    # System P is on hold until the lift that is expected on 11 Dec: from the Monday after it.
    weeks = there.free_slots["P1"]
    assert weeks[:2] == [0, 0] and weeks[2] == 40
    # Quarantine takes no new cuts.
    assert "K1" not in there.free_slots


def test_mothers_on_hold_count_half_for_what_the_floor_lets_go(there):
    # Plum Trellis: 10 in A and 12 in P, floor 20. On hold 10 + 6 - 20 is below zero; lifted, 2.
    assert there.mothers["PLT"][:3] == [0, 0, 2]
    # Fen Kiln keeps 9 and 9 with a floor of 20.
    assert set(there.mothers["KLN"]) == {0}


def test_what_is_promised_is_not_cut_up(there, closed):
    stock = there.for_sale["PLT plug"]
    assert stock.promised[:2] == [0, 0]
    PromisedTotal.objects.create(strain_form=form(), week=closed, pieces=7)
    stock = plan_cuts(on=ON, book=SettingBook.read(on=ON)).limits.for_sale["PLT plug"]
    assert stock.promised[:2] == [7, 0]
    assert len(stock.supply) == len(stock.demand) == len(stock.promised)


def test_cuts_stand_where_their_strain_is_for_sale_in_no_less_light(closed):
    rows = StrainForm.objects.select_related("strain", "form")
    troughs = right_troughs(list(rows))
    # Most of it stands in T2 (index 1.05): 34 and 62; A5 (1.00) and P1, P2 have less light.
    assert troughs[form().pk] == ("T2",)
    # Harrow Tine: A2 (1.10) with 116, T1 (1.10) with 20.
    assert troughs[form("HRT").pk] == ("A2", "T1")
    # One that is for sale nowhere goes where its class and form stand.
    idle = StrainForm.objects.get(strain__key="LNS", form__key="plug").pk
    assert "A1" in troughs[idle] and "H1" not in troughs[idle]


def test_what_a_week_asked_that_has_shipped_is_not_asked_again(closed):
    friday = date(2026, 12, 4)
    for on, asked in ((ON, pytest.approx(96.8)), (friday, 0)):
        stock = plan_cuts(on=on, book=SettingBook.read(on=on)).limits.for_sale["PLT plug"]
        assert stock.demand[0] == asked


def test_the_page_shows_the_plan_and_its_bases(closed, client, person):
    client.force_login(person("LD"))
    page = page_words(client.get(reverse("cutting")))
    assert "cutter hours, from what shops asked" in page
    assert "What binds them: parents" in page and "one less to sell" in page
    assert "Cutter hours, week by week" in page and 'class="chart drawn-wide"' in page
    assert "Slots of the troughs" in page and 'class="chart measure"' in page
    assert "PLT plug" in page
    assert "96.8 likely asked (no week of that season yet: median of the newest 1 week" in page
    page = page_words(client.get(reverse("mounts")))
    assert "The cuts are all that are wanted in the next quarter" in page


def test_a_sentence_says_which_limit_bound_a_cut(closed):
    cuts = plan_cuts(on=ON, book=SettingBook.read(on=ON)).cuts
    said = {row.grant.bound: limit_words(row.grant) for row in cuts}
    assert said[""] == "gets all of it"
    for row in cuts:
        words = limit_words(row.grant)
        assert (words == "gets all of it") is (row.grant.pieces == row.week.cut_pieces)
    grant = next(row.grant for row in cuts if row.grant.bound == PARENTS)
    no_hours = replace(grant, bound=HOURS, alone={**grant.alone, HOURS: 0}, parts=())
    assert limit_words(no_hours) == "cutter hours: what is left of them by then makes no pieces"
    no_slots = replace(grant, bound=SLOTS, alone={**grant.alone, SLOTS: 0}, parts=())
    assert "will take no pieces" in limit_words(no_slots)
    bases = replace(grant, bound=BASES, alone={**grant.alone, BASES: 0}, parts=())
    assert "none may be used by then" in limit_words(bases)
    assert "same weeks" in limit_words(replace(grant, bound=WEEKS))
