"""People: invited by a letter with a link that is good once; never a password by mail."""

import re

import pytest
from desk import open_form, show, shown_text, sign
from django.core import mail
from django.test import Client
from tests_support import farm_time

from config.edit_people import acts_of
from config.posting import post_letters
from inventory import log_in_links
from inventory.clock import machine_now
from inventory.link_seals import token_of
from inventory.models import Change, LogInLink, Message, Phone, User
from orders.models import Seat

NEW = {"code": "OF2", "name": "Tilda Rush", "email": "tilda@saltmarrow.example", "role": "office"}
WORDS = "seven slow herons wade"


def invite(browser, **changes):
    typed, answer = show(browser, "/edit/people/new/", **{**NEW, **changes})
    assert answer.status_code == 200, shown_text(answer)
    return sign(browser, "/edit/people/new/", typed, answer, reason="shares the Mondays"), answer


def link_of(code):
    link = LogInLink.objects.filter(user__code=code).first()
    return f"/log-in/link/{token_of(link)}/"


def use(address, password=WORDS, again=None):
    return Client().post(address, {"password": password, "again": again or password})


def can_log_in(email, password=WORDS):
    return Client().post("/log-in/", {"username": email, "password": password}).status_code == 302


def test_an_invited_person_sets_a_password_and_logs_in(open_farm, at_desk):
    signed, answer = invite(at_desk("OF"))
    assert "to tilda@saltmarrow.example, with a link that sets a password once" in shown_text(
        answer
    )
    assert "publish list" in shown_text(answer)
    assert signed.status_code == 302
    assert not can_log_in("tilda@saltmarrow.example")

    assert use(link_of("OF2"))["Location"] == "/log-in/"

    assert can_log_in("tilda@saltmarrow.example")
    kept = Change.objects.filter(what="person", name="OF2", field="Role").get()
    assert (kept.now, kept.user.code, kept.reason) == ("office", "OF", "shares the Mondays")


def test_a_letter_holds_the_link_and_neither_its_row_nor_the_messages_page_does(open_farm, at_desk):
    owner = at_desk("OW")
    invite(owner)
    message = Message.objects.get(kind="invite")
    token = token_of(LogInLink.objects.get())
    page = owner.get(f"/messages/{message.pk}/").content.decode()
    assert token not in message.text + message.html + message.action_url + page

    post_letters()

    text = next(one.body for one in mail.outbox if "tilda@saltmarrow.example" in one.to[0])
    assert f"/log-in/link/{token}/" in text
    assert "sealed" not in text and "good once, for 72 hours" in text


def test_a_link_is_good_once(open_farm, at_desk):
    invite(at_desk("OF"))
    address = link_of("OF2")
    assert Client().get(address).status_code == 200
    assert Client().get(address).status_code == 200
    assert use(address).status_code == 302

    again = use(address, "another set of words")
    assert again.status_code == 410 and "link_not_good" in again.content.decode()
    assert can_log_in("tilda@saltmarrow.example")


def test_a_link_ends_after_its_hours_and_when_a_newer_one_is_made(open_farm, at_desk):
    office = at_desk("OF")
    invite(office)
    first = link_of("OF2")
    assert office.post("/edit/people/OF2/link/").status_code == 302
    assert Client().get(first).status_code == 410
    assert Client().get(link_of("OF2")).status_code == 200

    LogInLink.objects.update(expires_at=machine_now())
    assert "was good until" in shown_text(Client().get(link_of("OF2")))


@pytest.mark.parametrize("token", ["1", "1-" + "0" * 40, "9" * 12 + "-" + "a" * 40, "x.sealed"])
def test_a_made_up_link_is_no_good(open_farm, at_desk, token):
    invite(at_desk("OF"))

    assert Client().get(f"/log-in/link/{token}/").status_code == 410


@pytest.mark.parametrize(
    ("password", "again", "said"),
    [
        ("short", None, "too short"),
        ("tilda@saltmarrow", None, "too similar"),
        ("password123", None, "too common"),
        (WORDS, WORDS + "s", "not the same"),
    ],
)
def test_a_weak_password_is_refused_and_the_link_stays_good(
    open_farm, at_desk, password, again, said
):
    invite(at_desk("OF"))
    answer = use(link_of("OF2"), password, again)

    assert answer.status_code == 422 and said in shown_text(answer)
    assert f'value="{password}"' not in answer.content.decode()
    assert use(link_of("OF2")).status_code == 302


