"""Hops 9c and 11: boxes are filled by the plan, sealed, and leave only when nothing speaks
against it."""

from datetime import date, timedelta

import pytest
from django.db import transaction

from inventory.errors import ForbiddenMove, NotAllowed
from inventory.ledger import _ledger_sums, end_place, verify_ledger
from inventory.models import Happening, Hold, Place
from inventory.people import Role
from orders.models import (
    Line,
    NoDeliveryDay,
    Order,
    Paper,
    PaperUse,
    Promise,
    PromisedTotal,
    RegionRule,
    ShipTo,
)
from shipping.handing_over import (
    ConsentMissing,
    TimeOutOfOrder,
    clear_after_stop,
    hand_over,
    make_shipment,
    mark_delivered,
    move_shipment,
)
from shipping.models import Bag, Box, PackPlan, Shipment
from shipping.road_checks import (
    BagOnHold,
    BoxesNotSealed,
    DayNotAllowed,
    ExportTicksMissing,
    ForecastTooOld,
    LawStops,
    NotCleared,
    PlanMissing,
    PromisesNotBagged,
)
from tests.shipping.bench import pack
from tests.shipping.scene import build_scene, raise_hold
from tests.shipping.scene_rows import SHIP_ON, farm_time

pytestmark = pytest.mark.django_db
TRUCK_AT = farm_time(1, "16:15")


@pytest.fixture
def scene():
    return build_scene()


def _hand_over(scene, shipment, now=TRUCK_AT):
    return hand_over(shipment=shipment, user=scene.people["packer"], now=now)


def test_hands_over_the_49_bags_of_a_cleared_shipment(scene):
    shipment = _hand_over(scene, pack(scene, scene.add_order()))
    assert (shipment.code, shipment.state) == ("SH-4902", "handed over")
    assert shipment.handed_over_at == TRUCK_AT
    order = Order.objects.get(number="4902")
    assert order.state == "on the road"
    assert set(Promise.objects.values_list("state", flat=True)) == {"gone"}
    assert set(Bag.objects.values_list("state", flat=True)) == {"gone"}
    assert Box.objects.get().state == "handed over"


def test_pieces_go_from_the_bench_to_the_road(scene):
    _hand_over(scene, pack(scene, scene.add_order()))
    sums = _ledger_sums()
    on_road = end_place(Place.End.ROAD).pk
    bench = end_place(Place.End.BENCH).pk
    assert sum(total for (place, _), total in sums.items() if place == on_road) == 49
    assert all(total == 0 for (place, _), total in sums.items() if place == bench)
    assert verify_ledger() == []
    assert all(row.pieces == 0 for row in PromisedTotal.objects.all())


def test_leaves_a_happening_with_who_and_until_when(scene):
    _hand_over(scene, pack(scene, scene.add_order()))
    told = Happening.objects.get(kind="shipment.handed_over")
    assert told.facts["order"] == "4902"
    assert told.facts["customer"] == "C02"
    assert told.facts["shipment"] == "SH-4902"
    assert told.facts["lands_on"] == "2026-12-02"
    assert told.facts["report_by"] == "within 4 h of the delivered scan"


def test_a_depot_shipment_is_told_its_own_window(scene):
    _hand_over(scene, pack(scene, scene.add_order(), delivery="depot"))
    told = Happening.objects.get(kind="shipment.handed_over")
    words = "within 4 h of collection, at most 6 h after the depot opens at 09:00"
    assert told.facts["report_by"] == words


def test_a_planned_shipment_is_not_handed_over(scene):
    shipment = pack(scene, scene.add_order(), clear=False, seal=False)
    with pytest.raises(NotCleared, match="weather check"):
        _hand_over(scene, shipment)
    with pytest.raises(ForbiddenMove):
        move_shipment(shipment=shipment, state="handed over")


def test_a_shipment_stopped_in_the_morning_says_why(scene):
    shipment = pack(scene, scene.add_order())
    move_shipment(shipment=shipment, state="stopped", reason="late case 16.2 C")
    with pytest.raises(NotCleared, match=r"late case 16\.2 C"):
        _hand_over(scene, shipment)


def test_it_leaves_once_only(scene):
    shipment = _hand_over(scene, pack(scene, scene.add_order()))
    with pytest.raises(NotCleared, match="has left already"):
        _hand_over(scene, shipment)
    assert Happening.objects.filter(kind="shipment.handed_over").count() == 1


# Calendar: W48's Thursday 26 Nov is a holiday, and nothing live leaves on a Friday.


def test_the_day_before_a_no_delivery_day_is_refused(scene):
    NoDeliveryDay.objects.create(day=date(2026, 11, 26), reason="holiday")
    order = scene.add_order(ship_on=date(2026, 11, 25))
    shipment = make_shipment(order=order)
    with pytest.raises(DayNotAllowed, match="lands on a no-delivery day"):
        _hand_over(scene, shipment, farm_time(25, "16:15", 11))


