"""HTTP as its standards have it, at every address of the feed: conditions, methods, problems."""

import json

import pytest
from django.urls import get_resolver

from inventory.clock import farm_now
from inventory.models import Listing
from orders import api
from orders.calc.http_tags import read_tag
from orders.feeding import renew_token
from orders.models import FeedClient, Order, ShipWeek
from tests.calc.test_http_tags import cases_of
from tests.shipping.bench import picture

pytestmark = pytest.mark.usefixtures("published_farm")
KIND = "application/json"
# What each address takes beside OPTIONS.
METHODS = {
    "weeks/": "GET HEAD",
    "weeks/2026-W49/lines/": "GET HEAD",
    "strains/KLN/": "GET HEAD",
    "listings/KLN plug/photo/": "GET HEAD",
    "orders/": "POST",
    "orders/{order}/": "GET HEAD PATCH",
    "orders/{order}/withdraw/": "POST",
    "orders/{order}/rests/": "GET HEAD",
    "orders/{order}/rests/1/": "GET HEAD POST",
    "orders/{order}/arrival/": "GET HEAD POST",
    "hooks/": "GET HEAD POST",
    "hooks/{hook}/": "GET HEAD DELETE",
    "hooks/{hook}/renew/": "POST",
    "changes/": "GET HEAD",
}
READ = [row for row in METHODS if "GET" in METHODS[row] and "rests/1" not in row]
LISTS = ("weeks/", "weeks/2026-W49/lines/", "strains/KLN/")


@pytest.fixture
def ask(client, settings, tmp_path):
    """A retailer's system with one order and one hook; braces in an address name them."""
    settings.FARM_HOME = tmp_path
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "kln.jpg").write_bytes(picture(7))
    Listing.objects.filter(name="KLN plug").update(photo="photos/kln.jpg")
    token = renew_token(client=FeedClient.objects.get(code="FC-1"))
    names = {}

    def ask(method, address, body=None, kind=KIND, **more):
        headers = {"authorization": f"Bearer {token}", **more}
        data = body if isinstance(body, str) else json.dumps(body) if body is not None else ""
        where = f"/api/v1/{address.format(**names)}"
        return client.generic(method, where, data, kind, headers=headers)

    line = {"listing": "PLT plug", "asked": 24, "unit": 12}
    body = {"ship_to": "C10a", "week": "2026-W49", "ship_on": "2026-12-01", "lines": [line]}
    names["order"] = ask("POST", "orders/", body, **{"idempotency-key": "k"}).json()["order"]
    names["hook"] = ask("POST", "hooks/", {"url": "https://a.example/in"}).json()["hook"]
    return ask


def problem(answer, status, code):
    """A refusal that has all that RFC 9457 names, each of its type."""
    assert answer.status_code == status, (answer.status_code, answer.content)
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["Cache-Control"] == "no-store"
    body = answer.json()
    assert body["code"] == code
    for name in ("type", "title", "detail", "instance"):
        assert body[name] and isinstance(body[name], str), name
    assert body["status"] == status
    assert body["type"].endswith(f"/developers/#{code}")
    assert body["instance"].startswith("/api/v1/")
    return body


def test_no_address_of_the_feed_is_left_out():
    found = set()
    for part in get_resolver().url_patterns:
        if str(part.pattern) == "api/v1/":
            found |= {str(row.pattern) for row in part.url_patterns}
    named = {
        row.replace("2026-W49", "<str:week_name>").replace("strains/KLN", "strains/<str:key>")
        .replace("KLN plug", "<str:name>")
        .replace("{order}", "<str:number>").replace("{hook}", "<int:number>")
        .replace("rests/1", "rests/<int:question>")
        for row in METHODS
    }  # fmt: skip
    assert found == named


@pytest.mark.parametrize("address", READ)
def test_what_is_read_has_a_tag_and_is_not_sent_twice(ask, address):
    first = ask("GET", address)
    kind = "image/jpeg" if "photo" in address else KIND
    assert first.status_code == 200 and first["Content-Type"] == kind
    tag = first["ETag"]
    assert not read_tag(tag).is_weak
    fresh = "max-age=60" if address in LISTS else "no-cache"
    fresh = "max-age=86400" if "photo" in address else fresh
    assert first["Cache-Control"] == f"private, {fresh}"
    assert "Authorization" in first["Vary"]
    # Weakened by a proxy that packs answers, one of many, or any at all.
    for known in (tag, f"W/{tag}", f'"old", {tag}', "*"):
        for method in ("GET", "HEAD"):
            again = ask(method, address, **{"if-none-match": known})
            assert (again.status_code, again.content) == (304, b""), known
            assert again["ETag"] == tag
            assert again["Cache-Control"] == first["Cache-Control"]
    assert ask("GET", address, **{"if-none-match": '"old"'}).content == first.content
    assert ask("GET", address, **{"if-match": tag}).status_code == 200
    problem(ask("GET", address, **{"if-match": '"old"'}), 412, "condition_failed")
    problem(ask("GET", address, **{"if-none-match": "old"}), 400, "tag_not_right")


