"""Hop 12: a shop's report becomes a credit, by rule where it is small and complete."""

from datetime import timedelta
from decimal import Decimal
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from inventory.errors import ForbiddenMove, NotAllowed, Unknown
from inventory.models import Happening
from inventory.people import Role, User
from inventory.photos import PhotoUnreadable
from orders.models import Customer, Order, Seat
from shipping.arrivals import (
    Arrived,
    MoreThanSent,
    NotDeliveredYet,
    Photo,
    PhotosMissing,
    PhotoUsedBefore,
    ReportNotRight,
    ReportStillOpen,
    decide_report,
    file_report,
    look_at,
    report_due,
)
from shipping.crediting import CreditTooLarge, apply_credit, approve_credit, void_credit
from shipping.handing_over import hand_over, make_shipment, mark_delivered, move_shipment
from shipping.models import ArrivalReport, Credit, ReportPhoto, Shipment
from tests.shipping.bench import DELIVERED_AT, deliver, pack, photos, picture
from tests.shipping.scene import build_scene, eastern_time, farm_time

pytestmark = pytest.mark.django_db
IN_TIME = eastern_time(2, "13:55")
TOO_LATE = eastern_time(2, "14:13")


@pytest.fixture(autouse=True)
def _farm_home(tmp_path, settings):
    settings.FARM_HOME = tmp_path


@pytest.fixture
def scene():
    return build_scene()


@pytest.fixture
def delivered(scene):
    return deliver(scene, scene.add_order())


def _file(scene, order, dead: dict[str, int], at=IN_TIME, **fields):
    first = fields.pop("first", 0)
    fields.setdefault("photos", photos(dead, first=first))
    return file_report(
        order=order,
        rows=[Arrived(name, dead=count) for name, count in dead.items()],
        filed_at=at,
        user=scene.people["buyer"],
        **fields,
    )


THREE_DEAD = {"PLT plug": 2, "CTH base": 1}


# Worked figures of the farm: 3 of 49 is 6.1 %; 2 x 12.88 + 18.40 = 44.16.


def test_a_small_report_in_time_with_its_photos_is_credited_at_once(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD)
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
    report = _file(scene, delivered, THREE_DEAD, at=TOO_LATE)
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
    report = _file(scene, delivered, THREE_DEAD)
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
    assert _file(scene, delivered, THREE_DEAD).state == "agreed"


def test_a_late_report_shows_its_note_on_an_outage_to_whoever_decides(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD, at=TOO_LATE, text="no power until 14:00")
    assert "with the note 'no power until 14:00'" in report.credit.sentence


def test_the_last_minute_of_the_window_is_in_time(scene, delivered):
    assert _file(scene, delivered, THREE_DEAD, at=eastern_time(2, "14:12")).is_in_time


def test_more_dead_than_were_left_is_refused(scene, delivered):
    _file(scene, delivered, {"PLT plug": 4})
    with pytest.raises(MoreThanSent) as refused:
        _file(scene, delivered, {"PLT plug": 5}, first=20)
    assert "only 4 left" in refused.value.sentence
    assert ArrivalReport.objects.count() == 1
    assert _file(scene, delivered, {"PLT plug": 4}, first=40).pk


def test_a_declined_report_does_not_use_pieces_up(scene, delivered):
    report = _file(scene, delivered, {"PLT plug": 8}, at=TOO_LATE)
    office = scene.people["office"]
    decide_report(report=report, verdict="declined", user=office, now=TOO_LATE, reason="late")
    report.credit.refresh_from_db()
    assert report.credit.state == "void"
    assert _file(scene, delivered, {"PLT plug": 8}, at=TOO_LATE, first=40).pk


def test_half_the_box_dead_by_our_fault_brings_goods_and_freight(scene, delivered):
    """25 of 49 dead: 8 PLT, 10 HRT, 6 TFT and 1 CBB are 358.80, and freight 156.35."""
    dead = {"PLT plug": 8, "HRT plug": 10, "TFT plug": 6, "CBB plug": 1}
    report = _file(scene, delivered, dead)
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
    report = _file(scene, delivered, dead)
    owner = scene.people["owner"]
    decide_report(report=report, verdict="agreed", user=owner, now=TOO_LATE, reason="a day late")
    assert Credit.objects.get().freight == Decimal("0.00")


