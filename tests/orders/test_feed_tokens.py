"""The office lets a shop's system into the feed: its token is shown once, renewed, and shut out."""

import re

import pytest
from tests_support import page_words

from inventory.models import Change
from orders.feeding import hash_token
from orders.models import FeedClient

PAGE, ACTS = "/hooks/", "/hooks/tokens/"


@pytest.fixture
def office(published_farm, at_desk):
    return at_desk("OF")


def token_in(answer):
    assert answer.status_code == 200 and answer["Cache-Control"] == "no-store"
    return re.search(r'aria-label="the new token">([^<]+)<', answer.content.decode())[1]


def weeks(client, token):
    return client.get("/api/v1/weeks/", headers={"authorization": f"Bearer {token}"})


def test_a_token_is_made_shown_once_and_opens_the_feed(office, client, settings):
    answer = office.post(ACTS, {"act": "in", "customer": "C02", "reason": "their developer asked"})
    token = token_in(answer)
    # As a whole on a phone, without a bar to push.
    assert 'class="copied"' in answer.content.decode()
    assert f'curl -H "Authorization: Bearer {token}" {settings.FARM_ADDRESS}/api/v1/weeks/' in (
        answer.content.decode().replace("&quot;", '"')
    )
    made = FeedClient.objects.get(customer__code="C02")
    assert (made.code, made.token_hash) == ("FC-2", hash_token(token))
    assert token not in page_words(office.get(PAGE)) and "Gullwick Aquaria" in page_words(
        office.get(PAGE)
    )
    assert weeks(client, token).status_code == 200
    kept = Change.objects.get(what="feed client")
    assert (kept.name, kept.user.code, kept.reason) == ("FC-2", "OF", "their developer asked")
    assert token not in f"{kept.was}{kept.now}{kept.reason}"


def test_a_new_token_stops_the_old_one_at_once(office, client):
    old = token_in(office.post(ACTS, {"act": "in", "customer": "C02", "reason": "asked"}))
    new = token_in(office.post(ACTS, {"act": "new", "client": "FC-2", "reason": "it leaked"}))
    assert old != new
    assert (weeks(client, old).status_code, weeks(client, new).status_code) == (401, 200)


def test_who_is_shut_out_stays_out_until_a_new_token(office, client):
    token = token_in(office.post(ACTS, {"act": "in", "customer": "C02", "reason": "asked"}))
    answer = office.post(ACTS, {"act": "out", "client": "FC-2", "reason": "shop closed"})
    assert answer.url == PAGE
    assert "FC-2 is shut out" in page_words(office.get(PAGE))
    assert weeks(client, token).status_code == 401
    again = token_in(office.post(ACTS, {"act": "new", "client": "FC-2", "reason": "opened again"}))
    assert weeks(client, again).status_code == 200 and weeks(client, token).status_code == 401


@pytest.mark.parametrize(
    ("body", "status", "words"),
    [
        ({"act": "in", "customer": "C02", "reason": " "}, 422, "Say why"),
        ({"act": "in", "customer": "C99", "reason": "x"}, 404, "C99"),
        ({"act": "new", "client": "FC-9", "reason": "x"}, 404, "FC-9"),
        ({"act": "out", "client": "", "reason": "x"}, 404, "(none)"),
    ],
)
def test_what_cannot_be_is_refused_and_lets_nobody_in(office, body, status, words):
    answer = office.post(ACTS, body)
    assert answer.status_code == status and words in page_words(answer)
    assert [row.code for row in FeedClient.objects.all()] == ["FC-1"]


def test_growers_and_buyers_let_nobody_in(published_farm, at_desk):
    body = {"act": "in", "customer": "C02", "reason": "x"}
    for code in ("G1", "B02"):
        assert at_desk(code).post(ACTS, body).status_code == 403
    assert "Make a token" not in page_words(at_desk("G1").get(PAGE))
    assert FeedClient.objects.count() == 1