def test_a_no_delivery_day_of_another_region_does_not_count(scene):
    NoDeliveryDay.objects.create(day=date(2026, 12, 2), region="US-MN", reason="snow")
    assert _hand_over(scene, pack(scene, scene.add_order())).state == "handed over"


def test_a_no_delivery_day_at_the_destination_counts(scene):
    NoDeliveryDay.objects.create(day=date(2026, 12, 2), region="US-NY", reason="snow")
    with pytest.raises(DayNotAllowed, match="lands on a no-delivery day"):
        _hand_over(scene, pack(scene, scene.add_order()))


@pytest.mark.parametrize("role", Role.values)
def test_a_friday_is_refused_for_every_role(scene, role):
    order = scene.add_order(ship_on=date(2026, 12, 4))
    shipment = pack(scene, order)
    user = scene.people[role]
    with pytest.raises((DayNotAllowed, NotAllowed)) as refused:
        hand_over(shipment=shipment, user=user, now=farm_time(4, "16:15"))
    if user.may("pack"):
        assert "Friday" in str(refused.value)


def test_a_thursday_needs_a_lane_with_saturday_and_a_clear_plan(scene):
    order = scene.add_order(ship_on=date(2026, 12, 3))
    shipment = pack(scene, order, verdict="care")
    thursday = farm_time(3, "16:15")
    with pytest.raises(DayNotAllowed, match="no Saturday delivery"):
        _hand_over(scene, shipment, thursday)
    order.ship_to.lane.has_saturday = True
    order.ship_to.lane.save()
    with pytest.raises(DayNotAllowed, match="late case"):
        _hand_over(scene, shipment, thursday)
    PackPlan.objects.update(verdict="clear")
    assert _hand_over(scene, shipment, thursday).state == "handed over"


def test_another_day_than_the_one_it_was_cleared_for_is_refused(scene):
    shipment = pack(scene, scene.add_order())
    with pytest.raises(DayNotAllowed, match="Tue 1 Dec"):
        _hand_over(scene, shipment, farm_time(2, "16:15"))


# The plan.


def test_a_void_plan_stops_it(scene):
    shipment = pack(scene, scene.add_order())
    PackPlan.objects.update(void_at=TRUCK_AT, void_reason="forecast changed")
    with pytest.raises(PlanMissing, match="forecast changed"):
        _hand_over(scene, shipment)


def test_mondays_plan_does_not_stand_for_tuesdays_check(scene):
    shipment = pack(scene, scene.add_order(), made_at=farm_time(30, "15:00", 11))
    with pytest.raises(PlanMissing, match="morning of its ship day"):
        _hand_over(scene, shipment)


def test_a_forecast_older_than_6_h_at_the_check_is_no_forecast(scene):
    shipment = pack(scene, scene.add_order())
    plan = PackPlan.objects.get()
    plan.forecast.issued_at = plan.made_at - timedelta(hours=6)
    plan.forecast.save()
    # Six hours to the second still count.
    with transaction.atomic():
        assert _hand_over(scene, shipment).state == "handed over"
        transaction.set_rollback(True)
    plan.forecast.issued_at -= timedelta(seconds=1)
    plan.forecast.save()
    with pytest.raises(ForecastTooOld):
        _hand_over(scene, shipment)


def test_a_changed_bag_set_voids_the_plan(scene):
    shipment = pack(scene, scene.add_order())
    promise = Promise.objects.get(line__listing__name="TLW plug")
    Promise.objects.filter(pk=promise.pk).update(state="freed")
    with pytest.raises(PlanMissing, match="its bags are not those"):
        _hand_over(scene, shipment)


# The order.


def test_an_unbagged_promise_stops_it(scene):
    order = scene.add_order()
    shipment = pack(scene, order)
    Promise.objects.filter(line__listing__name="TLW plug").update(state="pulled")
    with pytest.raises(PromisesNotBagged, match="TLW plug"):
        _hand_over(scene, shipment)


def test_an_export_needs_its_three_ticks(scene):
    order = scene.add_order("4913", (("TFT plug", 6, "14.72"),), ship_to="C11")
    shipment = pack(scene, order)
    office = scene.people["office"]
    for kind in ("declaration", "port"):
        order.export_ticks.create(kind=kind, user=office, at=TRUCK_AT)
    with pytest.raises(ExportTicksMissing, match="export licence current"):
        _hand_over(scene, shipment)
    order.export_ticks.create(kind="licence", user=office, at=TRUCK_AT)
    assert _hand_over(scene, shipment).state == "handed over"


