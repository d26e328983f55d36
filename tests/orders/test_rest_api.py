"""A resting line's question over the feed: the page's choices, rules and hour, once a key."""

import json

import pytest
from autumn_scene import RESTED
from tests_support import farm_time

from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import Message
from orders.change_records import changes_shown
from orders.feeding import make_client
from orders.models import Customer, FeedEvent, Line, Order, RestQuestion, Watch
from orders.resting import choices_of

UNTIL = farm_time("2026-11-10 18:00")


@pytest.fixture(autouse=True)
def _rested(rested_farm):
    """4 KLN of C07 and 3 of C05 are asked about on Mon 9 Nov 15:10."""


class System:
    """The own system of a shop."""

    def __init__(self, client, code):
        _, token = make_client(code=f"S{code}", customer=Customer.objects.get(code=code))
        self._client, self._token = client, token

    def get(self, address, **more):
        headers = {"authorization": f"Bearer {self._token}", **more}
        return self._client.get(f"/api/v1/{address}", headers=headers)

    def post(self, address, body, key="k1"):
        headers = {"authorization": f"Bearer {self._token}", "idempotency-key": key}
        kind = "application/json"
        return self._client.post(f"/api/v1/{address}", json.dumps(body), kind, headers=headers)


@pytest.fixture
def system(client):
    return System(client, "C07")


def order_of(code="C07"):
    return Order.objects.get(customer__code=code)


def address(code="C07"):
    question = RestQuestion.objects.get(line__order__customer__code=code)
    return f"orders/{question.line.order.number}/rests/{question.pk}/"


def refused(answer, status, code):
    assert (answer.status_code, answer.json()["code"]) == (status, code), answer.content
    return answer.json()


def test_an_order_points_to_its_question_which_has_the_choices_of_the_page(system):
    order = order_of()
    link = system.get(f"orders/{order.number}/").json()["rests"]
    body = system.get(link.removeprefix("/api/v1/")).json()
    assert body["answer_by"] == "2026-11-10T18:00:00-06:00"
    (question,) = body["questions"]
    assert (question["listing"], question["units"], question["state"]) == ("KLN plug", 4, "asked")
    shown = choices_of(question=RestQuestion.objects.get(line__order=order), now=RESTED)
    assert [row["choice"] for row in question["choices"]] == [row.name for row in shown]
    assert [row["words"] for row in question["choices"]] == [row.words for row in shown]
    # Job story A5: the winter look at 16.50.
    winter = next(row for row in question["choices"] if row["choice"] == "winter")
    assert (winter["listing"], winter["unit_price"]) == ("KLN winter tan", "16.50")
    assert system.get(question["answer"].removeprefix("/api/v1/")).json() == question


def test_the_winter_look_is_taken_once_and_the_change_says_from_where(system):
    where = address()
    first = system.post(where, {"choice": "winter"})
    assert first.status_code == 201, first.content
    assert first.json()["instead"] == {"listing": "KLN winter tan", "unit_price": "16.50"}
    assert first.json()["settled_by"] == "Cascadon Tidepool's system"
    again = system.post(where, {"choice": "winter"})
    assert again.content == first.content
    assert again["Idempotent-Replay"] == "true"
    assert again["Location"] == first["Location"] == f"/api/v1/{where}"
    assert system.get(where).json() == first.json()

    line = Line.objects.get(order=order_of(), listing__name="KLN winter tan")
    assert (line.asked, str(line.unit_price), line.promise.state) == (4, "16.50", "inked")
    change = changes_shown(order=order_of())[-1]
    assert (change.channel, change.by) == ("API", "Cascadon Tidepool's system")
    tick(RESTED)
    body = json.loads(FeedEvent.objects.filter(client__code="SC07").last().body)
    assert (body["type"], body["order"]) == ("order.changed", order_of().number)
    assert system.get(f"orders/{order_of().number}/").json()["rests"] is None


def test_waiting_takes_the_line_off_and_everybody_of_the_shop_is_told_of_the_return(system):
    assert system.post(address(), {"choice": "wait"}).json()["choice"] == "wait"
    assert Line.objects.get(order=order_of(), listing__name="KLN plug").state == "withdrawn"
    watch = Watch.objects.get(customer__code="C07", listing__name="KLN plug")
    assert watch.user is None
    from orders.watches import _readers_of

    readers = list(Customer.objects.get(code="C07").seats.all())
    assert readers and _readers_of(watch, readers) == readers


def test_cancelling_settles_it_and_a_second_answer_is_too_late(system):
    where = address()
    assert system.post(where, {"choice": "cancel"}).status_code == 201
    refused(system.post(where, {"choice": "winter"}, key="k2"), 409, "rest_answer_too_late")
    refused(system.post(where, {"choice": "winter"}), 422, "idempotency_key_reused")
    assert not Message.objects.filter(kind="a resting line is settled", user__code="B07").exists()


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        ({"choice": "paint it"}, 409, "rest_choice_not_offered"),
        ({"choice": "instead:ZZZ plug"}, 409, "rest_choice_not_offered"),
        ({"choice": ""}, 400, "body_not_right"),
        ({"choice": ["winter"]}, 400, "body_not_right"),
        ({}, 400, "body_not_right"),
        (["winter"], 400, "body_not_right"),
    ],
)
def test_a_wrong_answer_is_named_and_its_key_may_be_used_again(system, body, status, code):
    where = address()
    problem = refused(system.post(where, body), status, code)
    if code == "rest_choice_not_offered":
        assert "winter" in problem["detail"]
    assert RestQuestion.objects.get(line__order=order_of()).state == "asked"
    assert system.post(where, {"choice": "winter"}).status_code == 201


def test_the_answer_counts_until_the_hour_of_the_page_and_not_a_second_longer(system, client):
    move_clock(to=UNTIL)
    assert system.post(address(), {"choice": "winter"}).status_code == 201
    move_clock(to=farm_time("2026-11-10 18:00:01"))
    other = System(client, "C05")
    refused(other.post(address("C05"), {"choice": "winter"}), 409, "rest_answer_too_late")


def test_another_shop_s_question_is_not_there(client):
    other = System(client, "C05")
    mine = order_of("C05").number
    theirs = RestQuestion.objects.get(line__order__customer__code="C07").pk
    refused(other.get(address()), 404, "unknown")
    refused(other.post(address(), {"choice": "winter"}), 404, "unknown")
    refused(other.get(f"orders/{mine}/rests/{theirs}/"), 404, "unknown")
    refused(other.post(f"orders/{mine}/rests/{theirs}/", {"choice": "cancel"}), 404, "unknown")
    refused(other.get(f"orders/{mine}/rests/{10**30}/"), 404, "unknown")
    assert set(RestQuestion.objects.values_list("state", flat=True)) == {"asked"}