def test_24_of_49_dead_by_our_fault_bring_no_freight(scene, delivered):
    report = _file(scene, delivered, {"PLT plug": 8, "HRT plug": 10, "TFT plug": 6})
    owner = scene.people["owner"]
    decide_report(
        report=report, verdict="agreed", user=owner, now=TOO_LATE, reason="ours", is_our_fault=True
    )
    assert Credit.objects.get().freight == Decimal("0.00")


# What asks for a person.


def test_five_of_49_bags_are_more_than_a_tenth(scene, delivered):
    report = _file(scene, delivered, {"PLT plug": 5})
    assert (report.state, report.credit.state) == ("filed", "drafted")
    assert "5 of 49 bags is more than 10%" in report.credit.sentence


def test_four_of_49_bags_are_within_a_tenth(scene, delivered):
    assert _file(scene, delivered, {"PLT plug": 4}).credit.is_automatic


def test_more_than_150_goes_to_a_person(scene):
    """Three of thirty at 60.00 are a tenth of the bags and 180.00."""
    order = deliver(scene, scene.add_order("4914", (("PLT plug", 30, "60.00"),)))
    report = _file(scene, order, {"PLT plug": 3})
    assert "180.00 is more than 150.00" in report.credit.sentence
    assert report.credit.state == "drafted"


def test_exactly_150_is_agreed_at_once(scene):
    order = deliver(scene, scene.add_order("4914", (("PLT plug", 30, "50.00"),)))
    assert _file(scene, order, {"PLT plug": 3}).credit.is_automatic


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
    report = _file(scene, delivered, THREE_DEAD, photos=photos(sent["dead"], label=sent["label"]))
    assert report.credit.state == "drafted"
    assert "photos are missing" in report.credit.sentence


def test_one_photo_sent_twice_shows_one_piece(scene, delivered):
    same = [Photo("bag", picture(7), name, "PLT plug") for name in ("a.jpg", "b.jpg")]
    sent = [*same, Photo("label", picture(250))]
    report = _file(scene, delivered, {"PLT plug": 2}, photos=sent)
    assert "photos are missing" in report.credit.sentence


def test_a_photo_of_an_earlier_report_is_refused(scene, delivered):
    _file(scene, delivered, {"PLT plug": 1})
    with pytest.raises(PhotoUsedBefore, match=r"bag-0\.jpg"):
        _file(scene, delivered, {"PLT plug": 1})


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
    report = _file(scene, order, {"RMG prop-10": 3})
    # Three of thirty at 18.00 a ten: 5.40; they may lie in all three packs, so a person looks.
    assert report.credit.amount == Decimal("5.40")
    assert "3 of 3 bags" in report.credit.sentence


def test_late_risk_taken_and_a_day_late_is_half(scene):
    order = scene.add_order()
    Order.objects.update(is_late_risk_accepted=True)
    deliver(scene, order, at=eastern_time(3, "10:12"))
    report = _file(scene, order, THREE_DEAD, at=eastern_time(3, "11:00"))
    # Half of 44.16.
    assert (report.credit.amount, report.credit.state) == (Decimal("22.08"), "drafted")


def test_late_risk_taken_and_on_time_is_whole(scene):
    order = scene.add_order()
    Order.objects.update(is_late_risk_accepted=True)
    deliver(scene, order)
    assert _file(scene, order, THREE_DEAD).credit.amount == Decimal("44.16")


# The window, in the ship-to's own zone.


def test_a_door_has_four_hours_from_the_scan(scene, delivered):
    assert report_due(shipment=Shipment.objects.get()) == eastern_time(2, "14:12")


