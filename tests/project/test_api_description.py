"""The feed's description: nothing left out, every example sent, every answer held to its shape."""

import html
import json
import re

from autumn_scene import play_autumn, rest

from config.api_description import description, routes
from config.api_operations import OPERATIONS, refusals
from config.api_shapes import ANSWERS, EVENTS, WORDS
from config.errors import FRAMEWORK_CODES, HANDLER_CODES
from inventory.errors import FarmError
from inventory.models import Listing
from orders.feeding import make_client, renew_token
from orders.models import Customer, FeedClient, FeedEvent, Order, RestQuestion
from tests.shipping.bench import picture

KIND = "application/json"
PATTERNS = {
    "money": r"\d+\.\d\d",
    "moment": r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d",
    "day": r"\d{4}-\d\d-\d\d",
    "address": r"(https:/)?/\S+",
}
KINDS = {"text": str, "whole": int, "number": (int, float), "yes": bool}


def faults_of(value, shape, at="body"):
    """What of a value is not as its shape says, each fault with its path."""
    if isinstance(shape, tuple):
        return [] if value is None else faults_of(value, shape[1], at)
    if isinstance(shape, list):
        if not isinstance(value, list):
            return [f"{at}: {value!r} is no list"]
        return [
            fault for i, row in enumerate(value) for fault in faults_of(row, shape[0], f"{at}[{i}]")
        ]
    if isinstance(shape, dict):
        if not isinstance(value, dict):
            return [f"{at}: {value!r} is no object"]
        loose = {name for name, inner in shape.items() if str(inner).endswith(" if any")}
        found = [f"{at}.{name} is missing" for name in shape.keys() - value.keys() - loose]
        found += [f"{at}.{name} is not described" for name in value.keys() - shape.keys()]
        for name in shape.keys() & value.keys():
            found += faults_of(value[name], shape[name], f"{at}.{name}")
        return found
    return _word_faults(value, shape.removesuffix(" if any"), at)


def _word_faults(value, word, at):
    if word == "event":
        return [] if value["type"] in EVENTS else [f"{at}: {value['type']}"]
    if value is None:
        return [] if word.endswith("?") else [f"{at} is null"]
    word = word.removesuffix("?")
    if word in PATTERNS:
        is_right = isinstance(value, str) and re.fullmatch(PATTERNS[word], value)
    else:
        is_right = isinstance(value, KINDS[word]) and (word == "yes") == isinstance(value, bool)
    return [] if is_right else [f"{at}: {value!r} is not {word}"]


class System:
    """Sends the examples of the description as they stand there."""

    def __init__(self, client, token, names):
        self._client, self._token, self.names, self.sent = client, token, names, set()

    def send(self, row):
        path = row.path.format(**self.names)
        headers = {"authorization": f"Bearer {self._token}"}
        headers |= {name: value.format(**self.names) for name, value in row.needs.items()}
        if "Idempotency-Key" in headers:
            headers["Idempotency-Key"] += row.name
        body = json.dumps(row.example) if row.example is not None else ""
        answer = self._client.generic(row.method, f"/api/v1/{path}", body, KIND, headers=headers)
        assert answer.status_code == row.status, (row.name, row.method, answer.content)
        assert answer["Content-Type"] == (row.kind or KIND) or row.status == 204
        if row.answers:
            assert faults_of(answer.json(), ANSWERS[row.answers]) == [], (row.name, row.method)
        self.sent.add((row.name, row.method))
        return answer


def operation(name, method):
    return next(row for row in OPERATIONS if (row.name, row.method) == (name, method))


def test_every_address_and_method_of_the_feed_is_described_and_no_other(client):
    from tests.orders.test_api_http import METHODS

    known = routes()
    assert {row.name for row in OPERATIONS} == set(known)
    described = {(known[row.name], row.method) for row in OPERATIONS}
    taken = set()
    for address, methods in METHODS.items():
        path = f"/api/v1/{address}"
        for shown, name in (
            ("2026-W49", "{week}"),
            ("KLN plug", "{listing}"),
            ("KLN", "{strain}"),
            ("rests/1", "rests/{question}"),
        ):
            path = path.replace(shown, name)
        taken |= {(path, method) for method in methods.split() if method != "HEAD"}
    assert described == taken


def test_every_example_is_sent_and_every_answer_has_its_shape(
    published_farm, client, settings, tmp_path
):
    settings.FARM_HOME = tmp_path
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_bytes(picture(7))
    Listing.objects.filter(name="KLN plug").update(photo="photos/a.jpg")
    token = renew_token(client=FeedClient.objects.get(code="FC-1"))
    names = {"week": "2026-W49", "strain": "KLN", "listing": "KLN plug", "etag": ""}
    system = System(client, token, names)
    for row in OPERATIONS:
        if row.name in ("api-rest", "api-arrival") or "{etag}" in row.needs.values():
            continue
        if row.name == "api-withdraw":
            _change(system)
        answer = system.send(row)
        if row.name == "api-orders":
            names["order"] = answer.json()["order"]
        if row.name == "api-hooks" and row.method == "POST":
            names["hook"] = answer.json()["hook"]
    assert system.send(operation("api-arrival", "GET"))
    left = {(row.name, row.method) for row in OPERATIONS} - system.sent
    assert left == {("api-rest", "GET"), ("api-rest", "POST"), ("api-arrival", "POST")}


