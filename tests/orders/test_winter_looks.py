"""Who orders a winter look is told that it comes out of colour: list, order, letter of promise."""

import pytest
from tests_support import farm_time, page_words

from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import Message
from orders.models import Order
from orders.sharing import ink_promises, share_out
from orders.weeks import week_named

LIST = "/weeks/2026-W49/list/"
SAID = "inter look: these pieces are out of colour now and arrive so"


@pytest.fixture
def buyer(published_farm, at_desk):
    return at_desk("B02")


def sent(buyer):
    buyer.post(LIST, {"act": "send", "ask:KLN winter tan": "4", "ask:PLT plug": "12", "key": "k"})
    return Order.objects.get()


def test_the_draft_says_it_beside_the_field_and_before_the_button(buyer):
    assert SAID not in page_words(buyer.get(LIST))
    buyer.post(LIST, {"act": "save", "ask:KLN winter tan": "4", "ask:PLT plug": "12"})
    page = page_words(buyer.get(LIST))
    assert page.count(SAID) == 2
    row, foot = (
        page.split('id="at-kln-winter-tan"')[1].split("</tr>")[0],
        page.split("draft-foot")[-1],
    )
    assert f"<b>W{SAID}.</b>" in row and f"<b>KLN winter tan</b> is the w{SAID}." in foot


def test_a_number_that_cannot_be_read_is_asked_for_first(buyer):
    buyer.post(LIST, {"act": "save", "ask:KLN winter tan": "four"})
    page = page_words(buyer.get(LIST))
    foot = page.split("draft-foot")[-1]
    assert 'href="#at-kln-winter-tan">KLN winter tan</a>' in foot and SAID not in foot


def test_the_order_its_change_and_the_letter_of_promise_say_it(buyer, person):
    order = sent(buyer)
    for address in (f"/orders/{order.number}/", f"/orders/{order.number}/change/"):
        own = page_words(buyer.get(address))
        assert own.count(SAID) == 1, address
    move_clock(to=farm_time("2026-11-30 12:15"))
    tick(farm_time("2026-11-30 12:15"))
    week = week_named(name="2026-W49")
    share_out(week=week, now=farm_time("2026-11-30 12:30"), user=person("OF"))
    ink_promises(week=week, now=farm_time("2026-11-30 14:30"))
    tick(farm_time("2026-11-30 14:30"))

    letter = Message.objects.get(kind="promised", user__code="B02")
    lines = [row.strip() for row in letter.text.splitlines()]
    at = next(index for index, row in enumerate(lines) if row.startswith("KLN winter tan"))
    assert lines[at + 1] == f"w{SAID}"
    assert letter.text.count(SAID) == 1


def test_an_open_order_says_what_is_likely_and_what_it_comes_to_as_asked(buyer):
    order = sent(buyer)
    page = page_words(buyer.get(f"/orders/{order.number}/"))
    # 4 at 16.50 x 0.92 = 15.18 and 12 at 14.00 x 0.92 = 12.88.
    assert "goods as asked" in page and "215.28" in page
    assert "about <b>$215.28</b>" in page and "likely all 12" in page
    assert "goods promised" not in page


def test_a_line_is_not_counted_against_itself(buyer, at_desk):
    """All 56 PLT to one shop: whoever asks for them alone is likely to get them."""
    buyer.post(LIST, {"act": "send", "ask:PLT plug": "56", "key": "k"})
    order = Order.objects.get()
    assert "likely all 56" in page_words(buyer.get(f"/orders/{order.number}/"))


def test_packs_are_said_in_pieces_too_and_withdrawing_is_asked_twice(buyer):
    buyer.post(LIST, {"act": "send", "ask:RMG prop-10": "3", "key": "k"})
    order = Order.objects.get()
    page = page_words(buyer.get(f"/orders/{order.number}/"))
    assert "packs, 30 pieces asked" in page
    summary = '<summary class="roomy">Withdraw the whole order</summary>'
    asking = page.split(summary)[1].split("</details>")[0]
    assert "cannot be undone" in asking and f"Withdraw order {order.number}</button>" in asking
    buyer.post(f"/orders/{order.number}/withdraw/")
    page = page_words(buyer.get(f"/orders/{order.number}/"))
    assert f'href="{LIST}?ship_to=C02">Order anew from the list of 2026-W49</a>' in page
