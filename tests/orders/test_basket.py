"""Drafts keep what was typed, standing baskets drop in, watches wait, and sending orders once."""

import re

import pytest
from tests_support import farm_time, page_words

from inventory.clock import farm_now, move_clock
from inventory.errors import Unknown
from orders.basket import (
    BasketEmpty,
    BasketNotRight,
    Typed,
    follow_happening,
    keep_as_standing,
    repeat_last_order,
    save_basket,
    send_basket,
    watch_listing,
)
from orders.calc.cells import read_asked, read_pieces
from orders.models import Basket, BasketRow, Order, StandingRow, Watch

W49 = "/weeks/2026-W49/list/"


@pytest.fixture
def draft(week, buffalo, person):
    def act(**typed):
        names = {"PLT": "PLT plug", "HRT": "HRT plug", "KLN": "KLN plug", "RMG": "RMG prop-10"}
        return save_basket(
            ship_to=buffalo,
            week=week,
            typed={names[key]: Typed(text) for key, text in typed.items()},
            user=person("B02"),
            now=farm_now(),
            ship_on=week.first_ship_on,
        )

    return act


def send(basket, person, key="k1"):
    return send_basket(
        basket=basket,
        ship_on=basket.ship_on,
        source=Order.Source.PAGE,
        idempotency_key=key,
        user=person("B02"),
        now=farm_now(),
    )


# ---- cells


@pytest.mark.parametrize(
    ("text", "value", "code"),
    [
        ("12", 12, ""),
        (" 5 ", 5, ""),
        ("5.0", 5, ""),
        ("", None, ""),
        ("0", None, ""),
        ("ten", None, "cell_not_a_number"),
        ("12 pcs", None, "cell_not_a_number"),
        ("1O", None, "cell_not_a_number"),
        ("-3", None, "cell_below_zero"),
        ("2.5", None, "cell_not_whole"),
        ("2,5", None, "cell_not_whole"),
        ("3/4", None, "cell_looks_like_a_date"),
        ("3-4-2026", None, "cell_looks_like_a_date"),
        ("=1+5", None, "cell_formula"),
        ("@SUM(A1)", None, "cell_formula"),
        ("1e3", None, "cell_not_a_number"),
        ("٣", None, "cell_not_a_number"),
        ("9" * 12, None, "cell_too_large"),
        ("$12", None, "cell_not_a_number"),
    ],
)
def test_a_cell_is_read_or_named_never_guessed(text, value, code):
    read = read_asked(text)
    assert (read.value, read.code) == (value, code)
    assert bool(read.words) == bool(code)


def test_the_words_say_what_to_type():
    assert read_asked("1O").words == "1O has a letter in it; type 10 if that is meant"
    assert "type 12 if that is meant" in read_asked("12 pcs").words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("15 pieces", "sold in tens: 1 or 2 packs, not 15 pieces; type 1 or 2"),
        ("15pcs", "sold in tens: 1 or 2 packs, not 15 pieces; type 1 or 2"),
        ("20 PCS.", "sold in tens: 2 packs, not 20 pieces; type 2"),
        ("4 pc", "sold in tens: 1 pack, not 4 pieces; type 1"),
    ],
)
def test_pieces_of_what_is_sold_in_packs_are_answered_in_packs(text, words):
    read = read_pieces(text, 10)

    assert (read.value, read.code, read.words) == (None, "asked_in_pieces", words)
    assert read_pieces(text, 1) is None


def test_a_plain_number_says_nothing_of_pieces():
    assert read_pieces("15", 10) is None and read_pieces("15 packs", 10) is None


# ---- the draft


def test_what_cannot_be_read_is_kept_and_answered(draft, person):
    basket = draft(PLT="12 pcs", HRT="10")
    assert dict(basket.rows.values_list("listing__name", "asked")) == {
        "PLT plug": "12 pcs",
        "HRT plug": "10",
    }
    with pytest.raises(BasketNotRight, match="everything typed is kept: PLT plug: 12 pcs"):
        send(basket, person)
    assert BasketRow.objects.count() == 2
    assert not Order.objects.exists()


def test_a_sent_draft_is_one_order_and_an_empty_basket(draft, person):
    basket = draft(PLT="12", HRT="10")
    order = send(basket, person)
    assert dict(order.lines.values_list("listing__name", "asked")) == {
        "PLT plug": 12,
        "HRT plug": 10,
    }
    assert not Basket.objects.exists()
    # The same form sent again by an impatient finger.
    basket = draft(PLT="12")
    assert send(basket, person).pk == order.pk
    assert Order.objects.count() == 1


def test_what_the_intake_refuses_leaves_the_basket(draft, person):
    move_clock(to=farm_time("2026-11-30 12:00"))
    basket = draft(PLT="12")
    move_clock(to=farm_time("2026-11-30 12:01"))
    from orders.intake import WeekNotOpen

    with pytest.raises(WeekNotOpen):
        send(basket, person)
    assert Basket.objects.filter(rows__asked="12").exists()


def test_an_empty_basket_is_not_sent(draft, person):
    with pytest.raises(BasketEmpty):
        send(draft(PLT="", HRT="0"), person)