@pytest.mark.parametrize(
    ("scan", "collected", "due"),
    [
        ("07:40", "09:30", "13:30"),
        ("07:40", "12:00", "15:00"),
        ("07:40", None, "15:00"),
        ("10:30", None, "16:30"),
    ],
    ids=["four hours of collection", "opening plus six", "never collected", "in after opening"],
)
def test_a_depot_counts_from_collection_and_at_most_opening_plus_6_h(scene, scan, collected, due):
    """The depot opens at 09:00 in Buffalo."""
    order = scene.add_order()
    collected_at = eastern_time(2, collected) if collected else None
    deliver(scene, order, eastern_time(2, scan), collected_at, delivery="depot")
    assert report_due(shipment=Shipment.objects.get()) == eastern_time(2, due)


def test_nothing_is_due_before_the_scan(scene):
    shipment = make_shipment(order=scene.add_order())
    assert report_due(shipment=shipment) is None


# What may be reported, and by whom.


def test_no_report_without_a_delivered_shipment(scene):
    order = scene.add_order()
    with pytest.raises(NotDeliveredYet):
        _file(scene, order, THREE_DEAD)
    shipment = pack(scene, order)
    hand_over(shipment=shipment, user=scene.people["packer"], now=farm_time(1, "16:15"))
    with pytest.raises(NotDeliveredYet):
        _file(scene, order, THREE_DEAD)
    move_shipment(shipment=shipment, state="lost")
    with pytest.raises(NotDeliveredYet):
        _file(scene, order, THREE_DEAD)


def test_no_report_before_the_scan(scene, delivered):
    with pytest.raises(NotDeliveredYet):
        _file(scene, delivered, THREE_DEAD, at=DELIVERED_AT - timedelta(minutes=1))


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [Arrived("KLN plug", dead=1)],
        [Arrived("PLT plug", dead=-1)],
        [Arrived("PLT plug")],
        [Arrived("PLT plug", dead=1), Arrived("PLT plug", dead=1)],
    ],
    ids=["none", "not on the order", "below zero", "nothing", "twice"],
)
def test_a_report_that_cannot_be_read_is_refused_whole(scene, delivered, rows):
    with pytest.raises(ReportNotRight):
        file_report(order=delivered, rows=rows, filed_at=IN_TIME, user=scene.people["buyer"])
    assert not ArrivalReport.objects.exists()


def test_one_open_report_a_line(scene, delivered):
    _file(scene, delivered, {"PLT plug": 2}, at=TOO_LATE)
    with pytest.raises(ReportStillOpen):
        _file(scene, delivered, {"PLT plug": 2}, at=TOO_LATE, first=40)
    assert _file(scene, delivered, {"CTH base": 1}, at=TOO_LATE, first=60).pk


def test_another_customers_order_does_not_exist(scene, delivered):
    stranger = User.objects.create(
        code="X", email="x@pinfeather.example", name="X", role=Role.BUYER
    )
    Seat.objects.create(user=stranger, customer=Customer.objects.get(code="C01"))
    with pytest.raises(Unknown):
        file_report(
            order=delivered, rows=[Arrived("PLT plug", dead=1)], filed_at=IN_TIME, user=stranger
        )


def test_the_office_may_file_for_a_shop(scene, delivered):
    report = file_report(
        order=delivered,
        rows=[Arrived("PLT plug", dead=1)],
        photos=photos({"PLT plug": 1}),
        filed_at=IN_TIME,
        user=scene.people["office"],
    )
    assert report.filed_by == scene.people["office"]


# Photos.


def test_photos_are_kept_small_and_without_what_the_phone_wrote(scene, delivered, tmp_path):
    exif = Image.Exif()
    exif[0x010E] = "at 27.55 N 97.30 W"
    large = picture(9, size=(4000, 3000), exif=exif.tobytes(), comment=b"mine")
    sent = [Photo("bag", large, "bag.jpg", "PLT plug"), Photo("label", picture(250))]
    _file(scene, delivered, {"PLT plug": 1}, photos=sent)
    kept = ReportPhoto.objects.get(kind="bag")
    assert kept.path.startswith("photos/SH-4902/")
    content = Path(tmp_path, kept.path).read_bytes()
    assert b"27.55" not in content
    assert b"mine" not in content
    with Image.open(BytesIO(content)) as seen:
        assert (seen.format, max(seen.size)) == ("JPEG", 1600)
        assert not seen.getexif()


