"""Hop 12c: a lane's losses are known when its report windows have closed."""

import pytest

from inventory.models import Happening
from orders.models import Order, ShipTo
from shipping.arrivals import Arrived, decide_report, file_report
from shipping.crediting import apply_credit
from shipping.losses import close_windows
from shipping.models import LaneLoss
from tests.shipping.bench import deliver, photos
from tests.shipping.scene import build_scene
from tests.shipping.scene_rows import eastern_time

pytestmark = pytest.mark.django_db
# Delivered 10:12 in Buffalo, so the window ends at 14:12.
IN_TIME = eastern_time(2, "13:55")
TOO_LATE = eastern_time(2, "14:13")
THREE_DEAD = {"PLT plug": 2, "CTH base": 1}
WINDOW_ENDS = eastern_time(2, "14:12")


@pytest.fixture(autouse=True)
def _farm_home(tmp_path, settings):
    settings.FARM_HOME = tmp_path


@pytest.fixture
def scene():
    return build_scene()


@pytest.fixture
def delivered(scene):
    return deliver(scene, scene.add_order())


def _report(scene, order, at=IN_TIME):
    return file_report(
        order=order,
        rows=[Arrived(name, dead=count) for name, count in THREE_DEAD.items()],
        photos=photos(THREE_DEAD),
        filed_at=at,
        user=scene.people["buyer"],
    )


def _row():
    return LaneLoss.objects.values_list("ship_to__code", "box", "packs", "pieces", "dead").get()


def test_a_lane_is_counted_when_its_window_closes_and_only_once(scene, delivered):
    """49 pieces in one L with three packs, 3 of them dead."""
    _report(scene, delivered)
    assert close_windows(now=WINDOW_ENDS) == 0
    assert not LaneLoss.objects.exists()
    assert close_windows(now=TOO_LATE) == 1
    assert _row() == ("C02", "L", 3, 49, 3)
    assert close_windows(now=TOO_LATE) == 0
    assert _row() == ("C02", "L", 3, 49, 3)


def test_pieces_are_added_to_what_the_lane_had(scene, delivered):
    LaneLoss.objects.create(
        ship_to=ShipTo.objects.get(code="C02"),
        box="L",
        packs=3,
        months="Dec to Feb",
        pieces=180,
        dead=4,
    )
    _report(scene, delivered)
    close_windows(now=TOO_LATE)
    assert _row() == ("C02", "L", 3, 229, 7)


def test_nobody_reporting_means_alive_once_the_window_has_closed(scene, delivered):
    assert close_windows(now=TOO_LATE) == 1
    assert _row() == ("C02", "L", 3, 49, 0)
    assert Order.objects.get(pk=delivered.pk).state == "settled"
    assert Happening.objects.get(kind="shipment.window_closed").facts["dead"] == 0


def test_an_open_report_keeps_its_shipment_waiting(scene, delivered):
    report = _report(scene, delivered, at=TOO_LATE)
    assert close_windows(now=TOO_LATE) == 0
    office = scene.people["office"]
    decide_report(report=report, verdict="declined", user=office, now=TOO_LATE, reason="late")
    assert close_windows(now=TOO_LATE) == 1
    assert _row() == ("C02", "L", 3, 49, 0)


def test_an_order_is_settled_when_its_credit_is_applied(scene, delivered):
    report = _report(scene, delivered)
    close_windows(now=TOO_LATE)
    assert Order.objects.get(pk=delivered.pk).state == "arrived"
    apply_credit(credit=report.credit, user=scene.people["office"], now=TOO_LATE)
    close_windows(now=TOO_LATE)
    assert Order.objects.get(pk=delivered.pk).state == "settled"
