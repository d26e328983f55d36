"""What nobody should send to the feed is refused with a code that names its field, never a 500."""

import json
from itertools import product

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.clock import farm_now
from orders.feeding import renew_token
from orders.models import FeedClient, Hook, Order, OrderChange, RestQuestion

pytestmark = pytest.mark.usefixtures("published_farm")
KIND = "application/json"
TRIED = settings(
    max_examples=100,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
GOOD_ORDER = {
    "ship_to": "C10a",
    "week": "2026-W49",
    "ship_on": "2026-12-01",
    "lines": [{"listing": "PLT plug", "asked": 24, "unit": 12, "least": 12}],
}
GOOD_CHANGE = {"lines": [{"listing": "PLT plug", "asked": 12, "unit": 12, "least": 12}]}
GOOD_REPORT = {"lines": [{"listing": "PLT plug", "dead": 1}], "bag_c": 22.5, "text": "one"}
ODD = [
    None, True, [], {}, [[]], "", " ", "x" * 5000, "\u0000", "a\u0000b", "\ud800", "PLT\u202eplug",
    "\U0001f41a" * 30, "１２", "12", "-3", "1e3", "NaN", "Infinity", 0, -1, 2.5, 1e308, 10**30,
    -(10**30), 2**63, "2026-13-45", "0000-00-00", "2026-W99", "9999-W01", "0001-W01",
    {"listing": {"a": 1}}, ["PLT plug"], "'; drop table --", "../..", "%00",
]  # fmt: skip


@pytest.fixture
def ask(client):
    client.raise_request_exception = False
    token = renew_token(client=FeedClient.objects.get(code="FC-1"))
    count = iter(range(10**6))

    def ask(method, address, body=None, kind=KIND, **more):
        headers = {"authorization": f"Bearer {token}", "idempotency-key": f"k{next(count)}"} | more
        data = body if isinstance(body, bytes) else json.dumps(body)
        return client.generic(method, f"/api/v1/{address}", data, kind, headers=headers)

    return ask


@pytest.fixture
def order(ask):
    return ask("POST", "orders/", GOOD_ORDER).json()["order"]


def refused(answer, sent=None):
    """A refusal that a program can act on: a code, and the field where the body was read."""
    about = (answer.status_code, answer.content[:300], sent)
    assert 400 <= answer.status_code < 500, about
    assert answer["Content-Type"] == "application/problem+json", about
    body = answer.json()
    assert body["code"] and body["detail"] and body["status"] == answer.status_code, about
    return body


def with_odd(good, value):
    """A good body with one of its fields odd, one after the other, and with each left out."""
    for name in good:
        yield name, good | {name: value}
        if isinstance(good[name], list):
            for inner in good[name][0]:
                yield f"{name}.0.{inner}", good | {name: [good[name][0] | {inner: value}]}


def test_an_odd_value_in_any_field_is_refused_or_taken_for_what_it_says(ask, order):
    for value in ODD:
        _try_in_each_field(ask, order, value)


def _try_in_each_field(ask, order, value):
    bodies = [("POST", "orders/", row, GOOD_ORDER) for row in with_odd(GOOD_ORDER, value)]
    patch = f"orders/{order}/"
    bodies += [("PATCH", patch, row, GOOD_CHANGE) for row in with_odd(GOOD_CHANGE, value)]
    report = f"orders/{order}/arrival/"
    bodies += [("POST", report, row, GOOD_REPORT) for row in with_odd(GOOD_REPORT, value)]
    bodies += [("POST", "hooks/", ("url", {"url": value}), None)]
    for method, address, (field, body), _ in bodies:
        match = {"if-match": "*"} if method == "PATCH" else {}
        answer = ask(method, address, body, **match)
        if answer.status_code in (200, 201):
            assert method != "POST" or address == "orders/", (address, body)
            continue
        problem = refused(answer, (address, field, value))
        if problem["code"] == "body_not_right" and "rows" in problem:
            assert any(row["field"].startswith(field.split(".")[0]) for row in problem["rows"])


def test_an_odd_body_altogether_is_refused(ask, order):
    for value, (method, address) in product(ODD, (
        ("POST", "orders/"), ("PATCH", f"orders/{order}/"), ("POST", f"orders/{order}/arrival/"),
        ("POST", "hooks/"),
    )):  # fmt: skip
        assert refused(ask(method, address, value, **{"if-match": "*"}), (address, value))["code"]
    assert Order.objects.count() == 1 and not Hook.objects.exists()


RAW = [
        b"", b"{", b"nonsense", b"[1,", b'{"lines": NaN}', b'{"a": 1}garbage', b"\xff\xfe\x00",
        b'{"ship_to": "\\ud800"}', b'{"ship_to": "\\u0000"}', b"[" * 100_000, b'{"a":' * 50_000,
        b"1" * 10_000, b'{"lines": ' + b"9" * 6_000 + b"}", b"null", b"\xef\xbb\xbf{}",
        '{"ship_to": "Ж"}'.encode("cp1251"),
]  # fmt: skip


def test_what_is_no_json_is_refused(ask, order):
    for raw, (method, address) in product(RAW, (
        ("POST", "orders/"), ("PATCH", f"orders/{order}/"), ("POST", f"orders/{order}/arrival/"),
        ("POST", "hooks/"),
    )):  # fmt: skip
        problem = refused(ask(method, address, raw, **{"if-match": "*"}), raw[:40])
        assert problem["code"] in ("body_not_right", "order_not_right"), problem


def test_each_field_that_is_missing_is_named(ask):
    for name in ("ship_to", "week", "ship_on", "lines"):
        body = {key: value for key, value in GOOD_ORDER.items() if key != name}
        rows = refused(ask("POST", "orders/", body))["rows"]
        assert [(row["field"], row["code"]) for row in rows] == [(name, "required")]
    for name in ("listing", "asked"):
        line = {key: value for key, value in GOOD_ORDER["lines"][0].items() if key != name}
        body = GOOD_ORDER | {"lines": [GOOD_ORDER["lines"][0], line]}
        rows = refused(ask("POST", "orders/", body))["rows"]
        assert [row["field"] for row in rows] == [f"lines.1.{name}"]


ADDRESSES = [
        "weeks/%00/lines/", "weeks/0000-W00/lines/", "weeks/9999-W53/lines/",
        "weeks/２０２６-W49/lines/",
        "weeks/2026-W99/lines/", "weeks/-W/lines/", "weeks/%ff/lines/", "strains/%00/",
        "strains/%F0%9F%90%9A/", f"strains/{'x' * 3000}/", "orders/%00/", "orders/4902%00/",
        "orders/%ff%fe/", f"orders/{'9' * 3000}/", f"hooks/{10**40}/", "hooks/0/",
        f"orders/1/rests/{10**40}/", "changes/?after=-1", "changes/?after=%00",
        f"changes/?after={10**30}", "changes/?after=1.5", "changes/?after=%EF%BC%91",
        "weeks/?before=%00", "weeks/?before=0000-W00", "nothing/of/the/kind/",
]  # fmt: skip


def test_an_odd_address_is_a_problem(ask):
    for address in ADDRESSES:
        refused(ask("GET", address), address)


def test_an_odd_key_is_refused(ask):
    for key in ("", " ", "k" * 81, "k\x07", "\x7f"):
        problem = refused(ask("POST", "orders/", GOOD_ORDER, **{"idempotency-key": key}), key)
        assert problem["code"] == "idempotency_key_missing"
    assert not Order.objects.exists()


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["lines", "listing", "asked", "unit", "least", "week", "url", "choice"])
            | st.text(max_size=5),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@TRIED
