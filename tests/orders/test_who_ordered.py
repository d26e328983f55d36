"""Who is silent before a cut-off, and what each shop asked, was promised and has alive."""

import html

import pytest
from tests_support import farm_time, page_words

from inventory.clock import farm_now, move_clock
from inventory.models import Listing, User
from orders.amending import withdraw_line
from orders.basket import Typed, save_basket
from orders.models import Line, Order, Promise, Seat, ShipTo, StandingRow
from orders.weeks import week_named
from orders.who_ordered import not_ordered, record_of, weeks_up_to
from shipping.losses import lost_by_shop
from shipping.models import ArrivalReport, ReportLine

PAGE = "/weeks/2026-W49/who/"


def draft(code, week, who, **typed):
    return save_basket(
        ship_to=ShipTo.objects.get(code=code),
        week=week,
        typed={f"{key} plug": Typed(text) for key, text in typed.items()},
        user=who,
        now=farm_now(),
    )


def test_every_ship_to_is_silent_until_its_order_is_in(published_farm):
    week = week_named(name="2026-W49")
    assert len(not_ordered(week=week)) == ShipTo.objects.count() == 14


def test_when_all_have_ordered_nobody_is_named_and_a_withdrawn_order_is_none(closed_farm):
    week = week_named(name="2026-W49")
    assert not_ordered(week=week) == []
    Order.objects.filter(number="4903").update(state=Order.State.WITHDRAWN)
    (silent,) = not_ordered(week=week)
    assert silent.name == "Tamarrow Reef Supply, Fort Collins"
    assert (silent.last, silent.last_number) == ("has never ordered", "")


def test_what_is_prepared_is_said_with_whose_it_is(published_farm, person):
    week = week_named(name="2026-W49")
    draft("C02", week, person("B02"), PLT="12", HRT="ten")
    draft("C03", week, None, PLT="4")
    StandingRow.objects.create(
        ship_to=ShipTo.objects.get(code="C04"),
        listing=Listing.objects.get(name="PLT plug"),
        asked=5,
    )

    told = {row.code: row for row in not_ordered(week=week)}

    assert told["C02"].prepared == (f"a draft of 2 rows, Wed 25 Nov 14:00, by {person('B02').name}")
    assert told["C03"].prepared == (
        "a draft of 1 row, Wed 25 Nov 14:00, the standing basket, untouched"
    )
    assert told["C04"].prepared == "a standing basket of 1 row, not in a draft"
    assert (told["C01"].prepared, told["C01"].is_prepared) == ("nothing prepared", False)


def test_the_cut_off_is_in_the_shop_s_own_time_with_whom_to_ask(published_farm, person):
    told = {row.code: row for row in not_ordered(week=week_named(name="2026-W49"))}
    # The cut-off is Mon 30 Nov 12:00 in Chicago, UTC-6: Buffalo UTC-5, Honolulu UTC-10.
    assert told["C02"].cut_off == "Mon 30 Nov, 13:00"
    assert told["C09"].cut_off == "Mon 30 Nov, 08:00"
    assert (person("B02").name, person("B02").email) in told["C02"].people
    User.objects.filter(code="B02").update(is_active=False)
    told = {row.code: row for row in not_ordered(week=week_named(name="2026-W49"))}
    assert told["C02"].people == ()


def test_the_last_order_is_named_once_there_is_one(open_farm):
    told = {row.code: row for row in not_ordered(week=week_named(name="2026-W50"))}
    assert "C02" not in told  # 5002 was sent at 14:10
    assert told["C03"].last_number == "4903"
    assert told["C03"].last == "for 2026-W49, sent Thu 26 Nov"


def test_asked_against_promised_by_the_tables_of_the_week(inked_farm):
    week = week_named(name="2026-W49")
    record = record_of(weeks=[week])
    shops = {shop.code: shop.total for shop in record.shops}
    # 4902: 12+10+8+6+6+6+5+3 asked; PLT 8 of 12 and APT 3 of 6 promised.
    assert (shops["C02"].asked, shops["C02"].promised) == (56, 49)
    assert shops["C02"].percent == 88
    # 4909: the law forbade its mangroves, so they are no over-asking. 6+6+6+4+4 all promised.
    assert (shops["C09"].asked, shops["C09"].promised) == (26, 26)
    assert shops["C02"].alive is None
    assert record.total.asked == sum(row.asked for row in shops.values())