@pytest.mark.parametrize("address", READ)
def test_head_is_get_without_its_body(ask, address):
    got, head = ask("GET", address), ask("HEAD", address)
    assert (head.status_code, head.content) == (200, b"")
    for name in ("ETag", "Cache-Control", "Content-Type", "Vary", "Content-Length"):
        assert head.headers.get(name) == got.headers.get(name), name


@pytest.mark.parametrize("address", METHODS)
def test_each_address_says_which_methods_it_takes(ask, address):
    takes = set(METHODS[address].split()) | {"OPTIONS"}
    told = ask("OPTIONS", address)
    assert (told.status_code, told.content) == (204, b"")
    assert {word.strip() for word in told["Allow"].split(",")} == takes
    for method in {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "TRACE"} - takes:
        answer = ask(method, address, {} if method in ("POST", "PUT", "PATCH") else None)
        assert answer.status_code == 405, (method, address)
        assert {word.strip() for word in answer["Allow"].split(",")} == takes
        if method != "HEAD":
            problem(answer, 405, "method_not_allowed")


@pytest.mark.parametrize("address", METHODS)
def test_without_a_token_every_address_says_how_to_send_one(ask, address):
    for method in METHODS[address].split():
        answer = ask(method, address, **{"authorization": "Bearer wrong"})
        assert answer.status_code == 401 and answer["WWW-Authenticate"] == "Bearer"


def test_conditions_at_an_order_come_to_what_is_published(ask, farm_checks):
    """PATCH is the feed's way to write over what is there; what goes for PUT goes for it."""
    for case in cases_of(farm_checks, "if-"):
        number = Order.objects.get(source="api").number
        asked = 12 if Order.objects.get(number=number).lines.get().asked == 24 else 24
        old = ask("GET", "orders/{order}/")["ETag"]
        body = {"lines": [{"listing": "PLT plug", "asked": asked}]}
        assert ask("PATCH", "orders/{order}/", body, **{"if-match": old}).status_code == 200
        tags = {'"v1"': old, '"v2"': ask("GET", "orders/{order}/")["ETag"], "*": "*"}
        request = case["inputs"]["request"]
        headers = {name: tags[value] for name, value in request["headers"].items()}
        body = {"lines": [{"listing": "PLT plug", "asked": 36 - asked}]}
        before = ask("GET", "orders/{order}/").content
        if case["id"] == "if-none-match-star-create":
            sent = {"ship_to": "C10a", "week": "2026-W49", "ship_on": "2026-12-02"}
            sent["lines"] = [{"listing": "MKC plug", "asked": 6}]
            answer = ask("POST", "orders/", sent, **headers, **{"idempotency-key": "star"})
            assert answer.status_code == 201
            Order.objects.filter(number=answer.json()["order"]).update(source="phone")
            continue
        method = {"PUT": "PATCH"}.get(request["method"], request["method"])
        answer = ask(method, "orders/{order}/", body if method == "PATCH" else None, **headers)
        if case["expected"]["status"] == "2xx, perform":
            assert answer.status_code == 200, case["id"]
            assert answer.json()["lines"][0]["asked"] == 36 - asked
        else:
            assert answer.status_code == case["expected"]["status"], case["id"]
            assert ask("GET", "orders/{order}/").content == before


def test_a_weak_tag_is_no_ground_to_write_on(ask):
    tag = ask("GET", "orders/{order}/")["ETag"]
    body = {"lines": [{"listing": "PLT plug", "asked": 12}]}
    weak = ask("PATCH", "orders/{order}/", body, **{"if-match": f"W/{tag}"})
    problem(weak, 412, "order_changed_since")
    bare = ask("PATCH", "orders/{order}/", body, **{"if-match": tag.strip('"')})
    problem(bare, 400, "tag_not_right")
    problem(ask("PATCH", "orders/{order}/", body), 428, "if_match_missing")
    known = ask("POST", "orders/{order}/withdraw/", {}, **{"if-none-match": tag})
    problem(known, 412, "condition_failed")
    assert Order.objects.get().state != "withdrawn"


def test_a_refusal_has_the_members_of_the_standard_where_the_standard_has_them(ask, farm_checks):
    (case,) = cases_of(farm_checks, "problem-out-of-credit")
    wanted = case["expected"]
    body = problem(ask("GET", "strains/ZZZ/?a=1"), 404, "unknown")
    assert wanted["content_type"] == "application/problem+json"
    assert {"type", "title", "detail", "instance"} <= set(wanted["body"]) & set(body)
    # Members of one's own sit at the top level, beside the standard's.
    assert body["instance"] == "/api/v1/strains/ZZZ/?a=1"
    assert "server_time" in body


