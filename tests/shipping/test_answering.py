"""A shop answers how its box may travel; the plan follows, and what cannot be had says why."""

import json

import pytest
from django.urls import reverse
from tests_support import farm_time

from inventory.errors import ForbiddenMove
from inventory.models import Happening
from orders.models import Order, Promise, ShipTo
from shipping.answering import AnswerTooLate, ChoiceNotOffered, answer, choices_of
from shipping.bench_numbers import Bench
from shipping.clearing import enter_forecast, make_plan
from shipping.models import PackPlan, Shipment

NOW = farm_time("2026-11-30 16:00")


@pytest.fixture
def cold_4901(inked_farm, person):
    """4901 to Duluth (job tables 7.7, 7.10), as if its ship-to did not allow the depot."""
    ShipTo.objects.filter(code="C01").update(is_depot_allowed=False)
    order = Order.objects.get(number="4901")
    enter_forecast(
        ship_to=order.ship_to, ship_on=order.ship_on, now=NOW, user=person("OF"),
        evening_c=17, hub_c=-6, morning_c=-18, midday_c=-13,
    )  # fmt: skip
    make_plan(order=order, now=NOW, bench=Bench.read(on=order.ship_on), stage="Monday 16:00")
    return order


def plan_of(order):
    return PackPlan.objects.get(order=order, void_at__isnull=True)


def say(order, choice, user, now=NOW):
    return answer(order=order, choice=choice, user=user, now=now)


def test_a_shop_that_allows_the_depot_this_once_is_planned_to_it(cold_4901, person):
    before = plan_of(cold_4901)
    assert (before.verdict, before.delivery) == ("care", "door")
    assert Shipment.objects.get(order=cold_4901).state == "stopped"

    say(cold_4901, "depot", person("B01"))
    after = plan_of(cold_4901)
    assert (after.verdict, after.delivery) == ("clear", "depot")
    assert Shipment.objects.get(order=cold_4901).state == "cleared"
    # Table 7.10: two packs, depot, 23.6 at the lowest, 18.4 if a day late.
    [box] = json.loads(after.record)["boxes"]
    assert (box["packs"], box["base"][0], box["late"][0]) == (2, 23.6, 18.4)
    assert not Order.objects.get(number="4901").ship_to.is_depot_allowed, "for this one only"
    with pytest.raises(ChoiceNotOffered, match="the depot is allowed already"):
        say(cold_4901, "depot", person("B01"))


def test_a_shop_that_takes_the_late_risk_clears_its_box(cold_4901, person):
    say(cold_4901, "late risk", person("B01"))

    assert plan_of(cold_4901).verdict == "care"
    assert Shipment.objects.get(order=cold_4901).state == "cleared"
    order = Order.objects.get(number="4901")
    assert order.is_late_risk_accepted
    assert order.office_note.startswith("Orrin Vale chose: late risk, Mon 30 Nov 16:00")
    facts = Happening.objects.get(kind="order.answered").facts
    assert facts == {"order": "4901", "customer": "C01", "choice": "late risk"}


def test_another_day_keeps_the_promises_and_asks_that_day_s_weather(cold_4901, person):
    promised = list(Promise.objects.filter(line__order=cold_4901).values_list("units", "state"))
    say(cold_4901, "other day", person("B01"))

    order = Order.objects.get(number="4901")
    assert order.ship_on.isoformat() == "2026-12-02"
    assert list(Promise.objects.filter(line__order=order).values_list("units", "state")) == promised
    assert plan_of(order).ship_on == order.ship_on
    with pytest.raises(ChoiceNotOffered, match="its week has no later ship day"):
        say(order, "other day", person("B01"))


def test_a_cancelled_order_gives_its_pieces_back(cold_4901, person):
    say(cold_4901, "cancel", person("B01"))

    assert Order.objects.get(number="4901").state == "withdrawn"
    assert set(Promise.objects.filter(line__order=cold_4901).values_list("state", flat=True)) == {
        "freed"
    }
    with pytest.raises(ForbiddenMove, match="only an order that is promised and has not left"):
        say(cold_4901, "late risk", person("B01"))


def test_after_six_the_standing_wish_counts_and_only_the_office_answers(cold_4901, person):
    say(cold_4901, "late risk", person("B01"), farm_time("2026-11-30 18:00"))
    late = farm_time("2026-11-30 18:01")
    with pytest.raises(AnswerTooLate, match="counted until Mon 30 Nov 18:00. Call the office"):
        say(cold_4901, "depot", person("B01"), late)
    say(cold_4901, "depot", person("OF"), late)

    assert Order.objects.get(number="4901").is_depot_accepted


def test_what_is_no_choice_is_named_with_what_is(cold_4901, person):
    with pytest.raises(ChoiceNotOffered, match="choose late risk, depot, other day, cancel"):
        say(cold_4901, "teleport", person("B01"))
    collected = Order.objects.get(number="4909")
    why = {row.name: row.why_not for row in choices_of(order=collected)}
    assert why["depot"] == "it is collected there already"


def test_the_page_takes_the_answer_of_the_order_s_own_shop_only(inked_farm, client, person):
    address = reverse("answer", args=["4903"])
    client.force_login(person("B02"))
    assert client.get(address).status_code == 404
    client.force_login(person("B03"))
    page = client.get(address).content.decode()
    assert "It counts until Mon 30 Nov, 17:00" in page, "six at the farm is five in Colorado"
    assert "50 % of their price is credited" in page
    assert "How it may travel" in client.get(reverse("order", args=["4903"])).content.decode()

    client.post(address, {"choice": "late risk"})
    assert Order.objects.get(number="4903").is_late_risk_accepted
    assert "you have accepted it already" in client.get(address).content.decode()