def test_a_new_password_ends_open_pages(open_farm, at_desk, person):
    grower = at_desk("G1")
    assert grower.get("/").status_code == 200
    log_in_links.mail_link(
        user=person("G1"),
        kind="reset",
        by=None,
        now=machine_now(),
        at=farm_time("2026-12-04 16:00"),
    )

    assert use(link_of("G1")).status_code == 302
    assert grower.get("/").status_code == 302


def test_asking_for_a_link_tells_nobody_who_is_known(open_farm):
    known = Client().post("/log-in/ask/", {"email": "gita@saltmarrow.example"}, follow=True)
    unknown = Client().post("/log-in/ask/", {"email": "nobody@saltmarrow.example"}, follow=True)
    Client().post("/log-in/ask/", {"email": "gita@saltmarrow.example"})

    assert known.status_code == unknown.status_code == 200
    assert shown_text(known) == shown_text(unknown)
    assert Message.objects.filter(kind="reset").count() == 1
    assert use(link_of("G1")).status_code == 302


def test_who_is_switched_off_is_out_at_once(open_farm, at_desk, person):
    office, grower = at_desk("OF"), at_desk("G1")
    Phone.objects.create(
        name="blue",
        user=person("G1"),
        key_hash="k",
        paired_at=machine_now(),
        paired_by=person("LD"),
    )
    office.post("/edit/people/G1/link/")
    address = "/edit/people/G1/"
    typed = {n: text for n, text in open_form(office, address).items() if n != "is_active"}
    answer = office.post(address, {**typed, "act": "show"})
    assert "ends at once, open pages too" in shown_text(answer)
    assert "blue is taken off the list" in shown_text(answer)
    assert grower.get("/").status_code == 200

    assert sign(office, address, typed, answer, reason="has left the farm").status_code == 302

    assert grower.get("/").status_code == 302
    assert Client().get(link_of("G1")).status_code == 410
    assert Phone.objects.get(name="blue").is_revoked
    kept = Change.objects.get(what="person", name="G1")
    assert (kept.was, kept.now, kept.reason) == ("yes", "no", "has left the farm")
    assert office.post("/edit/people/G1/link/").status_code == 409


def test_only_an_owner_makes_or_changes_an_owner(open_farm, at_desk):
    office = at_desk("OF")
    _, answer = show(office, "/edit/people/new/", **{**NEW, "role": "owner"})
    assert answer.status_code == 403
    assert office.get("/edit/people/OW/").status_code == 403
    assert office.post("/edit/people/OW/link/").status_code == 403
    typed, answer = show(office, "/edit/people/OF/", role="owner")
    assert answer.status_code == 403
    assert not User.objects.filter(role="owner").exclude(code="OW").exists()


def test_the_last_owner_stays(open_farm, at_desk):
    owner = at_desk("OW")
    _, answer = show(owner, "/edit/people/OW/", role="office")
    assert answer.status_code == 409 and "is the only owner" in shown_text(answer)
    typed = {n: t for n, t in open_form(owner, "/edit/people/OW/").items() if n != "is_active"}
    off = owner.post("/edit/people/OW/", {**typed, "act": "show"})
    assert off.status_code == 409

    signed, _ = invite(owner, code="OW2", role="owner", email="second@saltmarrow.example")
    assert signed.status_code == 302
    _, answer = show(owner, "/edit/people/OW/", role="office")
    assert answer.status_code == 200
    assert "lower floor" in shown_text(answer)


def test_a_buyer_needs_a_customer_and_staff_has_none(open_farm, at_desk):
    office = at_desk("OF")
    _, answer = show(office, "/edit/people/new/", **{**NEW, "role": "buyer", "customer": ""})
    assert "A buyer orders for a customer." in shown_text(answer)
    _, answer = show(office, "/edit/people/new/", **{**NEW, "customer": "C01"})
    assert "Only a buyer orders for a customer." in shown_text(answer)

    invite(office, role="buyer", customer="C01")
    assert Seat.objects.get(user__code="OF2").customer.code == "C01"


def test_an_address_is_one_persons(open_farm, at_desk):
    _, answer = show(
        at_desk("OF"), "/edit/people/new/", **{**NEW, "email": "GITA@saltmarrow.example"}
    )

    assert "Another person has that address." in shown_text(answer)


def test_growers_and_buyers_edit_nobody(open_farm, at_desk):
    for code in ("G1", "LD", "B01"):
        browser = at_desk(code)
        assert browser.get("/edit/people/").status_code == 403
        assert browser.post("/edit/people/G1/link/").status_code == 403


def test_what_a_role_may_do_is_said_in_words():
    assert "lower floor" in acts_of("owner") and "lower floor" not in acts_of("office")
    assert all(not re.search("_", act) for act in acts_of("owner"))