def _change(system):
    """The example of PATCH starts from the reading before it."""
    system.names["etag"] = system.send(operation("api-order", "GET"))["ETag"]
    changed = system.send(operation("api-order", "PATCH")).json()
    assert [row["asked"] for row in changed["lines"]] == [12, 6]


def test_the_examples_about_a_resting_line_are_sent(db, fixtures_folder, client):
    play_autumn(fixtures_folder)
    rest(fixtures_folder)
    question = RestQuestion.objects.get(line__order__customer__code="C07")
    _, token = make_client(code="S7", customer=Customer.objects.get(code="C07"))
    names = {"order": question.line.order.number, "question": question.pk}
    system = System(client, token, names)
    asked = system.send(operation("api-rests", "GET")).json()["questions"]
    assert asked[0]["choices"]
    system.send(operation("api-rest", "GET"))
    assert system.send(operation("api-rest", "POST")).json()["instead"]
    system.send(operation("api-order", "GET"))


def test_the_example_of_an_arrival_is_sent_and_every_event_has_its_fields(arrived_farm, client):
    order = Order.objects.get(number="4902")
    _, token = make_client(code="S2", customer=order.customer)
    system = System(client, token, {"order": "4902"})
    assert system.send(operation("api-arrival", "GET")).json()["reports"][0]["credit"]
    assert system.send(operation("api-arrival", "POST")).json()["lines"][0]["missing"] == 1
    for row in FeedEvent.objects.all():
        body = json.loads(row.body)
        fields = {"sequence": "whole", "type": "text", "at": "moment", **EVENTS[row.kind][1]}
        assert faults_of(body, fields) == [], row.kind
    kinds = set(FeedEvent.objects.values_list("kind", flat=True))
    assert {"line.rested", "line.quantity", "order.promised", "shipment.handed_over"} <= kinds


def test_the_page_names_every_address_code_event_and_field(client, db):
    answer = client.get("/developers/")
    assert answer.status_code == 200, "read without a log-in"
    page = html.unescape(answer.content.decode())
    for row in OPERATIONS:
        assert f"{row.method} {routes()[row.name]}" in page
        if row.example is not None:
            assert json.dumps(row.example, ensure_ascii=False, indent=2) in page
    # The worked call of job story A25; OpenSSL's HMAC over the same bytes gives it too.
    assert "webhook-signature: v1,t8sbSWoUY2+mYdLM4/4x/v+ubN3FtRs+uwOXhx1a6M0=" in page
    assert "V1," not in page, "what is compared letter by letter is not written with a capital"
    anchors = set(re.findall(r'id="([^"]+)"', page))
    codes = {*FRAMEWORK_CODES.values(), *HANDLER_CODES.values(), *refusals(), "body_not_right"}
    assert codes <= anchors, "a problem's type leads to its row"
    for link in re.findall(r'href="#([^"]+)"', page):
        assert link in anchors | {"sheet"}, link
    for name, (words, fields) in EVENTS.items():
        assert name in page and words in page and all(field in page for field in fields)
    assert all(f'id="shape-{name}"' in page for name in ANSWERS)


def test_the_description_for_programs_holds_together(client, db, settings):
    answer = client.get("/api/v1/description/")
    assert answer["Content-Type"] == KIND
    told = answer.json()
    assert told == json.loads(json.dumps(description(address=settings.FARM_ADDRESS)))
    assert told["openapi"] == "3.1.0"
    text = json.dumps(told)
    schemas = told["components"]["schemas"]
    for name in re.findall(r'"#/components/schemas/([^"]+)"', text):
        assert name in schemas, name
    ids = [row["operationId"] for path in told["paths"].values() for row in path.values()]
    assert len(ids) == len(set(ids)) == len(OPERATIONS)
    for path, methods in told["paths"].items():
        for method in methods.values():
            named = {row["name"] for row in method["parameters"] if row["in"] == "path"}
            assert named == set(re.findall(r"\{(\w+)\}", path))
            assert "401" in method["responses"]
    body = told["paths"]["/api/v1/orders/"]["post"]["requestBody"]["content"][KIND]["schema"]
    assert body["required"] == ["ship_to", "week", "ship_on", "lines"]
    line = body["properties"]["lines"]
    assert (line["minItems"], line["items"]["required"]) == (1, ["listing", "asked"])
    assert line["items"]["properties"]["asked"] == {
        "type": "integer", "minimum": 1, "maximum": 100_000,
    }  # fmt: skip
    assert set(told["webhooks"]) == set(EVENTS)


def test_a_shape_finds_what_is_wrong():
    shape = {"a": "money", "b": "text?", "c": [{"d": "whole"}], "e": ("or null", {"f": "yes"})}
    good = {"a": "1.20", "b": None, "c": [{"d": 1}], "e": {"f": True}}
    assert faults_of(good, shape) == []
    for wrong in (
        {"a": 1.2}, {"a": "1.2"}, {"b": 3}, {"c": [{"d": "1"}]}, {"c": [{}]}, {"c": {}},
        {"e": {"f": 1}}, {"g": 1}, {"a": None}, {"c": [{"d": True}]},
    ):  # fmt: skip
        assert faults_of(good | wrong, shape), wrong
    assert set(PATTERNS) | set(KINDS) == set(WORDS)
    assert all(issubclass(row, FarmError) for row in refusals().values())