def test_what_cannot_be_answered_so_or_read_is_a_problem_too(ask):
    problem(ask("GET", "weeks/", accept="application/xml"), 406, "not_acceptable")
    key = {"idempotency-key": "z"}
    answer = ask("POST", "orders/", "ship_to=C10a", "text/plain", **key)
    problem(answer, 415, "media_type_not_supported")
    problem(ask("POST", "orders/", "{", **key), 400, "body_not_right")
    whole = problem(ask("POST", "orders/", [], **key), 400, "body_not_right")
    assert whole["detail"] == "Nothing was done: this must be a JSON object, in braces"


def test_a_retry_has_the_headers_of_the_first_answer(ask):
    line = {"listing": "MKC plug", "asked": 6}
    body = {"ship_to": "C10a", "week": "2026-W49", "ship_on": "2026-12-02", "lines": [line]}
    first, again = (ask("POST", "orders/", body, **{"idempotency-key": "r"}) for _ in range(2))
    for name in ("ETag", "Location", "Cache-Control", "Content-Type"):
        assert again[name] == first[name], name
    assert again["Idempotent-Replay"] == "true" and "Idempotent-Replay" not in first
    read = ask("GET", first["Location"].removeprefix("/api/v1/"))
    assert read["ETag"] == first["ETag"]


def test_weeks_and_changes_are_read_page_by_page(ask, monkeypatch):
    monkeypatch.setattr(api, "PAGE_LENGTH", 2)
    ShipWeek.objects.filter(published_at=None).update(published_at=farm_now())
    for first, part, key in (
        ("weeks/", "weeks", "week"),
        ("changes/?after=0", "events", "sequence"),
    ):
        whole, address, pages = [], first, 0
        while address:
            answer = ask("GET", address)
            body = answer.json()
            assert len(body[part]) <= 2
            whole += [row[key] for row in body[part]]
            assert answer.headers.get("Link") == (
                f'<{body["next"]}>; rel="next"' if body["next"] else None
            )
            address = (body["next"] or "").removeprefix("/api/v1/")
            pages += 1
        assert pages > 1 and len(set(whole)) == len(whole)
        monkeypatch.setattr(api, "PAGE_LENGTH", 1000)
        assert whole == [row[key] for row in ask("GET", first).json()[part]]
        monkeypatch.setattr(api, "PAGE_LENGTH", 2)
    problem(ask("GET", "weeks/?before=soon"), 400, "week_not_readable")


def test_a_photo_is_sent_as_it_is_kept_and_only_where_there_is_one(ask):
    photo = ask("GET", "listings/KLN plug/photo/", accept="image/*")
    assert photo.content == picture(7)
    strain = ask("GET", "strains/KLN/").json()
    shown = {row["listing"]: row["photo"] for row in strain["listings"]}
    assert shown == {"KLN plug": "/api/v1/listings/KLN%20plug/photo/", "KLN winter tan": None}
    assert ask("GET", shown["KLN plug"].removeprefix("/api/v1/")).content == picture(7)
    lines = {row["listing"]: row for row in ask("GET", "weeks/2026-W49/lines/").json()["lines"]}
    assert lines["KLN plug"]["photo"] == shown["KLN plug"]
    assert lines["PLT plug"]["photo"] is None
    problem(ask("GET", "listings/PLT plug/photo/"), 404, "unknown")
    problem(ask("GET", "listings/%00/photo/"), 404, "unknown")
    Listing.objects.filter(name="PLT plug").update(photo="../../etc/passwd")
    problem(ask("GET", "listings/PLT plug/photo/"), 404, "unknown")


def test_a_misspelt_field_is_named_and_nothing_is_ordered(ask):
    line = {"listing": "PLT plug", "asked": 24, "leest": 12}
    body = {"ship_to": "C10a", "week": "2026-W49", "ship_on": "2026-12-01", "lines": [line]}
    before = Order.objects.count()
    answer = ask("POST", "orders/", body, **{"idempotency-key": "misspelt"})
    (row,) = answer.json()["rows"]
    assert (answer.status_code, answer.json()["code"]) == (400, "body_not_right")
    assert (row["field"], row["code"]) == ("lines.0.leest", "field_unknown")
    assert "there are listing, asked, unit, least, note" in row["detail"]
    assert Order.objects.count() == before


def test_without_a_token_or_with_a_wrong_method_the_answer_says_what_to_do(ask, client):
    bare = client.get("/api/v1/weeks/").json()
    assert (bare["status"], bare["code"]) == (401, "token_missing_or_unknown")
    assert bare["title"] == "No token, or none that is known"
    assert "Authorization: Bearer TOKEN" in bare["detail"] and "office" in bare["detail"]
    method = ask("DELETE", "orders/{order}/").json()
    assert (method["status"], method["title"]) == (405, "Nothing answers to that method here")
    assert "{" not in method["title"] + method["detail"]
