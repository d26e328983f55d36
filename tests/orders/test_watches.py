"""Whoever asked to be told of a return is told once, by one letter with one action."""

import html
import re

import pytest
from django.core import mail
from tests_support import farm_time, page_words

from config.posting import post_letters
from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.models import ColourState, Happening, Listing, Message, User
from orders import watches
from orders.basket import watch_listing
from orders.listing import publish_list
from orders.models import BasketRow, Customer, Order, RegionRule, Seat, ShipTo, Watch

W49 = "/weeks/2026-W49/list/"
LATER = "2026-11-27 09:30"


@pytest.fixture
def ask(week, person):
    def act(listing, who="B02", customer="C02"):
        return watch_listing(
            ship_to=ShipTo.objects.get(code=customer),
            listing_name=listing,
            user=person(who),
            now=farm_now(),
        )

    return act


def colour_turns(state, *keys):
    """The strains' colour state turns, as the colour hop writes it, and says so."""
    ColourState.objects.filter(strain__key__in=keys).update(state=state)
    kind = "line.rested" if state == "resting" else "line.returned"
    for key in keys:
        facts = {"strain": key, "listing": f"{key} plug", "reason": "looked at"}
        Happening.objects.create(kind=kind, at=farm_now(), facts=facts)


def comes_back(*keys, at=LATER):
    """Strains return; the list writes its next version by itself and everybody is told."""
    move_clock(to=farm_time(at))
    colour_turns("in colour", *keys)
    tick(farm_now())


def letters():
    return list(Message.objects.filter(kind="back on the list").order_by("pk"))


def test_what_comes_back_is_told_once_with_one_action(week, ask):
    watch = ask("KLN plug")
    tick(farm_now())
    assert not letters()

    comes_back("KLN")

    (letter,) = letters()
    assert letter.user.code == "B02"
    assert letter.subject == "Fen Kiln can be ordered for 2026-W49"
    assert letter.action_url.endswith(f"{W49}?ship_to=C02#at-kln-plug")
    # Nothing was ever asked of it: there is no number to offer.
    assert "Open the list at Fen Kiln" in letter.text and "once wanted" not in letter.text
    assert "may have 25+" in letter.text
    assert "order until Mon 30 Nov, 13:00" in letter.text
    watch.refresh_from_db()
    assert watch.told_at == farm_time(LATER)
    # The next version still offers it: that is no news.
    publish_list(week=week, now=farm_now(), reason="a price changed")
    tick(farm_now())
    assert week.versions.last().lines.get(listing__name="KLN plug").status == "offered"
    assert len(letters()) == 1


def test_heard_twice_or_retried_it_is_one_letter_under_one_id(week, ask, settings):
    ask("KLN plug")
    comes_back("KLN")
    first = letters()[0].message_id
    told = Happening.objects.filter(kind="list.published").last()
    for _ in range(2):
        watches.follow_happening(told, now=farm_now())
    # A farm restored from before the letter writes the same one again.
    Message.objects.filter(kind="back on the list").delete()
    Watch.objects.update(told_at=None)
    watches.follow_happening(told, now=farm_now())
    (letter,) = letters()
    assert letter.message_id == first
    mail.outbox.clear()
    for _ in range(3):
        post_letters()
    sent = [row for row in mail.outbox if row.extra_headers["Message-ID"] == first]
    assert len(sent) == 1


def test_several_returns_are_one_letter_and_each_shop_has_its_own(week, ask):
    strain = Listing.objects.get(name="HRT plug").strain_form.strain
    ColourState.objects.update_or_create(
        strain=strain, defaults={"value": 1.0, "state": "fading", "looked_on": "2026-11-25"}
    )
    colour_turns("resting", "HRT")
    tick(farm_now())
    names = ["KLN plug", "HRT plug"]
    for name in names:
        ask(name)
    ask(names[0], "B03", "C03")

    comes_back(*(name.split()[0] for name in names))

    told = {row.user.code: row for row in letters()}
    assert set(told) == {"B02", "B03"}
    assert "and 1 more can be ordered" in told["B02"].subject
    assert "and" not in told["B03"].subject.split(" can be")[0]
    assert all(name in told["B02"].text for name in names)


def test_asking_again_after_the_letter_is_told_again_on_the_next_return(week, ask):
    ask("KLN plug")
    comes_back("KLN")
    ask("KLN plug")
    colour_turns("resting", "KLN")
    tick(farm_now())
    assert len(letters()) == 1
    comes_back("KLN", at="2026-11-28 09:00")
    assert len({row.message_id for row in letters()}) == 2
    assert not Watch.objects.filter(told_at__isnull=True).exists()


def test_a_version_heard_of_late_does_not_promise_what_rests_again(week, ask):
    ask("KLN plug")
    move_clock(to=farm_time(LATER))
    colour_turns("in colour", "KLN")
    version = publish_list(week=week, now=farm_now(), reason="line returned")
    assert version.lines.get(listing__name="KLN plug").status == "offered"
    colour_turns("resting", "KLN")
    publish_list(week=week, now=farm_now(), reason="line rested")
    tick(farm_now())
    assert not letters()
    assert Watch.objects.get().told_at is None


