"""The feed over HTTP: one good and one bad of each endpoint, keys, tags and problem bodies."""

import json
from datetime import date, timedelta

import pytest
from django.utils import timezone

from config.ticking import tick
from inventory.clock import farm_now
from orders.claiming import body_hash
from orders.feeding import make_client, renew_token
from orders.models import Customer, FeedClient, IdempotencyClaim, Order
from orders.sharing import ink_promises, share_out
from orders.weeks import week_named


@pytest.fixture
def reader(published_farm, client):
    """A retailer's system with its token."""
    token = renew_token(client=FeedClient.objects.get(code="FC-1"))
    headers = {"authorization": f"Bearer {token}"}

    class Reader:
        def get(self, address, **more):
            return client.get(f"/api/v1/{address}", headers={**headers, **more})

        def post(self, address, body, **more):
            return client.post(
                f"/api/v1/{address}", json.dumps(body), content_type="application/json",
                headers={**headers, **more},
            )  # fmt: skip

    return Reader()


def order_body(asked=24, listing="PLT plug", unit=12, **more):
    return {
        "ship_to": "C10a",
        "week": "2026-W49",
        "ship_on": "2026-12-01",
        "lines": [{"listing": listing, "asked": asked, "unit": unit}],
        **more,
    }


def problem(answer, status, code):
    assert answer.status_code == status, answer.content
    assert answer["Content-Type"] == "application/problem+json"
    body = answer.json()
    assert body["code"] == code
    return body


def test_the_weeks_and_their_lines_are_mirrored(reader):
    weeks = reader.get("weeks/").json()["weeks"]
    body = reader.get("weeks/2026-W49/lines/").json()
    lines = {row["listing"]: row for row in body["lines"]}

    assert [row["week"] for row in weeks] == ["2026-W49"]
    assert weeks[0]["cut_off_at"] == "2026-11-30T12:00:00-06:00"
    assert body["version"] == 1
    assert lines["KLN plug"]["status"] == "resting"
    assert lines["KLN plug"]["back"] == {
        "likely_on": "2027-04-23", "from_on": "2027-04-09", "to_on": "2027-05-07",
    }  # fmt: skip
    # Tier 3: 14.00 x 0.85, half up.
    assert (lines["PLT plug"]["price"], lines["PLT plug"]["shown"]) == ("11.90", 25)
    assert lines["PLT plug"]["is_more_than_shown"]
    assert "can_promise" not in lines["PLT plug"]
    problem(reader.get("weeks/2026-W77/lines/"), 404, "unknown")


def test_an_unchanged_list_answers_304(reader):
    first = reader.get("weeks/2026-W49/lines/")
    again = reader.get("weeks/2026-W49/lines/", **{"if-none-match": first["ETag"]})

    assert again.status_code == 304 and not again.content
    assert again["ETag"] == first["ETag"]


def test_three_posts_under_one_key_are_one_order(reader):
    key = {"idempotency-key": "K1"}
    answers = [reader.post("orders/", order_body(), **key) for _ in range(3)]

    assert [answer.status_code for answer in answers] == [201, 201, 201]
    assert len({answer.content for answer in answers}) == 1
    assert Order.objects.count() == 1
    number = answers[0].json()["order"]
    assert reader.get(f"orders/{number}/").json()["lines"][0]["asked"] == 24
    problem(reader.post("orders/", order_body(asked=36), **key), 422, "idempotency_key_reused")


def test_a_key_whose_work_still_runs_answers_409_and_is_taken_over_later(reader):
    customer = FeedClient.objects.get().customer
    claim = IdempotencyClaim.objects.create(
        customer=customer, key="K2", body_hash=body_hash(order_body()), claimed_at=timezone.now()
    )
    running = {"idempotency-key": "K2"}
    problem(reader.post("orders/", order_body(), **running), 409, "request_still_running")

    claim.claimed_at -= timedelta(seconds=61)
    claim.save()
    assert reader.post("orders/", order_body(), **running).status_code == 201