def test_a_picture_lying_on_its_side_is_put_upright(scene, delivered, tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6
    sideways = picture(9, size=(60, 40), exif=exif.tobytes())
    _file(scene, delivered, {"PLT plug": 1}, photos=[Photo("bag", sideways, listing="PLT plug")])
    with Image.open(tmp_path / ReportPhoto.objects.get().path) as seen:
        assert seen.size == (40, 60)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"MZ\x90\x00",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        picture(9, quality=90)[:300],
    ],
    ids=["empty", "a program", "a drawing with scripts", "cut off"],
)
def test_what_is_no_picture_is_refused_by_its_name(scene, delivered, content):
    sent = [Photo("bag", content, "holiday.jpg", "PLT plug")]
    with pytest.raises(PhotoUnreadable, match=r"holiday\.jpg"):
        _file(scene, delivered, {"PLT plug": 1}, photos=sent)


# The moves of a report and of its credit.


def test_the_office_approves_to_150_and_the_owner_any(scene):
    order = deliver(scene, scene.add_order("4914", (("PLT plug", 30, "60.00"),)))
    report = _file(scene, order, {"PLT plug": 3})
    facts = {"verdict": "agreed", "now": TOO_LATE, "reason": "seen on the photos"}
    decide_report(report=report, user=scene.people["office"], **facts)
    credit = Credit.objects.get()
    assert (ArrivalReport.objects.get().state, credit.state) == ("agreed", "drafted")
    with pytest.raises(NotAllowed):
        approve_credit(credit=credit, user=scene.people["office"], now=TOO_LATE)
    credit = approve_credit(credit=credit, user=scene.people["owner"], now=TOO_LATE)
    assert (credit.state, credit.amount) == ("approved", Decimal("180.00"))


def test_nobody_else_approves(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD, at=TOO_LATE)
    for role in ("grower", "lead", "packer", "buyer"):
        with pytest.raises(NotAllowed):
            approve_credit(credit=report.credit, user=scene.people[role], now=TOO_LATE)


def test_a_credit_is_not_approved_before_its_report_is_decided(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD, at=TOO_LATE)
    with pytest.raises(ForbiddenMove, match="not decided"):
        approve_credit(credit=report.credit, user=scene.people["owner"], now=TOO_LATE)


def test_part_of_a_report_is_agreed(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD, at=TOO_LATE)
    facts = {"report": report, "verdict": "part agreed", "user": scene.people["office"]}
    facts |= {"now": TOO_LATE, "reason": "one PLT is alive on the photo"}
    with pytest.raises(CreditTooLarge):
        decide_report(amount=Decimal("44.17"), **facts)
    decide_report(amount=Decimal("31.28"), **facts)
    credit = Credit.objects.get()
    assert (credit.amount, credit.state) == (Decimal("31.28"), "approved")
    assert "one PLT is alive" in credit.sentence


def test_dead_pieces_nobody_saw_are_agreed_by_the_owner_alone(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD, photos=[])
    facts = {"report": report, "verdict": "agreed", "now": TOO_LATE, "reason": "long-standing shop"}
    with pytest.raises(PhotosMissing):
        decide_report(user=scene.people["office"], **facts)
    decide_report(user=scene.people["owner"], **facts)
    assert Credit.objects.get().state == "approved"


def test_a_decided_report_is_not_decided_again(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD)
    with pytest.raises(ForbiddenMove):
        look_at(report=report, user=scene.people["office"])
    with pytest.raises(ForbiddenMove):
        decide_report(
            report=report,
            verdict="declined",
            user=scene.people["owner"],
            now=TOO_LATE,
            reason="changed my mind",
        )


def test_an_applied_credit_is_not_void(scene, delivered):
    report = _file(scene, delivered, THREE_DEAD)
    office = scene.people["office"]
    with pytest.raises(ForbiddenMove):
        void_credit(credit=report.credit, user=office)
    credit = apply_credit(credit=report.credit, user=office, now=TOO_LATE)
    assert credit.state == "applied"
    assert ArrivalReport.objects.get().state == "closed"
    with pytest.raises(ForbiddenMove, match="counter-entry"):
        void_credit(credit=credit, user=office)