def test_nobody_is_told_of_what_no_ship_to_may_receive(week, ask):
    RegionRule.objects.filter(region="US-NY").update(verdict="forbid")
    ask("KLN plug")
    comes_back("KLN")
    assert not letters()
    assert Watch.objects.get().told_at is None


def test_a_watcher_who_left_or_the_office_for_them_is_everybody_of_the_shop(week, ask, person):
    second = User.objects.create_user(
        email="second@gullwick.example", name="Second", role="buyer", code="B02b"
    )
    Seat.objects.create(user=second, customer=Customer.objects.get(code="C02"))
    ask("KLN plug", who="OF")
    comes_back("KLN")
    assert {row.user.code for row in letters()} == {"B02", "B02b"}


def test_with_nobody_waiting_a_version_costs_one_statement(week, django_assert_num_queries):
    told = Happening.objects.filter(kind="list.published").last()
    now = farm_now()
    with django_assert_num_queries(1):
        watches.follow_happening(told, now=now)
    with django_assert_num_queries(0):
        watches.follow_happening(Happening(kind="order.sent", facts={}), now=now)


def test_the_row_says_what_is_waited_for_and_when_it_was_told(week, ask, person, client):
    client.force_login(person("B02"))
    client.post(W49, {"act": "watch:KLN plug"})
    page = html.unescape(client.get(W49).content.decode())
    assert "asked Wed 25 Nov; a letter goes out when it is back" in page
    assert "Tell me when KLN is back" not in page
    comes_back("KLN")
    page = html.unescape(client.get(W49).content.decode())
    assert "told Fri 27 Nov" in page
    client.force_login(person("B03"))
    assert "told Fri 27 Nov" not in html.unescape(client.get(W49).content.decode())
    assert Listing.objects.filter(name="KLN plug").exists()


def told_of_six(week, at_desk):
    """A shop whose draft still asked 6 of what rests, and that asked to be told, is told."""
    buyer = at_desk("B02")
    buyer.post(W49, {"act": "watch:KLN plug", "ask:KLN plug": "6", "ask:PLT plug": "12"})
    BasketRow.objects.filter(listing__name="KLN plug").delete()
    comes_back("KLN")
    return buyer


def test_the_letter_leads_to_the_row_where_one_tap_adds_what_was_wanted_once(week, at_desk):
    buyer = told_of_six(week, at_desk)
    (letter,) = letters()
    assert "Open the list at Fen Kiln and add 6 pieces" in letter.text
    assert "(once wanted: 6 pieces)" in letter.text and "until you send it" in letter.text
    address, row = letter.action_url.split(W49)[1].split("#")
    page = page_words(buyer.get(W49 + address))
    own = page.split(f'<tr id="{row}"')[1].split("</tr>")[0]
    (act,) = re.findall(r'value="(add:\d+)"', own)
    assert "Add 6 pieces as once wanted" in own and page.count("as once wanted") == 1

    # What else was typed meanwhile is kept, and nothing is ordered by the tap.
    answer = buyer.post(W49, {"act": act, "ask:PLT plug": "8", "ask:HRT plug": "ten"})
    assert answer.url.endswith("#at-kln-plug")
    typed = dict(BasketRow.objects.values_list("listing__name", "asked"))
    assert typed == {"KLN plug": "6", "PLT plug": "8", "HRT plug": "ten"}
    assert not Order.objects.exists()
    page = page_words(buyer.get(W49))
    assert "6 Fen Kiln stand in your draft. Nothing is ordered yet." in page
    assert "as once wanted" not in page


def test_a_number_that_was_typed_meanwhile_stays(week, at_desk):
    buyer = told_of_six(week, at_desk)
    act = f"add:{Watch.objects.get().pk}"
    buyer.post(W49, {"act": act, "ask:KLN plug": "4"})
    assert BasketRow.objects.get(listing__name="KLN plug").asked == "4"


def test_another_shop_cannot_add_what_was_not_its_own(week, at_desk):
    told_of_six(week, at_desk)
    other = at_desk("B03")
    assert "as once wanted" not in page_words(other.get(W49))
    for act in (f"add:{Watch.objects.get().pk}", "add:", "add:x", "add:0"):
        assert other.post(W49, {"act": act}).status_code == 404
    assert not BasketRow.objects.filter(basket__ship_to__code="C03").exists()


def test_what_rests_again_is_not_offered_though_its_letter_is_out(week, at_desk):
    buyer = told_of_six(week, at_desk)
    colour_turns("resting", "KLN")
    tick(farm_now())
    page = page_words(buyer.get(W49))
    assert "as once wanted" not in page and "Tell me when KLN is back" in page


def test_the_list_of_the_ship_to_that_asked_is_opened(week, ask, person, at_desk):
    shop = at_desk("B10")
    shop.post(f"{W49}?ship_to=C10b", {"act": "watch:KLN plug", "ship_to": "C10b"})
    comes_back("KLN")
    (letter,) = letters()
    assert letter.action_url.endswith(f"{W49}?ship_to=C10b#at-kln-plug")


def test_the_last_order_is_what_was_wanted_where_no_draft_says_so(week, ask, at_desk):
    buyer = at_desk("B02")
    buyer.post(W49, {"act": "send", "ask:PLT plug": "12", "key": "k"})
    assert ask("PLT plug").wanted == 12
