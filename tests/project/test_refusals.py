"""Every refusal reaches its reader: a problem body (RFC 9457) for programs, a page for people."""

import pytest
from django.core.exceptions import RequestDataTooBig, SuspiciousOperation
from django.urls import path
from rest_framework import exceptions

from config import errors, urls
from inventory.errors import FarmError
from orders.feeding import make_client
from orders.models import Customer


class TooFewBuckets(FarmError):
    code = "too_few_buckets"
    status = 422
    title = "Too few buckets"
    message = "{asked} buckets are asked for and {free} are free. Ask for fewer."


def refuse(request):
    raise TooFewBuckets(asked=3, free=1, rows=[{"row": 2, "listing": "PLT plug", "detail": "wet"}])


def fail(request):
    raise ZeroDivisionError


def pour_in(request):
    raise RequestDataTooBig("more than this house reads")


def mislead(request):
    raise SuspiciousOperation("a host that is not ours")


urlpatterns = [
    *urls.urlpatterns,
    *(
        path(prefix + name, view)
        for prefix in ("", "api/v1/")
        for name, view in (
            ("refuse/", refuse),
            ("fail/", fail),
            ("pour-in/", pour_in),
            ("mislead/", mislead),
        )
    ),
]
handler400, handler404, handler500 = urls.handler400, urls.handler404, urls.handler500


@pytest.fixture
def house(db, settings, client):
    """The service with four more addresses that go wrong, once for people, once for programs."""
    settings.ROOT_URLCONF = __name__
    client.raise_request_exception = False
    return client


def problem(answer, status, code):
    assert answer.status_code == status, answer.content
    assert answer["Content-Type"] == "application/problem+json"
    body = answer.json()
    assert (body["status"], body["code"]) == (status, code)
    assert body["title"] and body["detail"]
    return body


def test_a_farm_refusal_on_a_page_is_a_page_with_its_sentence_and_rows(house):
    answer = house.get("/refuse/")

    assert answer.status_code == 422
    text = answer.content.decode()
    assert "3 buckets are asked for and 1 are free. Ask for fewer." in text
    assert "too_few_buckets" in text
    assert "PLT plug" in text


@pytest.mark.parametrize(
    ("name", "status", "code"),
    [
        ("nowhere/", 404, "unknown"),
        ("fail/", 500, "failed_here"),
        ("pour-in/", 413, "body_too_large"),
        ("mislead/", 400, "request_not_right"),
    ],
)
def test_what_no_view_answers_is_a_problem_for_programs_and_a_page_for_people(
    house, name, status, code
):
    problem(house.get(f"/api/v1/{name}"), status, code)
    page = house.get(f"/{name}")

    assert page.status_code == (400 if status == 413 else status)
    assert page["Content-Type"].startswith("text/html")


@pytest.fixture
def ask(house):
    """Ask the feed as a client with a token."""
    _, token = make_client(code="FC-9", customer=Customer.objects.create(code="C99", name="A shop"))
    headers = {"authorization": f"Bearer {token}", "idempotency-key": "one"}

    def send(method, address, body="", content_type="application/json"):
        return house.generic(method, f"/api/v1/{address}", body, content_type, headers=headers)

    return send


def test_a_body_that_is_no_json_is_refused_with_its_place(ask):
    body = problem(ask("POST", "orders/", "{not json"), 400, "body_not_right")

    assert "line 1 column 2" in body["detail"]


def test_a_body_of_another_kind_is_refused_by_name(ask):
    answer = ask("POST", "orders/", "x", "text/plain")

    assert "text/plain" in problem(answer, 415, "media_type_not_supported")["detail"]


def test_fields_at_fault_are_named_by_their_path(ask):
    answer = ask("POST", "orders/", '{"lines": [{"asked": "many"}]}')
    faults = {row["field"]: row["code"] for row in problem(answer, 400, "body_not_right")["rows"]}

    assert faults["ship_to"] == "required"
    assert faults["lines.0.asked"] == "invalid"


def test_a_method_not_there_says_which_are(ask):
    answer = ask("DELETE", "weeks/")

    problem(answer, 405, "method_not_allowed")
    assert "GET" in answer["Allow"]


def test_who_asks_too_often_is_told_when_to_come_back():
    answer = errors.answer_problem(exceptions.Throttled(wait=6.2), {})

    assert answer is not None and answer.status_code == 429
    assert answer["Retry-After"] == "7"  # whole seconds, never too early


def test_a_fault_of_no_field_has_no_empty_name_before_it():
    answer = errors.answer_problem(exceptions.ValidationError("The two days differ."), {})

    assert answer is not None
    assert b'"detail": "Nothing was done: The two days differ."' in answer.content