def test_packs_are_reckoned_in_single_pieces(closed_farm):
    record = record_of(weeks=[week_named(name="2026-W49")])
    shops = {shop.code: shop.total for shop in record.shops}
    # 4908: PLT 10, TNT 12, BKP 12, CTH 8, SXT 6, APT 8, QYG 2 and three packs of ten RMG.
    assert shops["C08"].asked == 58 + 30
    assert shops["C08"].percent is None


def test_what_a_shop_takes_back_once_promised_still_counts_as_asked(inked_farm, person):
    week = week_named(name="2026-W49")
    line = Line.objects.get(order__number="4902", listing__name="PLT plug")
    withdraw_line(
        line_id=line.pk, now=farm_now(), user=person("OF"), reason="the shop has too many"
    )
    sums = {shop.code: shop.total for shop in record_of(weeks=[week]).shops}["C02"]
    assert (sums.asked, sums.promised, sums.given_back) == (56, 49, 8)


def test_alive_is_what_arrived_less_what_was_told(arrived_farm):
    week = week_named(name="2026-W49")
    lost = lost_by_shop(weeks=[week])
    record = record_of(weeks=[week], lost=lost)
    arrived = Order.objects.filter(state__in=["arrived", "settled"]).exclude(week__name="2026-W48")
    gone = Promise.objects.filter(line__order__in=arrived, state="gone")
    told = ReportLine.objects.filter(line__order__week=week)
    assert told.exists()
    dead = sum(row.dead + row.missing + row.wrong for row in told)
    shops = {shop.code: shop.total for shop in record.shops}
    assert sum(row.alive or 0 for row in shops.values()) == sum(p.pieces for p in gone) - dead
    ArrivalReport.objects.update(state=ArrivalReport.State.DECLINED)
    assert lost_by_shop(weeks=[week]) == {}


def test_an_open_list_is_beside_the_record_and_not_in_it(open_farm):
    week = week_named(name="2026-W50")
    weeks = weeks_up_to(week=week, weeks=8)
    assert [row.name for row in weeks] == ["2026-W49"]
    shops = {shop.code: shop for shop in record_of(weeks=weeks, open_week=week).shops}
    # 5002: 24+8+6+3+3+6 asked for W50, none of it promised yet; 4902 had 56 asked and 49 promised.
    assert (shops["C02"].total.asked, shops["C02"].total.percent) == (56, 88)
    assert (shops["C02"].asks_now, shops["C03"].asks_now) == (50, None)


def test_more_shops_cost_no_more_statements(open_farm, django_assert_max_num_queries):
    week = week_named(name="2026-W50")
    like = ShipTo.objects.get(code="C03")
    for number in range(30):
        like.pk, like.code = None, f"X{number:02}"
        like.save()
    with django_assert_max_num_queries(6):
        assert len(not_ordered(week=week)) > 30
        weeks = weeks_up_to(week=week, weeks=8)
        assert record_of(weeks=weeks, open_week=week, lost=lost_by_shop(weeks=weeks)).shops


# ---- the pages


@pytest.fixture
def page(person, client):
    client.force_login(person("OF"))
    return lambda address=PAGE: html.unescape(page_words(client.get(address)))


def test_the_page_names_whom_to_ask_and_opens_the_list_for_them(published_farm, page, person):
    text = page()
    assert "14 ship-tos without an order" in text
    assert "/weeks/2026-W49/list/?ship_to=C02" in text
    assert f"mailto:{person('B02').email}" in text
    assert "Nothing has been asked yet" in text
    move_clock(to=farm_time("2026-11-25 15:00"))
    assert "Not ordered yet" in page("/")
    assert PAGE in page("/")


def test_once_inked_the_picture_and_its_sentence_stand_there(inked_farm, page):
    text = page()
    assert "Every ship-to has an order" in text
    assert "All shops together were promised" in text
    assert "<svg" in text
    assert "Not ordered yet" not in page("/")


def test_a_buyer_does_not_see_what_others_asked(published_farm, client, person):
    client.force_login(person("B02"))
    assert client.get(PAGE).status_code == 403
    assert Seat.objects.filter(user=person("B02")).exists()