@given(body=JSON)
def test_no_body_at_all_breaks_anything(ask, body):
    for method, address in (
        ("POST", "orders/"), ("POST", "hooks/"), ("PATCH", "orders/1/"),
        ("POST", "orders/1/arrival/"), ("POST", "orders/1/rests/1/"),
    ):  # fmt: skip
        refused(ask(method, address, body, **{"if-match": "*"}), body)


@TRIED
@given(
    line=st.fixed_dictionaries(
        {
            "listing": st.sampled_from(["PLT plug", "HBC clam-m", "KLN plug", "RMG prop-10"])
            | st.text(max_size=30),
            "asked": st.integers() | st.integers(-5, 60),
        },
        optional={"unit": st.integers(-2, 2000), "least": st.integers(), "note": st.text()},
    )
)
def test_an_order_of_any_line_is_taken_whole_or_refused(ask, line):
    before = Order.objects.count()
    answer = ask("POST", "orders/", GOOD_ORDER | {"lines": [line]})
    if answer.status_code == 201:
        assert Order.objects.count() == before + 1
        sent = answer.json()["lines"][0]
        assert (sent["listing"], sent["asked"]) == (line["listing"].strip(), line["asked"])
    else:
        refused(answer, line)
        assert Order.objects.count() == before
    assert not OrderChange.objects.exists() and not RestQuestion.objects.exists()
    assert farm_now() is not None