def test_a_refused_order_names_its_rows_and_frees_its_key(reader):
    key = {"idempotency-key": "K3"}
    body = order_body(asked=1, unit=1)
    body["lines"] += [{"listing": "ZZZ plug", "asked": 3}, {"listing": "PLT plug", "asked": 2}]
    refused = problem(reader.post("orders/", body, **key), 422, "order_not_right")

    assert [(row["row"], row["code"]) for row in refused["rows"]] == [
        (1, "below_minimum_line"), (2, "listing_unknown"), (3, "listing_twice"),
    ]  # fmt: skip
    assert not Order.objects.exists()
    assert reader.post("orders/", order_body(), **key).status_code == 201


@pytest.mark.parametrize(
    ("change", "status", "code"),
    [
        ({"ship_to": "C01"}, 404, "not_your_ship_to"),
        ({"ship_on": "2026-12-04"}, 422, "ship_day_not_offered"),
        ({"week": "2026-W50"}, 409, "week_not_open"),
        ({"week": "W49"}, 404, "unknown"),
        ({"ship_on": "next Tuesday"}, 400, "body_not_right"),
        ({"lines": []}, 400, "body_not_right"),
        ({"lines": [{"listing": "PLT plug", "asked": -3}]}, 400, "body_not_right"),
        ({"lines": [{"listing": "PLT plug", "asked": "ten"}]}, 400, "body_not_right"),
        ({"lines": [{"listing": "PLT plug", "asked": 2.5}]}, 400, "body_not_right"),
    ],
)
def test_a_wrong_body_is_a_problem_with_a_stable_code(reader, change, status, code):
    answer = reader.post("orders/", order_body(**change), **{"idempotency-key": "K4"})

    problem(answer, status, code)
    assert not Order.objects.exists()


def test_a_resting_line_is_refused_with_its_reason(reader):
    answer = reader.post(
        "orders/", order_body(asked=2, unit=1, listing="KLN plug"), **{"idempotency-key": "K5"}
    )
    body = problem(answer, 409, "nothing_stands")

    assert body["rows"][0]["code"] == "line_resting"
    assert "out of colour since 9 Nov" in body["rows"][0]["detail"]


def test_without_a_key_or_a_token_nothing_happens(reader, client):
    problem(reader.post("orders/", order_body()), 400, "idempotency_key_missing")
    problem(client.get("/api/v1/weeks/"), 401, "token_missing_or_unknown")
    wrong = client.get("/api/v1/weeks/", headers={"authorization": "Bearer no"})
    problem(wrong, 401, "token_missing_or_unknown")
    problem(reader.post("weeks/", {}), 405, "method_not_allowed")


def test_changes_heal_a_gap_and_sequences_have_none(reader):
    events = reader.get("changes/?after=0").json()["events"]

    assert [row["sequence"] for row in events] == list(range(1, len(events) + 1))
    assert (events[0]["type"], events[0]["listing"]) == ("line.rested", "KLN plug")
    assert (events[0]["strain"], events[0]["form"]) == ("KLN", "plug")
    assert reader.get("changes/?after=1").json()["events"] == events[1:]
    problem(reader.get("changes/?after=x"), 400, "after_not_a_number")


def test_an_order_is_followed_to_its_promise(reader, person):
    number = reader.post(
        "orders/", order_body(), **{"idempotency-key": "K6"}
    ).json()["order"]  # fmt: skip
    at = week_named(name="2026-W49").cut_off_at + timedelta(minutes=30)
    tick(at)
    week = week_named(name="2026-W49")
    share_out(week=week, now=at, user=person("OF"))
    ink_promises(week=week, now=at, user=person("OF"))
    tick(at)
    line = reader.get(f"orders/{number}/").json()["lines"][0]
    kinds = [row["type"] for row in reader.get("changes/?after=0").json()["events"]]

    assert (line["promise"], line["promised"]) == ("inked", 24)
    assert line["sentence"] == "Asked 24, promised 24: there was enough for everyone."
    assert kinds[-1] == "order.promised"
    assert farm_now() is not None


def test_another_customers_order_is_not_there(reader, closed_order_of_another):
    problem(reader.get(f"orders/{closed_order_of_another}/"), 404, "unknown")


@pytest.fixture
def closed_order_of_another(published_farm):
    from datetime import date

    from orders.intake import Asked, send_order
    from orders.models import Customer

    order = send_order(
        customer=Customer.objects.get(code="C02"), ship_to_code="C02",
        week=week_named(name="2026-W49"), ship_on=date(2026, 12, 1),
        rows=[Asked("PLT plug", 12)], source="page", idempotency_key="other", now=farm_now(),
    )  # fmt: skip
    return order.number


