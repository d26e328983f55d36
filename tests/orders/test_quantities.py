"""What can be had of a line moves: one event with the newest number, and none too many."""

import json
from datetime import date, timedelta

import pytest

from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.colour_words import say_colour
from inventory.models import Movement, StockTotal, Strain
from inventory.walking import count_tray
from orders.feeding import renew_token
from orders.hooks import make_hook
from orders.intake import Asked, send_order
from orders.listing import draft_list, newest_version
from orders.models import Customer, FeedClient, FeedEvent, HookCall, QuantitySnapshot
from orders.quantities import told_of
from orders.weeks import week_named

pytestmark = pytest.mark.usefixtures("published_farm")


@pytest.fixture(autouse=True)
def _told_so_far(published_farm):
    tick(farm_now())


def later(**passed):
    move_clock(to=farm_now() + timedelta(**passed))
    return farm_now()


def recount(person, tray, pieces, code="G1"):
    at = farm_now()
    count_tray(
        tray_code=tray, pieces=pieces, looked_at=at, received_at=at, user=person(code),
        client_id=f"test-{tray}-{at.isoformat()}",
    )  # fmt: skip


def quantities(listing=""):
    rows = FeedEvent.objects.filter(kind="line.quantity").order_by("sequence")
    found = [json.loads(row.body) for row in rows]
    return [row for row in found if not listing or row["listing"] == listing]


def week():
    return week_named(name="2026-W49")


def order_clams(units, key="k1"):
    return send_order(
        customer=Customer.objects.get(code="C02"), ship_to_code="C02", week=week(),
        ship_on=date(2026, 12, 1), rows=[Asked("HBC clam-m", units)], source="page",
        idempotency_key=key, now=farm_now(),
    )  # fmt: skip


def test_a_list_that_goes_out_tells_no_numbers_beside_it():
    assert not quantities()
    told = told_of(week=week())
    frozen = {row.listing.name: row.shown for row in newest_version(week=week()).lines.all()}
    assert {name: row.shown for name, row in told.items()} == frozen


def test_a_recount_is_told_once_with_where_the_line_stands(person):
    # 10 of A1.4 can be counted on; the gap of 7 to the floor stays: 3. One fewer leaves 2.
    recount(person, "A1.4", 10)
    tick(farm_now())
    (event,) = quantities()
    assert event == {
        "sequence": event["sequence"], "type": "line.quantity", "at": event["at"],
        "listing": "PWS plug", "strain": "PWS", "form": "plug",
        "reason": "2 can be had for 2026-W49 now, 3 before",
        "week": "2026-W49", "status": "offered", "shown": 2, "is_more_than_shown": False,
    }  # fmt: skip
    tick(farm_now())
    tick(later(minutes=11))
    assert len(quantities()) == 1


def test_what_moves_within_the_pace_is_told_together(person):
    recount(person, "A1.4", 10)
    tick(farm_now())
    for seconds, tray, pieces in ((1, "A3.2", 18), (5, "H6.1", 26), (9, "A5.6", 20)):
        later(seconds=seconds)
        recount(person, tray, pieces)
        tick(farm_now())
    assert [row["listing"] for row in quantities()] == ["PWS plug"]
    tick(later(seconds=15))
    assert [row["listing"] for row in quantities()] == [
        "PWS plug", "BRR plug", "CBB plug", "NDC plug",
    ]  # fmt: skip


def test_above_the_cap_of_the_list_nothing_is_told(person):
    # 56 can be promised, the list shows 25+: 50 reads the same.
    recount(person, "T2.1", 28)
    tick(farm_now())
    assert not quantities("PLT plug")
    assert QuantitySnapshot.objects.get(week=week()).at == farm_now()


