"""Hop 12d: losses propose, a person signs, boxes planned from then on obey."""

from datetime import date, timedelta

import pytest
from tests_support import page_words

from inventory.clock import farm_now, farm_today
from inventory.errors import NotAllowed, ReasonMissing, Unknown
from inventory.models import Change, Setting
from inventory.setting_book import SettingBook
from orders.models import Order, ShipTo
from shipping.bench_numbers import Bench
from shipping.clearing import make_plan
from shipping.lessons import (
    LaneRuleHolds,
    LaneRuleInPast,
    LastBoxSize,
    end_lane_rule,
    lane_records,
    proposals,
    sign_lane_rule,
)
from shipping.models import LaneLoss, LaneRule, PackPlan

pytestmark = pytest.mark.django_db
DAY = date(2026, 12, 1)


def book():
    return SettingBook.read(on=farm_today())


def loss(code, box):
    return LaneLoss.objects.get(ship_to__code=code, box=box, months="")


def sign(person, code, box, kind, **more):
    facts = {"starts_on": farm_today(), "reason": "too many dead", "user": person("OF")} | more
    return sign_lane_rule(loss_id=loss(code, box).pk, kind=kind, now=farm_now(), **facts)


def test_the_demos_lanes_are_judged_and_one_asks(farm):
    words = {
        (row.loss.ship_to.code, row.loss.box): (row.judged.verdict, f"{row.judged.chance:.2f}")
        for row in lane_records(book=book())
    }
    assert words["C02", "S"] == ("tighten", "0.94")
    assert words["C08", "M"] == ("watch", "0.58")
    assert words["C06", "L"] == ("fine", "0.01")
    asks = [(row.loss.ship_to.code, row.loss.box) for row in proposals(book=book(), on=DAY)]
    assert ("C02", "S") in asks and ("C08", "M") not in asks


def test_nothing_changes_until_it_is_signed(inked_farm):
    lane = ShipTo.objects.get(code="C02")
    bench = Bench.read(on=DAY)
    assert bench.for_lane(lane) is bench
    assert not LaneRule.objects.exists()


def test_a_signed_rule_takes_the_size_from_that_lane_only(inked_farm, person):
    sign(person, "C02", "S", "no box")
    bench = Bench.read(on=DAY)
    sizes = {
        code: {size.code for size in bench.for_lane(ShipTo.objects.get(code=code)).sizes}
        for code in ("C02", "C08")
    }
    assert sizes["C08"] - sizes["C02"] == {"S"}
    assert all(row.loss.ship_to.code != "C02" for row in proposals(book=book(), on=DAY))


def test_caution_lines_are_drawn_in_and_a_plan_goes_to_the_depot_instead(inked_farm, person):
    order = Order.objects.get(number="4902")
    before = make_plan(
        order=order, now=farm_now(), bench=Bench.read(on=order.ship_on), stage="by hand"
    )
    assert before.verdict == "clear"
    Setting.objects.filter(name="loss_tighter_c").update(value="3.0")
    sign(person, "C02", "S", "caution")
    bench = Bench.read(on=order.ship_on)
    usual, drawn_in = bench.limits["SPS"], bench.for_lane(order.ship_to).limits["SPS"]
    assert drawn_in.caution_low_c == usual.caution_low_c + 3
    assert drawn_in.caution_high_c == usual.caution_high_c - 3
    assert (drawn_in.stop_low_c, drawn_in.stop_high_c) == (usual.stop_low_c, usual.stop_high_c)

    after = make_plan(order=order, now=farm_now(), bench=bench, stage="by hand")
    # The door comes as low as 22.3: within the usual lines, not within the drawn-in ones.
    assert (before.delivery, after.delivery) == ("door", "depot")
    assert after.sentence != before.sentence


def test_ended_it_holds_no_more_and_both_are_on_record(inked_farm, person):
    rule = sign(person, "C02", "S", "no box")
    with pytest.raises(ReasonMissing):
        end_lane_rule(rule_id=rule.pk, reason=" ", user=person("OF"), now=farm_now())
    end_lane_rule(rule_id=rule.pk, reason="new foam", user=person("OF"), now=farm_now())

    assert Bench.read(on=DAY).lane_terms == {}
    kept = list(Change.objects.filter(what="lane rule").order_by("id").values_list("now", "reason"))
    assert kept == [("no S boxes", "too many dead"), ("ended", "new foam")]
    with pytest.raises(Unknown):
        end_lane_rule(rule_id=rule.pk, reason="again", user=person("OF"), now=farm_now())
    assert any(row.loss.ship_to.code == "C02" for row in proposals(book=book(), on=DAY))


def test_what_cannot_be_signed_is_refused_with_its_code(farm, person):
    with pytest.raises(NotAllowed):
        sign(person, "C02", "S", "no box", user=person("G1"))
    with pytest.raises(ReasonMissing):
        sign(person, "C02", "S", "no box", reason="")
    with pytest.raises(LaneRuleInPast, match="cannot hold from"):
        sign(person, "C02", "S", "no box", starts_on=farm_today() - timedelta(days=1))
    with pytest.raises(Unknown):
        sign(person, "C02", "S", "larger boxes")
    sign(person, "C02", "S", "no box")
    with pytest.raises(LaneRuleHolds, match="no S boxes"):
        sign(person, "C02", "S", "no box")
    assert LaneRule.objects.count() == 1


def test_the_last_size_of_a_lane_stays(farm, person):
    lane = ShipTo.objects.get(code="C02")
    for box in "ML":
        LaneLoss.objects.create(ship_to=lane, box=box, packs=2, pieces=200, dead=40)
        sign(person, "C02", box, "no box")
    with pytest.raises(LastBoxSize, match="Without S boxes"):
        sign(person, "C02", "S", "no box")


def test_the_page_proposes_signs_and_ends(inked_farm, person, client):
    client.force_login(person("OF"))
    page = page_words(client.get("/losses/"))
    assert "18 dead of 210" in page and "Sign a tighter rule" in page
    assert "too many" in page
    assert "What arrived dead" in page_words(client.get("/"))
    answer = client.post(
        f"/losses/{loss('C02', 'S').pk}/sign/",
        {"kind": "no box", "starts_on": "2026-12-01", "reason": "18 dead"},
        follow=True,
    )
    assert "Signed for C02: no S boxes" in page_words(answer)
    rule = LaneRule.objects.get()
    assert "18 dead of 210 (S box" in rule.because
    bad = client.post(f"/losses/{loss('C02', 'S').pk}/sign/", {"kind": "no box", "starts_on": "x"})
    assert "rule_day_unreadable" in page_words(bad)
    answer = client.post(f"/losses/rules/{rule.pk}/end/", {"reason": "new foam"}, follow=True)
    assert "ended" in page_words(answer)


def test_a_plan_names_the_rule_it_obeys(inked_farm, person, client):
    order = Order.objects.get(number="4902")
    sign(person, "C02", "S", "no box")
    bench = Bench.read(on=order.ship_on)
    make_plan(order=order, now=farm_now(), bench=bench, stage="by hand")
    client.force_login(person("OF"))
    assert "On this lane: no S boxes, since 18 dead of 210" in page_words(
        client.get("/orders/4902/plan/")
    )
    assert PackPlan.objects.filter(order=order, void_at__isnull=True).count() == 1