def test_a_strain_says_what_it_is_how_its_colour_stands_and_where_it_is_offered(reader):
    kiln = reader.get("strains/KLN/").json()
    assert (kiln["name"], kiln["taxon"], kiln["class"]) == ("Fen Kiln", "Acropora millepora", "SPS")
    assert kiln["colour_state"]["state"] == "resting"
    offered = {row["listing"]: row for row in kiln["offered"]}
    assert offered["KLN plug"]["status"] == "resting"
    assert offered["KLN plug"]["stop"] == "colour"
    assert "floor" not in str(kiln)

    plain = reader.get("strains/PLT/").json()
    assert plain["colour_state"] is None
    lines = {row["listing"]: row for row in reader.get("weeks/2026-W49/lines/").json()["lines"]}
    (line,) = [row for row in plain["offered"] if row["listing"] == "PLT plug"]
    assert line == {"week": "2026-W49", "version": 1} | lines["PLT plug"]
    problem(reader.get("strains/ZZZ/"), 404, "unknown")


@pytest.mark.parametrize(
    ("code", "ship_to", "listing", "verdict", "fault"),
    [
        # Job story A17: mangroves may not go to Hawaii, corals on the permit that is on file.
        ("C09", "C09", "RMG prop-10", "forbid", "region_forbids"),
        ("C09", "C09", "MKC plug", "allow", None),
        # No CITES paper is on file for Toronto on the demo day; California wants a plant paper.
        ("C11", "C11", "LCC plug", "paper", "paper_missing"),
        ("C05", "C05", "RMG prop-10", "paper", "paper_missing"),
        ("C10", "C10a", "RMG prop-10", "allow", None),
    ],
)
def test_a_line_says_whether_it_may_go_to_a_ship_to_as_the_order_s_check_will(
    published_farm, client, code, ship_to, listing, verdict, fault
):
    _, token = make_client(code="L1", customer=Customer.objects.get(code=code))
    headers = {"authorization": f"Bearer {token}"}
    address = f"/api/v1/weeks/2026-W49/lines/?ship_to={ship_to}"
    lines = {row["listing"]: row for row in client.get(address, headers=headers).json()["lines"]}
    law = lines[listing]["law"]
    assert (law["ship_to"], law["verdict"], law["code"]) == (ship_to, verdict, fault)
    assert bool(law["reason"]) == (verdict != "allow") or "paper" in law["reason"]
    strain = client.get(f"/api/v1/strains/{listing[:3]}/?ship_to={ship_to}", headers=headers).json()
    assert {row["law"]["verdict"] for row in strain["offered"]} == {verdict}
    plain = client.get("/api/v1/weeks/2026-W49/lines/", headers=headers).json()["lines"]
    assert {row["law"] for row in plain} == {None}
    other = client.get("/api/v1/weeks/2026-W49/lines/?ship_to=C01", headers=headers)
    problem(other, 404, "not_your_ship_to")


def test_a_rest_brings_the_photo_of_each_look(published_farm, reader):
    from inventory.models import Happening, Listing

    for name, photo in (("KLN plug", "photos/a.jpg"), ("KLN winter tan", "photos/b.jpg")):
        Listing.objects.filter(name=name).update(photo=photo, photo_on=date(2026, 11, 20))
    facts = {"listing": "KLN plug", "reason": "again"}
    Happening.objects.create(kind="line.returned", at=farm_now(), facts=facts)
    tick(farm_now())
    events = reader.get("changes/?after=0").json()["events"]
    event = next(row for row in events if row["type"] == "line.returned")
    assert event["photos"] == [
        {
            "listing": "KLN plug", "look": "colour", "photo_on": "2026-11-20",
            "photo": "/api/v1/listings/KLN%20plug/photo/",
        },
        {
            "listing": "KLN winter tan", "look": "winter", "photo_on": "2026-11-20",
            "photo": "/api/v1/listings/KLN%20winter%20tan/photo/",
        },
    ]  # fmt: skip
    assert events[0]["photos"] == [], "frozen as it was then"
