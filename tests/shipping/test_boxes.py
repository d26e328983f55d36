"""Hop 9c: boxes are filled by the plan, weighed, ticked and sealed."""

from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from inventory.errors import ForbiddenMove, Unknown
from orders.models import (
    Order,
)
from shipping.handing_over import (
    hand_over,
)
from shipping.models import Box
from shipping.road_checks import (
    NotCleared,
)
from shipping.sealing import (
    BagsNotAsPlanned,
    BoxTooHeavy,
    HolesMissing,
    LidPhotoMissing,
    open_box,
    put_bag,
)
from shipping.unbagging import open_bag
from tests.shipping.bench import close_box, pack
from tests.shipping.scene import build_scene
from tests.shipping.scene_rows import farm_time

pytestmark = pytest.mark.django_db
TRUCK_AT = farm_time(1, "16:15")


@pytest.fixture
def scene():
    return build_scene()


def _hand_over(scene, shipment, now=TRUCK_AT):
    return hand_over(shipment=shipment, user=scene.people["packer"], now=now)


# Filling and sealing.


def test_bags_go_into_the_boxes_the_plan_names(scene):
    order = scene.add_order("4908", (("PLT plug", 5, "14.00"), ("HRT plug", 4, "16.00")))
    plt, hrt = order.lines.order_by("position").values_list("pk", flat=True)
    m_box = {"size": "M", "packs": 1, "gels": 0, "bag_lines": [[hrt, 4], [plt, 2]]}
    s_box = {"size": "S", "packs": 1, "gels": 0, "bag_lines": [[plt, 3]]}
    pack(scene, order, seal=False, boxes=[m_box, s_box])
    packed = {
        box.number: sorted(box.bags.values_list("code", flat=True)) for box in Box.objects.all()
    }
    hrt_codes = [f"4908-{number:03d}" for number in (6, 7, 8, 9)]
    assert packed[1] == ["4908-001", "4908-002", *hrt_codes]
    assert packed[2] == ["4908-003", "4908-004", "4908-005"]


def test_a_missing_bag_and_an_extra_bag_are_refused_at_the_seal(scene):
    order = scene.add_order("4908", (("PLT plug", 5, "14.00"), ("HRT plug", 4, "16.00")))
    plt, hrt = order.lines.order_by("position").values_list("pk", flat=True)
    boxes = [
        {"size": "M", "packs": 1, "gels": 0, "bag_lines": [[hrt, 4]]},
        {"size": "M", "packs": 1, "gels": 0, "bag_lines": [[plt, 5]]},
    ]
    pack(scene, order, seal=False, boxes=boxes)
    first, second = Box.objects.order_by("number")
    bag = first.bags.first()
    bag.box, bag.state = None, "tied"
    bag.save()
    with pytest.raises(BagsNotAsPlanned, match="bags of HRT plug: 3, the plan says 4"):
        close_box(scene, first)
    put_bag(box=second, bag_code=bag.code, user=scene.people["packer"])
    with pytest.raises(BagsNotAsPlanned, match="bags of HRT plug: 1, the plan says 0"):
        close_box(scene, second)


def test_a_bag_lies_in_one_box_only(scene):
    order = scene.add_order("4908", (("PLT plug", 4, "14.00"),))
    line = order.lines.get().pk
    boxes = [{"size": "S", "packs": 0, "gels": 0, "bag_lines": [[line, 2]]}] * 2
    pack(scene, order, seal=False, boxes=boxes)
    first, second = Box.objects.order_by("number")
    code = first.bags.first().code
    with pytest.raises(ForbiddenMove, match="boxed in box 1"):
        put_bag(box=second, bag_code=code, user=scene.people["packer"])
    for typed in (code.lower(), code.partition("-")[2], f" {code} "):
        assert put_bag(box=first, bag_code=typed, user=scene.people["packer"]).box == first
    with pytest.raises(Unknown, match="no bag of shipment SH-4908 999"):
        put_bag(box=first, bag_code="999", user=scene.people["packer"])


def test_heat_packs_need_breathing_holes_and_a_lid_photo(scene):
    pack(scene, scene.add_order(), seal=False)
    box = Box.objects.get()
    with pytest.raises(HolesMissing) as refused:
        close_box(scene, box, has_holes=False)
    assert refused.value.code == "holes_missing"
    assert "almost no heat" in refused.value.sentence
    with pytest.raises(LidPhotoMissing):
        close_box(scene, box, has_lid_photo=False)
    assert Box.objects.get().state == "open"


def test_a_box_without_packs_needs_neither(scene):
    order = scene.add_order("4914", (("PLT plug", 2, "14.00"),))
    box = {"size": "S", "packs": 0, "gels": 0, "bag_lines": [[order.lines.get().pk, 2]]}
    pack(scene, order, seal=False, boxes=[box])
    assert (
        close_box(scene, Box.objects.get(), has_holes=False, has_lid_photo=False).state == "sealed"
    )


def test_a_box_may_weigh_22_7_kg_and_no_more(scene):
    pack(scene, scene.add_order(), seal=False)
    with pytest.raises(BoxTooHeavy):
        close_box(scene, Box.objects.get(), gross_kg=Decimal("22.71"))
    assert close_box(scene, Box.objects.get(), gross_kg=Decimal("22.70")).state == "sealed"


def test_the_database_refuses_a_heavier_box(scene):
    pack(scene, scene.add_order())
    with pytest.raises(IntegrityError), transaction.atomic():
        Box.objects.update(gross_kg=Decimal("23.20"))


def test_a_box_is_not_sealed_before_the_morning_check(scene):
    pack(scene, scene.add_order(), clear=False, seal=False)
    with pytest.raises(NotCleared) as refused:
        close_box(scene, Box.objects.get())
    assert refused.value.code == "shipment_not_cleared"


def test_sealing_the_last_box_packs_the_order_and_opening_unpacks_it(scene):
    pack(scene, scene.add_order())
    assert Order.objects.get(number="4902").state == "packed"
    box = open_box(box=Box.objects.get(), user=scene.people["packer"])
    assert (box.state, box.seal) == ("open", "")
    assert Order.objects.get(number="4902").state == "in pick"


def test_a_box_handed_over_stays_closed(scene):
    _hand_over(scene, pack(scene, scene.add_order()))
    with pytest.raises(ForbiddenMove):
        open_box(box=Box.objects.get(), user=scene.people["packer"])
    with pytest.raises(ForbiddenMove):
        open_bag(order=Order.objects.get(), code="001", user=scene.people["packer"])
