"""Hop 12: until when a shop may report what arrived, what of it, and its photos."""

from datetime import timedelta
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from inventory.errors import Unknown
from inventory.people import Role, User
from inventory.photos import PhotoUnreadable
from orders.models import Customer, Seat
from shipping.arrivals import (
    Arrived,
    NotDeliveredYet,
    Photo,
    ReportNotRight,
    ReportStillOpen,
    file_report,
    report_due,
)
from shipping.handing_over import hand_over, make_shipment, move_shipment
from shipping.models import ArrivalReport, ReportPhoto, Shipment
from tests.shipping.bench import (
    DELIVERED_AT,
    IN_TIME,
    THREE_DEAD,
    deliver,
    pack,
    photos,
    picture,
    report_dead,
)
from tests.shipping.scene_rows import eastern_time, farm_time

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("farm_home")]
TOO_LATE = eastern_time(2, "14:13")


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
        report_dead(scene, order, THREE_DEAD)
    shipment = pack(scene, order)
    hand_over(shipment=shipment, user=scene.people["packer"], now=farm_time(1, "16:15"))
    with pytest.raises(NotDeliveredYet):
        report_dead(scene, order, THREE_DEAD)
    move_shipment(shipment=shipment, state="lost")
    with pytest.raises(NotDeliveredYet):
        report_dead(scene, order, THREE_DEAD)


def test_no_report_before_the_scan(scene, delivered):
    with pytest.raises(NotDeliveredYet):
        report_dead(scene, delivered, THREE_DEAD, at=DELIVERED_AT - timedelta(minutes=1))


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
    report_dead(scene, delivered, {"PLT plug": 2}, at=TOO_LATE)
    with pytest.raises(ReportStillOpen):
        report_dead(scene, delivered, {"PLT plug": 2}, at=TOO_LATE, first=40)
    assert report_dead(scene, delivered, {"CTH base": 1}, at=TOO_LATE, first=60).pk


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
    report_dead(scene, delivered, {"PLT plug": 1}, photos=sent)
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
    report_dead(
        scene, delivered, {"PLT plug": 1}, photos=[Photo("bag", sideways, listing="PLT plug")]
    )
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
        report_dead(scene, delivered, {"PLT plug": 1}, photos=sent)
