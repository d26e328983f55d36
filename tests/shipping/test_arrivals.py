"""Hop 12: a shop's report becomes a credit, by rule where it is small and complete."""

from decimal import Decimal

import pytest

from inventory.errors import Unknown
from inventory.models import Happening
from orders.models import Order
from shipping.arrivals import (
    Arrived,
    MoreThanSent,
    Photo,
    PhotoUsedBefore,
    decide_report,
    file_report,
)
from shipping.handing_over import mark_delivered
from shipping.models import ArrivalReport, Credit, Shipment
from tests.shipping.bench import IN_TIME, THREE_DEAD, deliver, photos, picture, report_dead
from tests.shipping.scene_rows import eastern_time

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("farm_home")]
TOO_LATE = eastern_time(2, "14:13")


# Worked figures of the farm: 3 of 49 is 6.1 %; 2 x 12.88 + 18.40 = 44.16.


def test_a_small_report_in_time_with_its_photos_is_credited_at_once(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD)
    assert report.state == "agreed"
    assert report.is_in_time
    credit = report.credit
    assert (credit.amount, credit.freight) == (Decimal("44.16"), Decimal("0.00"))
    assert (credit.state, credit.is_automatic, credit.approved_by) == ("approved", True, None)
    assert "6.1%" in credit.sentence
    assert "freight not credited" in credit.sentence
    told = Happening.objects.get(kind="credit.approved")
    assert told.facts["order"] == "4902"
    assert told.facts["amount"] == "44.16"


def test_the_same_report_21_minutes_later_goes_to_a_person(scene, delivered):
    """Delivered 10:12, so the window ends 14:12; filed 14:13."""
    report = report_dead(scene, delivered, THREE_DEAD, at=TOO_LATE)
    assert not report.is_in_time
    assert report.state == "filed"
    assert (report.credit.state, report.credit.amount) == ("drafted", Decimal("44.16"))
    assert "the window ended Wed 2 Dec, 14:12, without a note on an outage" in (
        report.credit.sentence
    )
    assert not Happening.objects.filter(kind="credit.approved").exists()


@pytest.mark.parametrize(
    ("first_try", "words"),
    [
        ("refused", "since the shop refused the first delivery"),
        ("wrong address", "since the address the shop gave was wrong"),
    ],
)
def test_the_guarantee_is_void_where_the_first_delivery_failed_by_the_shop(
    scene, delivered, first_try, words
):
    """Terms of sale, job section 4.15: no rule agrees, a person may still."""
    shipment = Shipment.objects.get(order=delivered)
    mark_delivered(shipment=shipment, at=shipment.delivered_at, first_try=first_try)
    report = report_dead(scene, delivered, THREE_DEAD)
    assert (report.state, report.credit.state) == ("filed", "drafted")
    assert f"by the terms nothing is credited, {words}" in report.credit.sentence
    office = scene.people["office"]
    decide_report(report=report, verdict="agreed", user=office, now=IN_TIME, reason="goodwill")
    report.credit.refresh_from_db()
    assert (report.credit.state, report.credit.amount) == ("approved", Decimal("44.16"))


def test_how_a_first_delivery_went_is_one_of_three(scene, delivered):
    shipment = Shipment.objects.get(order=delivered)
    with pytest.raises(Unknown):
        mark_delivered(shipment=shipment, at=shipment.delivered_at, first_try="eaten")
    mark_delivered(shipment=shipment, at=shipment.delivered_at)
    shipment.refresh_from_db()
    assert shipment.first_try == ""
    assert report_dead(scene, delivered, THREE_DEAD).state == "agreed"


def test_a_late_report_shows_its_note_on_an_outage_to_whoever_decides(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD, at=TOO_LATE, text="no power until 14:00")
    assert "with the note 'no power until 14:00'" in report.credit.sentence


def test_the_last_minute_of_the_window_is_in_time(scene, delivered):
    assert report_dead(scene, delivered, THREE_DEAD, at=eastern_time(2, "14:12")).is_in_time


def test_more_dead_than_were_left_is_refused(scene, delivered):
    report_dead(scene, delivered, {"PLT plug": 4})
    with pytest.raises(MoreThanSent) as refused:
        report_dead(scene, delivered, {"PLT plug": 5}, first=20)
    assert "only 4 left" in refused.value.sentence
    assert ArrivalReport.objects.count() == 1
    assert report_dead(scene, delivered, {"PLT plug": 4}, first=40).pk


def test_a_declined_report_does_not_use_pieces_up(scene, delivered):
    report = report_dead(scene, delivered, {"PLT plug": 8}, at=TOO_LATE)
    office = scene.people["office"]
    decide_report(report=report, verdict="declined", user=office, now=TOO_LATE, reason="late")
    report.credit.refresh_from_db()
    assert report.credit.state == "void"
    assert report_dead(scene, delivered, {"PLT plug": 8}, at=TOO_LATE, first=40).pk


def test_half_the_box_dead_by_our_fault_brings_goods_and_freight(scene, delivered):
    """25 of 49 dead: 8 PLT, 10 HRT, 6 TFT and 1 CBB are 358.80, and freight 156.35."""
    dead = {"PLT plug": 8, "HRT plug": 10, "TFT plug": 6, "CBB plug": 1}
    report = report_dead(scene, delivered, dead)
    goods = 8 * Decimal("12.88") + 10 * Decimal("14.72") + 6 * Decimal("14.72") + Decimal("20.24")
    assert goods == Decimal("358.80")
    assert report.state == "filed"
    assert (report.credit.amount, report.credit.freight) == (goods, Decimal("0.00"))
    decide_report(
        report=report,
        verdict="agreed",
        user=scene.people["owner"],
        now=TOO_LATE,
        reason="heat pack left out",
        is_our_fault=True,
    )
    credit = Credit.objects.get()
    assert (credit.amount, credit.freight) == (goods, Decimal("156.35"))
    assert (credit.state, credit.approved_by) == ("approved", scene.people["owner"])