def test_a_line_that_may_no_longer_go_there_stops_it(scene):
    shipment = pack(scene, scene.add_order("4906", (("RMG prop-10", 2, "18.00"),)))
    rule = RegionRule.objects.filter(region="US-NY", strain_class_id="MANG")
    rule.update(verdict="forbid", text="mangroves are forbidden")
    with pytest.raises(LawStops, match="mangroves are forbidden"):
        _hand_over(scene, shipment)
    rule.update(verdict="ask", text="a person confirms")
    with pytest.raises(LawStops, match="a person has to confirm"):
        _hand_over(scene, shipment)
    Line.objects.update(confirmed_at=TRUCK_AT)
    assert _hand_over(scene, shipment).state == "handed over"


def test_a_paper_is_used_up_by_what_leaves(scene):
    """Two pieces more than the paper allows are refused; what it allows is noted as used."""
    shipment = pack(scene, scene.add_order("4906", (("PLT plug", 4, "14.00"),)))
    RegionRule.objects.filter(region="US-NY", strain_class_id="SPS").update(verdict="paper")
    paper = Paper.objects.create(
        code="EX-1",
        ship_to=ShipTo.objects.get(code="C02"),
        kind="permit",
        classes=["SPS"],
        allowed={"Stylophora pistillata": 2},
    )
    with pytest.raises(LawStops, match="allows 2 more, 4 are packed"):
        _hand_over(scene, shipment)
    paper.allowed = {"Stylophora pistillata": 10}
    paper.save()
    _hand_over(scene, shipment)
    use = PaperUse.objects.get()
    assert (use.taxon, use.pieces) == ("Stylophora pistillata", 4)


def test_a_bag_from_a_place_held_since_stops_it(scene):
    shipment = pack(scene, scene.add_order())
    hold = raise_hold(scene, system=scene.systems["H"])
    with pytest.raises(BagOnHold, match="HD-9"):
        _hand_over(scene, shipment)
    Hold.objects.filter(pk=hold.pk).update(state="lifted")
    assert _hand_over(scene, shipment).state == "handed over"


def test_an_open_box_stops_it(scene):
    shipment = pack(scene, scene.add_order(), seal=False)
    with pytest.raises(BoxesNotSealed, match="box 1 is open"):
        _hand_over(scene, shipment)


def test_a_box_packed_by_an_older_plan_stops_it(scene):
    """The weather check asks for two packs after the box was closed with three."""
    shipment = pack(scene, scene.add_order())
    plan = PackPlan.objects.get()
    plan.record = plan.record.replace('"packs": 3', '"packs": 2')
    plan.save()
    with pytest.raises(BoxesNotSealed, match="heat packs: 3, the plan says 2"):
        _hand_over(scene, shipment)


# After a stop, and the arrival scan.


def test_only_the_owner_clears_after_a_stop_and_only_with_consent(scene):
    order = scene.add_order()
    shipment = make_shipment(order=order)
    shipment = move_shipment(shipment=shipment, state="stopped", reason="too cold")
    facts = {"shipment": shipment, "now": TRUCK_AT, "reason": "buyer agreed by phone"}
    for role in ("office", "packer", "lead"):
        with pytest.raises(NotAllowed):
            clear_after_stop(user=scene.people[role], **facts)
    with pytest.raises(ConsentMissing):
        clear_after_stop(user=scene.people["owner"], **facts)
    Order.objects.update(is_late_risk_accepted=True)
    assert clear_after_stop(user=scene.people["owner"], **facts).state == "cleared"


def test_a_delivered_scan_makes_the_order_arrived(scene):
    shipment = _hand_over(scene, pack(scene, scene.add_order()))
    at = farm_time(2, "09:12")
    shipment = mark_delivered(shipment=shipment, at=at)
    assert (shipment.state, shipment.delivered_at) == ("delivered", at)
    assert Order.objects.get(number="4902").state == "arrived"
    assert Happening.objects.get(kind="shipment.delivered").facts["order"] == "4902"


def test_a_scan_before_the_truck_left_is_refused(scene):
    shipment = _hand_over(scene, pack(scene, scene.add_order()))
    with pytest.raises(TimeOutOfOrder):
        mark_delivered(shipment=shipment, at=TRUCK_AT - timedelta(minutes=1))
    at = farm_time(2, "09:12")
    with pytest.raises(TimeOutOfOrder):
        mark_delivered(shipment=shipment, at=at, collected_at=at - timedelta(minutes=1))


def test_what_has_not_left_is_not_delivered(scene):
    shipment = make_shipment(order=scene.add_order())
    with pytest.raises(ForbiddenMove):
        mark_delivered(shipment=shipment, at=TRUCK_AT)


def test_a_lost_shipment_does_not_come_back(scene):
    shipment = _hand_over(scene, pack(scene, scene.add_order()))
    shipment = move_shipment(shipment=shipment, state="late", reason="snow at the hub")
    shipment = move_shipment(shipment=shipment, state="lost")
    assert shipment.stop_reason == "snow at the hub"
    with pytest.raises(ForbiddenMove):
        mark_delivered(shipment=shipment, at=farm_time(4, "10:00"))
    assert Shipment.objects.get().ship_on == SHIP_ON