def test_a_pencilled_clam_is_told_and_the_last_one_sells_the_line_through():
    order_clams(1)
    tick(farm_now())
    assert [row["shown"] for row in quantities("HBC clam-m")] == [2]
    later(minutes=1)
    order_clams(2, key="k2")
    tick(farm_now())
    tick(later(minutes=11))
    kinds = FeedEvent.objects.filter(listing="HBC clam-m").order_by("sequence")
    assert list(kinds.values_list("kind", flat=True)) == ["line.quantity", "line.sold_through"]
    assert told_of(week=week())["HBC clam-m"].status == "sold through"


def test_a_rest_says_its_own_zero(person):
    listing = "BRR plug"
    Strain.objects.filter(key="BRR").update(colour="ember")
    say_colour(strain_key="BRR", is_rest=True, reason="tan", user=person("OW"), at=farm_now())
    tick(farm_now())
    tick(later(minutes=11))
    assert not quantities(listing)
    assert told_of(week=week())[listing].shown == 0


def test_a_count_that_finds_the_last_piece_gone_writes_the_next_version(person):
    recount(person, "T5.2", 0)
    tick(farm_now())
    version = newest_version(week=week())
    line = version.lines.get(listing__name="QYG clam-l")
    assert (version.number, line.status, line.can_promise) == (2, "sold through", 0)
    kinds = FeedEvent.objects.filter(listing="QYG clam-l").values_list("kind", flat=True)
    assert list(kinds) == ["line.sold_through"]
    later(hours=3)
    # A count upward is believed once a second person says the same.
    recount(person, "T5.2", 1)
    later(minutes=1)
    recount(person, "T5.2", 1, "G2")
    tick(farm_now())
    tick(later(minutes=1))
    line = newest_version(week=week()).lines.get(listing__name="QYG clam-l")
    assert (line.status, line.can_promise) == ("offered", 1)
    assert [row["shown"] for row in quantities("QYG clam-l")] == [1]


def test_after_the_cut_off_nothing_is_told(person):
    later(days=4, hours=21)
    tick(farm_now())
    before = len(quantities())
    move_clock(to=week().cut_off_at + timedelta(seconds=1))
    recount(person, "A1.4", 8)
    tick(farm_now())
    tick(later(minutes=11))
    assert week().closed_at and len(quantities()) == before


def test_what_was_told_is_what_the_list_would_say(person):
    for tray, pieces in (("A1.4", 9), ("H6.3", 12), ("T5.6", 2), ("A5.6", 0), ("H4.2", 14)):
        recount(person, tray, pieces)
        tick(later(seconds=31))
    drafted = {row.listing.name: row for row in draft_list(week=week(), now=farm_now())}
    told = told_of(week=week())
    assert {name: row.shown for name, row in told.items()} == {
        name: row.shown for name, row in drafted.items()
    }
    sequences = list(FeedEvent.objects.order_by("sequence").values_list("sequence", flat=True))
    assert sequences == list(range(1, len(sequences) + 1))
    assert StockTotal.objects.exists() and Movement.objects.exists()


def test_the_lines_of_the_feed_say_the_number_of_now_and_a_hook_is_called(person, client):
    reader = FeedClient.objects.get(code="FC-1")
    make_hook(client=reader, url="https://shop.kestrelmoor.example/in", now=farm_now())
    recount(person, "A1.4", 10)
    tick(farm_now())
    headers = {"authorization": f"Bearer {renew_token(client=reader)}"}
    lines = client.get("/api/v1/weeks/2026-W49/lines/", headers=headers).json()["lines"]
    line = next(row for row in lines if row["listing"] == "PWS plug")
    assert line["shown"] == 3
    assert line["now"] == {"status": "offered", "shown": 2, "is_more_than_shown": False}
    offered = client.get("/api/v1/strains/PWS/", headers=headers).json()["offered"]
    assert next(row for row in offered if row["listing"] == "PWS plug")["now"] == line["now"]
    (call,) = HookCall.objects.filter(event__kind="line.quantity")
    assert json.loads(call.event.body)["shown"] == 2
    events = client.get("/api/v1/changes/?after=0", headers=headers).json()["events"]
    assert events[-1] == json.loads(call.event.body)