def test_half_the_box_dead_by_the_carrier_brings_no_freight(scene, delivered):
    dead = {"PLT plug": 8, "HRT plug": 10, "TFT plug": 6, "CBB plug": 1}
    report = report_dead(scene, delivered, dead)
    owner = scene.people["owner"]
    decide_report(report=report, verdict="agreed", user=owner, now=TOO_LATE, reason="a day late")
    assert Credit.objects.get().freight == Decimal("0.00")


def test_24_of_49_dead_by_our_fault_bring_no_freight(scene, delivered):
    report = report_dead(scene, delivered, {"PLT plug": 8, "HRT plug": 10, "TFT plug": 6})
    owner = scene.people["owner"]
    decide_report(
        report=report, verdict="agreed", user=owner, now=TOO_LATE, reason="ours", is_our_fault=True
    )
    assert Credit.objects.get().freight == Decimal("0.00")


# What asks for a person.


def test_five_of_49_bags_are_more_than_a_tenth(scene, delivered):
    report = report_dead(scene, delivered, {"PLT plug": 5})
    assert (report.state, report.credit.state) == ("filed", "drafted")
    assert "5 of 49 bags is more than 10%" in report.credit.sentence


def test_four_of_49_bags_are_within_a_tenth(scene, delivered):
    assert report_dead(scene, delivered, {"PLT plug": 4}).credit.is_automatic


def test_more_than_150_goes_to_a_person(scene):
    """Three of thirty at 60.00 are a tenth of the bags and 180.00."""
    order = deliver(scene, scene.add_order("4914", (("PLT plug", 30, "60.00"),)))
    report = report_dead(scene, order, {"PLT plug": 3})
    assert "180.00 is more than 150.00" in report.credit.sentence
    assert report.credit.state == "drafted"


def test_exactly_150_is_agreed_at_once(scene):
    order = deliver(scene, scene.add_order("4914", (("PLT plug", 30, "50.00"),)))
    assert report_dead(scene, order, {"PLT plug": 3}).credit.is_automatic


@pytest.mark.parametrize(
    "sent",
    [
        {"dead": {"PLT plug": 2}, "label": True},
        {"dead": {"PLT plug": 1, "CTH base": 1}, "label": True},
        {"dead": THREE_DEAD, "label": False},
        {"dead": {}, "label": False},
    ],
    ids=["no photo of the CTH", "one PLT unseen", "no label", "no photo"],
)
def test_a_missing_photo_goes_to_a_person(scene, delivered, sent):
    report = report_dead(
        scene, delivered, THREE_DEAD, photos=photos(sent["dead"], label=sent["label"])
    )
    assert report.credit.state == "drafted"
    assert "photos are missing" in report.credit.sentence


def test_one_photo_sent_twice_shows_one_piece(scene, delivered):
    same = [Photo("bag", picture(7), name, "PLT plug") for name in ("a.jpg", "b.jpg")]
    sent = [*same, Photo("label", picture(250))]
    report = report_dead(scene, delivered, {"PLT plug": 2}, photos=sent)
    assert "photos are missing" in report.credit.sentence


def test_a_photo_of_an_earlier_report_is_refused(scene, delivered):
    report_dead(scene, delivered, {"PLT plug": 1})
    with pytest.raises(PhotoUsedBefore, match=r"bag-0\.jpg"):
        report_dead(scene, delivered, {"PLT plug": 1})


def test_missing_pieces_are_drafted_for_a_person(scene, delivered):
    report = file_report(
        order=delivered,
        rows=[Arrived("PLT plug", missing=1)],
        filed_at=IN_TIME,
        user=scene.people["buyer"],
    )
    assert (report.credit.amount, report.credit.state) == (Decimal("12.88"), "drafted")
    assert "missing or wrong pieces" in report.credit.sentence


def test_pale_is_not_dead(scene, delivered):
    report = file_report(
        order=delivered,
        rows=[Arrived("PLT plug", pale=3)],
        filed_at=IN_TIME,
        user=scene.people["buyer"],
    )
    assert report.state == "filed"
    assert not Credit.objects.exists()


def test_a_dead_propagule_costs_its_tenth_of_the_pack(scene):
    order = deliver(scene, scene.add_order("4908", (("RMG prop-10", 3, "18.00"),)))
    report = report_dead(scene, order, {"RMG prop-10": 3})
    # Three of thirty at 18.00 a ten: 5.40; they may lie in all three packs, so a person looks.
    assert report.credit.amount == Decimal("5.40")
    assert "3 of 3 bags" in report.credit.sentence


def test_late_risk_taken_and_a_day_late_is_half(scene):
    order = scene.add_order()
    Order.objects.update(is_late_risk_accepted=True)
    deliver(scene, order, at=eastern_time(3, "10:12"))
    report = report_dead(scene, order, THREE_DEAD, at=eastern_time(3, "11:00"))
    # Half of 44.16.
    assert (report.credit.amount, report.credit.state) == (Decimal("22.08"), "drafted")


def test_late_risk_taken_and_on_time_is_whole(scene):
    order = scene.add_order()
    Order.objects.update(is_late_risk_accepted=True)
    deliver(scene, order)
    assert report_dead(scene, order, THREE_DEAD).credit.amount == Decimal("44.16")
