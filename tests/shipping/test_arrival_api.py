"""A retailer's system tells what arrived: once a key, with photos, and only of its own order."""

import json

import pytest

from inventory.clock import start_demo_clock
from orders.feeding import make_client
from orders.models import Customer
from shipping.models import ArrivalReport, ReportPhoto
from tests.shipping.bench import deliver, picture
from tests.shipping.scene import build_scene
from tests.shipping.scene_rows import eastern_time

pytestmark = pytest.mark.django_db
IN_TIME = eastern_time(2, "13:55")


@pytest.fixture(autouse=True)
def _farm_home(tmp_path, settings):
    settings.FARM_HOME = tmp_path


@pytest.fixture
def scene():
    return build_scene()


@pytest.fixture
def order(scene):
    order = deliver(scene, scene.add_order())
    start_demo_clock(at=IN_TIME)
    return order


@pytest.fixture
def system(order, client):
    """The feed of the order's own customer."""
    _, token = make_client(code="FC-9", customer=order.customer)
    return _asker(client, token)


def _asker(client, token):
    def ask(method, number, body=None, key="k1", **more):
        headers = {"authorization": f"Bearer {token}", "idempotency-key": key}
        if isinstance(body, dict) and "report" not in body:
            more |= {"content_type": "application/json"}
            body = json.dumps(body)
        act = getattr(client, method)
        address = f"/api/v1/orders/{number}/arrival/"
        return (
            act(address, body, headers=headers, **more) if body else act(address, headers=headers)
        )

    return ask


def line_of(order):
    return order.lines.select_related("listing").filter(promise__units__gt=0)[0].listing.name


def test_before_anything_is_told_the_hour_to_tell_it_by_stands_there(system, order):
    body = system("get", order.number).json()
    assert body["reports"] == []
    assert body["delivered_at"] and body["report_by"] > body["delivered_at"]


def test_a_report_is_filed_once_a_key_and_read_back(system, order):
    body = {"lines": [{"listing": line_of(order), "missing": 1}], "text": "one short"}
    first = system("post", order.number, body)
    assert first.status_code == 201, first.content
    again = system("post", order.number, body)
    assert again.content == first.content
    assert again["Idempotent-Replay"] == "true"
    assert ArrivalReport.objects.count() == 1
    (read,) = system("get", order.number).json()["reports"]
    assert read == first.json()
    assert read["lines"][0]["missing"] == 1
    other = system("post", order.number, body | {"text": "two short"})
    assert (other.status_code, other.json()["code"]) == (422, "idempotency_key_reused")


def test_photos_come_beside_the_same_json(system, order):
    from django.core.files.uploadedfile import SimpleUploadedFile

    name = line_of(order)
    form = {
        "report": json.dumps({"lines": [{"listing": name, "dead": 1}]}),
        f"bag:{name}": SimpleUploadedFile("a.jpg", picture(7), content_type="image/jpeg"),
        "label": SimpleUploadedFile("l.jpg", picture(250), content_type="image/jpeg"),
    }
    answer = system("post", order.number, form)
    assert answer.status_code == 201, answer.content
    assert answer.json()["photos"] == 2
    assert answer.json()["credit"]["sentence"]
    kinds = ReportPhoto.objects.order_by("kind").values_list("kind", flat=True)
    assert list(kinds) == ["bag", "label"]


@pytest.mark.parametrize(
    ("line", "status", "code"),
    [
        ({"listing": "ZZZ plug", "dead": 1}, 422, "report_not_right"),
        ({"missing": 1}, 400, "body_not_right"),
        ({"dead": -1}, 400, "body_not_right"),
        ({"missing": 9999}, 422, "more_than_sent"),
    ],
)
def test_a_bad_row_is_named_and_its_key_may_be_used_again(system, order, line, status, code):
    line = {"listing": line_of(order)} | line if code != "body_not_right" else line
    answer = system("post", order.number, {"lines": [line]})
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    mended = {"lines": [{"listing": line_of(order), "missing": 1}]}
    assert system("post", order.number, mended).status_code == 201


def test_another_customer_s_order_is_unknown(order, client):
    stranger = Customer.objects.exclude(pk=order.customer_id).first() or Customer.objects.create(
        code="C99", name="Somewhere Else"
    )
    _, token = make_client(code="FC-8", customer=stranger)
    ask = _asker(client, token)
    assert ask("get", order.number).status_code == 404
    body = {"lines": [{"listing": line_of(order), "missing": 1}]}
    assert ask("post", order.number, body).status_code == 404
    assert not ArrivalReport.objects.exists()