def test_last_order_is_filled_in_and_what_is_gone_is_named(draft, week, buffalo, person):
    with pytest.raises(Unknown):
        repeat_last_order(ship_to=buffalo, week=week, user=person("B02"), now=farm_now())
    order = send(draft(PLT="12", HRT="10"), person)
    kiln = order.lines.first()
    kiln.listing = BasketRow._meta.get_field("listing").related_model.objects.get(name="KLN plug")
    kiln.save()
    dropped = repeat_last_order(ship_to=buffalo, week=week, user=person("B02"), now=farm_now())
    assert dropped.filled == 1
    assert dropped.left_out[0].startswith("Fen Kiln: out of colour since 9 Nov")


def test_a_standing_basket_drops_in_when_the_list_is_out_and_is_not_sent(draft, buffalo, person):
    assert keep_as_standing(basket=draft(PLT="12", HRT="ten")) == 1
    assert StandingRow.objects.get().asked == 12
    Basket.objects.all().delete()
    from inventory.models import Happening

    told = Happening.objects.filter(kind="list.published").first()
    for _ in range(2):
        follow_happening(told, now=farm_now())
    assert [row.asked for row in Basket.objects.get(ship_to=buffalo).rows.all()] == ["12"]
    assert not Order.objects.exists()


def test_watching_twice_is_watching_once(week, buffalo, person):
    for _ in range(2):
        watch_listing(ship_to=buffalo, listing_name="KLN plug", user=person("B02"), now=farm_now())
    assert Watch.objects.count() == 1


# ---- the page


def test_two_people_of_one_shop_share_a_draft_and_a_reload_loses_nothing(week, person, client):
    from inventory.models import User
    from orders.models import Seat

    first = person("B02")
    second = User.objects.create_user(
        email="second@gullwick.example", name="Second", role="buyer", code="B02b"
    )
    Seat.objects.create(user=second, customer=Seat.objects.get(user=first).customer)
    client.force_login(first)
    client.post(W49, {"act": "save", "ask:PLT plug": "12 pcs", "ask:HRT plug": "10"})
    client.force_login(second)
    page = client.get(W49).content.decode()
    assert 'value="12 pcs"' in page
    assert "is not a number alone; type 12 if that is meant" in page.lower()
    assert 'value="10"' in page
    answer = client.post(W49, {"act": "send", "ask:PLT plug": "12", "key": "k"}, follow=True)
    order = Order.objects.get()
    assert answer.redirect_chain[-1][0] == f"/orders/{order.number}/"
    assert order.lines.count() == 2


def test_only_what_a_shop_may_receive_is_shown(week, person, client):
    client.force_login(person("B09"))
    page = client.get(W49).content.decode()
    assert "Red mangrove" not in page
    client.force_login(person("B02"))
    page = client.get(W49).content.decode()
    assert "Red mangrove" in page
    # Buyers see neither trays nor what others asked.
    assert "T2.1" not in page


def test_another_shop_s_ship_to_is_not_found(week, person, client):
    client.force_login(person("B02"))
    answer = client.post(W49, {"act": "save", "ship_to": "C03", "ask:PLT plug": "1"})
    assert answer.status_code == 404
    assert not Basket.objects.exists()


def test_room_in_the_box_as_a_sentence(week, person, client):
    client.force_login(person("B02"))
    client.post(W49, {"act": "save", "ask:PLT plug": "12", "ask:HRT plug": "10"})
    page = client.get("/weeks/2026-W49/basket/C02/").content.decode()
    # By volume: 12 x 0.45 L + 10 x 0.70 L = 12.4 of the S box's 15 L leave room for 5 plugs. By
    # mass: 12 x 0.25 + 10 x 0.36 + 0.9 + 0.3 = 7.8 kg; a fourth plug makes it 19.4 lb, above 19.
    assert "Room for 3 more plugs in this box (S) at no more freight." in page
    # 12 x 12.88 + 10 x 14.72 of goods; S at 6.00; zone 3 at 19 lb: (58 + 9 x 1.60) x 1.12 = 81.09.
    assert re.findall(r'number">([\d.]+)<', page)[1:4] == ["81.09", "6.00", "301.76"]
    assert ">388.85<" in page, "at the door"
    # The fourth plug makes it 20 lb: 1.60 x 1.12 = 1.79 more.
    assert ">1.79<" in page
    client.force_login(person("B03"))
    assert client.get("/weeks/2026-W49/basket/C02/").status_code == 404


def test_the_list_says_whose_clock_what_care_means_and_leads_to_its_parts(week, person, client):
    client.force_login(person("B02"))
    page = page_words(client.get(W49))
    assert "Order until <b>Mon 30 Nov, 13:00 EST</b>" in page
    assert "Care goes from 1, easy to keep, to 5." in page and "plug · care 2" in page
    for anchor in re.findall(r'href="#([^"]+)"', page):
        assert f'id="{anchor}"' in page, anchor
    assert 'href="#stony-small-polyp">Stony, small polyp</a>' in page
