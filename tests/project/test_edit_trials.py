"""What an edit of numbers, lanes or law would make of each order is shown before it is signed."""

import re

import pytest
from desk import show, shown_text, sign
from tests_support import farm_time, table_rows

from config import edit_trials
from config.what_if_rows import plan_row
from orders.models import Line, Order, RegionRule
from shipping.bench_numbers import Bench
from shipping.clearing import make_plan
from shipping.models import PackPlan

HEAT = "/edit/settings/pack_72_w/"


def live():
    found = PackPlan.objects.filter(void_at__isnull=True).select_related("order")
    return {plan.order.number: plan for plan in found}


def test_a_weaker_heat_pack_names_each_order_s_verdict_boxes_and_money(drawn_farm, at_desk):
    browser = at_desk("OF")
    before = table_rows()
    typed, answer = show(browser, HEAT, value="1.4")
    text = shown_text(answer)

    assert table_rows() == before
    turned = dict(re.findall(r"(49\d\d) goes from (\w+ to \w+)", text))
    assert turned
    # Signed and planned again, each order is what was shown of it, to the word.
    assert sign(browser, HEAT, typed, answer).status_code == 302
    for number, plan in live().items():
        order = plan.order
        made = make_plan(
            order=order, now=plan.made_at, bench=Bench.read(on=order.ship_on), stage="test"
        )
        was, then = plan_row(plan), plan_row(made)
        said = f"{was.verdict} to {then.verdict}" if was.verdict != then.verdict else None
        assert turned.get(number) == said
        if was != then:
            for part in (then.boxes, then.sentence, then.freight):
                assert part in text
        else:
            assert re.search(rf"{number}[^.]* would stay as planned", text)


def test_a_nearer_caution_line_sends_a_box_to_the_depot(drawn_farm, at_desk):
    # 4902's L box to the door is 22.3 C at its coldest and 21.5 under a colder forecast (the farm's
    # worked figures for that lane): a line at 22 lies between the two, and the depot is warmer.
    _, answer = show(at_desk("OF"), "/edit/settings/caution_low_c:class:SPS/", value="22")

    now, then = re.search(r"4902 now (.*?) 4902 then (.*?late\.)", shown_text(answer)).groups()
    assert now.startswith("Tue 1 Dec clear L with 49 bags, 13.7 L of water, 3 heat packs 156.35")
    assert "door: 22.3 to 25.6" in now
    assert then.startswith("Tue 1 Dec clear L with 49 bags") and ", depot: " in then


def test_from_a_later_day_only_orders_that_ship_then_are_tried(drawn_farm, at_desk):
    _, answer = show(at_desk("OF"), HEAT, value="1.4", starts_on="2026-12-02")

    text = shown_text(answer)
    days = dict(Order.objects.filter(week__name="2026-W49").values_list("number", "ship_on"))
    named = {number for number in days if re.search(rf"\b{number}\b", text)}
    assert named == {
        number for number, day in days.items() if day == farm_time("2026-12-02").date()
    }


def test_a_lane_s_sun_is_weighed_before_it_is_signed(drawn_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/lanes/C02/", is_sunny="yes")

    text = shown_text(answer)
    # The van stands 8 C over midday in the sun where that is 10 C or more; at -2 C it stays 6 over.
    assert "of 1 order: 4902 would stay as planned" in text


def test_many_orders_are_tried_up_to_a_number_and_the_rest_is_named(
    drawn_farm, at_desk, monkeypatch
):
    monkeypatch.setattr(edit_trials, "MOST_PLANS", 3)
    _, answer = show(at_desk("OF"), "/edit/settings/start_c/", value="25.0")

    found = re.search(
        r"Only the 3 that ship first were tried; (\d+) more read it .*?: ([\d, ]+)\.",
        shown_text(answer),
    )
    assert int(found.group(1)) == len(live()) - 3 == len(found.group(2).split(", "))


def test_a_law_row_says_of_each_line_what_it_would_be(drawn_farm, at_desk):
    order = Order.objects.get(number="4902")
    rule = RegionRule.objects.get(region=order.ship_to.region, strain_class="SPS", taxon="")
    address = f"/edit/region-rules/{rule.region}:SPS:/"
    _, answer = show(at_desk("OF"), address, verdict="forbid")

    text = shown_text(answer)
    lines = Line.objects.filter(order=order, listing__strain_form__strain__strain_class="SPS")
    assert lines.count() > 0
    for line in lines:
        assert f"order 4902, {line.listing.name}: may go, may not go there then" in text
    _, answer = show(at_desk("OF"), address, note="", text="read once more")
    assert "would be judged as they are now" in shown_text(answer)


def test_a_new_paper_names_the_lines_that_it_lets_go(drawn_farm, at_desk):
    line = Line.objects.get(order__number="4913", listing__name="LCC plug")
    assert line.state == Line.State.NEEDS_PAPER
    _, answer = show(
        at_desk("OW"), "/edit/papers/new/", code="EX-1", kind="export permit",
        customer=line.order.customer.code, allowed="Tubipora musica = 10",
        valid_from="2026-11-01",
    )  # fmt: skip

    assert "order 4913, LCC plug: waits for a paper, may go by paper EX-1 then" in shown_text(
        answer
    )


@pytest.mark.parametrize(("name", "text"), [("step_s", "0.0001"), ("area_factor", "1000")])
def test_a_number_that_no_machine_could_reckon_with_is_refused(drawn_farm, at_desk, name, text):
    # Ten thousand steps a second are more than any memory here; a wall of a thousand box sides
    # lets a step jump past every temperature there is.
    _, answer = show(at_desk("OF"), f"/edit/settings/{name}/", value=text)

    assert answer.status_code == 422
