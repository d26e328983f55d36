"""A sent order is changed until the cut-off: by the rules of a new one, kept line by line."""

import json
from datetime import date
from decimal import Decimal
from html.parser import HTMLParser

import pytest
from django.urls import reverse
from tests_support import farm_time, page_words

from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.errors import NotAllowed
from inventory.models import Happening, Listing
from inventory.setting_book import SettingBook
from inventory.walking import count_tray
from orders.amending import withdraw_order
from orders.change_records import changes_shown
from orders.changing import (
    ChangeNotRight,
    ChangeTooLate,
    OrderChangedSince,
    Wanted,
    change_order,
)
from orders.feeding import renew_token
from orders.intake import Asked, send_order
from orders.models import (
    Customer,
    FeedClient,
    FeedEvent,
    Line,
    Order,
    OrderChange,
    Promise,
    PromisedTotal,
)
from orders.pricing import set_price
from orders.promising import AboveWhatIsLeft, oversold_strain_forms
from orders.share_runs import ask_of
from orders.sharing import ink_promises, share_out
from orders.weeks import week_named

NOW = farm_time("2026-11-25 15:00")
LATER = farm_time("2026-11-27 09:30")
CLAM = "HBC clam-m"


def send(code, *rows, at=NOW, ship_to=None):
    return send_order(
        customer=Customer.objects.get(code=code), ship_to_code=ship_to or code,
        week=week_named(name="2026-W49"), ship_on=date(2026, 12, 1), rows=rows, source="page",
        idempotency_key=f"{code}-{Order.objects.count()}", now=at,
    )  # fmt: skip


def change(order, user, *wanted, now=LATER, seen=None, channel=""):
    order.refresh_from_db()
    return change_order(
        order_id=order.pk, wanted=wanted, version_seen=seen or order.version, now=now, user=user,
        channel=channel,
    )  # fmt: skip


def standing(order):
    lines = Line.objects.filter(order=order).exclude(state="withdrawn")
    return {line.listing.name: line.asked for line in lines}


def pencilled(order, listing=CLAM):
    promise = Promise.objects.filter(line__order=order, line__listing__name=listing).first()
    return promise.units if promise and promise.state == "pencilled" else 0


def clams_promised():
    return PromisedTotal.objects.get(strain_form__strain__key="HBC").pieces


def test_lines_are_raised_lowered_added_and_taken_off_and_it_is_kept(published_farm, person):
    order = send("C02", Asked("PLT plug", 8), Asked("HRT plug", 10), Asked("SLG plug", 4))
    change(
        order, person("B02"), Wanted("PLT plug", 12), Wanted("HRT plug", 6),
        Wanted("SLG plug", 0), Wanted("BKP plug", 4),
    )  # fmt: skip

    assert standing(order) == {"PLT plug": 12, "HRT plug": 6, "BKP plug": 4}
    [kept] = OrderChange.objects.filter(order=order)
    assert (kept.number, kept.user, kept.channel, kept.at) == (2, person("B02"), "page", LATER)
    rows = {row.line.listing.name: (row.asked_before, row.asked_after) for row in kept.rows.all()}
    assert rows == {
        "PLT plug": (8, 12), "HRT plug": (10, 6), "SLG plug": (4, 0), "BKP plug": (0, 4),
    }  # fmt: skip
    [shown] = changes_shown(order=order)
    assert shown.words == (
        "PLT plug 12 instead of 8; HRT plug 6 instead of 10; SLG plug taken off (it was 4); "
        "BKP plug added, 4"
    )
    assert change(order, person("B02"), Wanted("PLT plug", 12)) is None, "nothing differs"
    assert OrderChange.objects.count() == 1


def test_a_lowered_first_come_line_gives_back_and_a_raised_one_takes_what_is_left(
    published_farm, person
):
    """Three clams stand (job tables 7.4, 7.9)."""
    one = send("C02", Asked(CLAM, 2), Asked("PLT plug", 8))
    other = send("C05", Asked(CLAM, 2), Asked("PLT plug", 8))
    assert (pencilled(one), pencilled(other), clams_promised()) == (2, 1, 3)

    tick(LATER)  # the list hears that the last is gone
    assert sold_status() == "sold through"
    with pytest.raises(ChangeNotRight, match="sold through"):
        change(other, person("B05"), Wanted(CLAM, 3))
    change(one, person("B02"), Wanted(CLAM, 1))
    assert (pencilled(one), clams_promised()) == (1, 2)
    tick(LATER)
    assert sold_status() == "offered", "what came back is on the list again"

    change(other, person("B05"), Wanted(CLAM, 4))
    assert (pencilled(other), clams_promised()) == (2, 3)
    line = Line.objects.get(order=other, listing__name=CLAM)
    assert (line.reason_code, line.reason) == ("short", "2 short: 2 were left")
    book_of_all_is_right()


def sold_status():
    version = week_named(name="2026-W49").versions.order_by("-number").first()
    return version.lines.get(listing__name=CLAM).status


def book_of_all_is_right():
    on = date(2026, 11, 27)
    assert oversold_strain_forms(
        week=week_named(name="2026-W49"), on=on, book=SettingBook.read(on=on)
    ) == []  # fmt: skip


def test_a_raise_never_costs_what_is_held_even_where_nothing_is_left(published_farm, person):
    order = send("C02", Asked(CLAM, 2), Asked("PLT plug", 8))
    count_tray(
        tray_code="T5.4", pieces=1, looked_at=LATER, received_at=LATER, user=person("G1"),
        client_id="dead clams",
    )  # fmt: skip
    change(order, person("B02"), Wanted(CLAM, 3))

    assert pencilled(order) == 2, "only a person settles what is missing"


def test_typed_by_the_office_a_first_come_raise_is_all_or_nothing(published_farm, person):
    order = send("C02", Asked(CLAM, 1), Asked("PLT plug", 8))
    with pytest.raises(AboveWhatIsLeft, match="Take 3 or ask for a later week"):
        change(order, person("OF"), Wanted(CLAM, 5))
    assert (pencilled(order), standing(order)[CLAM]) == (1, 1), "nothing is half-changed"

    change(order, person("OF"), Wanted(CLAM, 3))
    assert (pencilled(order), OrderChange.objects.get().channel) == (3, "phone")


def test_what_is_raised_counts_as_sent_now_and_what_is_lowered_keeps_its_place_and_price(
    published_farm, person
):
    order = send("C02", Asked("PLT plug", 8), Asked("HRT plug", 10))
    set_price(
        listing=Listing.objects.get(name="PLT plug"), list_price=Decimal("20.00"),
        starts_on=date(2026, 11, 26), user=person("OF"), now=NOW, reason="dearer",
    )  # fmt: skip
    first = {line.listing.name: line for line in order.lines.all()}
    change(order, person("B02"), Wanted("PLT plug", 6))
    lowered = Line.objects.get(order=order, listing__name="PLT plug")
    assert (lowered.unit_price, ask_of(lowered).sent_at) == (first["PLT plug"].unit_price, NOW)

    change(order, person("B02"), Wanted("PLT plug", 9))
    raised = Line.objects.get(order=order, listing__name="PLT plug")
    # Tier 2: 20.00 x 0.92.
    assert (raised.unit_price, ask_of(raised).sent_at) == (Decimal("18.40"), LATER)
    assert "$18.40 each instead of $12.88" in changes_shown(order=order)[-1].words
    untouched = Line.objects.get(order=order, listing__name="HRT plug")
    assert ask_of(untouched).sent_at == NOW


def test_a_changed_order_is_shared_out_by_what_it_asks_in_the_end(published_farm, person):
    order = send("C02", Asked("PLT plug", 8))
    change(order, person("B02"), Wanted("PLT plug", 5))
    at = farm_time("2026-11-30 12:30")
    tick(at)
    week = week_named(name="2026-W49")
    share_out(week=week, now=at, user=person("OF"))
    ink_promises(week=week, now=at, user=person("OF"))

    assert Promise.objects.get(line__order=order).units == 5
    book_of_all_is_right()


def test_the_second_of_two_windows_is_told_what_the_first_did(published_farm, person):
    order = send("C02", Asked("PLT plug", 8))
    change(order, person("B02"), Wanted("PLT plug", 6), seen=1)
    with pytest.raises(OrderChangedSince, match=r"Petra Lunn, page: PLT plug 6 instead of 8"):
        change(order, person("B02"), Wanted("PLT plug", 9), seen=1)

    assert standing(order) == {"PLT plug": 6}


@pytest.mark.parametrize(
    ("wanted", "code"),
    [
        (Wanted("ZZZ plug", 3), "listing_unknown"),
        (Wanted("PLT plug", 1), "below_minimum_line"),
        (Wanted("PLT plug", 10, unit=12), "asked_not_whole_units"),
        (Wanted("PLT plug", 6, least=7), "least_above_asked"),
        (Wanted("KLN plug", 4), "line_resting"),
        (Wanted("PLT plug", 0), "nothing_left"),
    ],
)
def test_a_row_that_cannot_be_stops_all_of_it_and_is_named(published_farm, person, wanted, code):
    order = send("C02", Asked("PLT plug", 8))
    rows = [wanted] if code == "nothing_left" else [Wanted("HRT plug", 5), wanted]
    with pytest.raises(ChangeNotRight) as refused:
        change(order, person("B02"), *rows)

    assert [row["code"] for row in refused.value.facts["rows"]] == [code]
    assert standing(order) == {"PLT plug": 8}
    assert not OrderChange.objects.exists()


def test_a_forbidden_line_is_not_added_and_a_taken_off_one_may_come_back(published_farm, person):
    order = send("C09", Asked("DWF plug", 6), Asked("CSC plug", 6))
    with pytest.raises(ChangeNotRight) as refused:
        change(order, person("B09"), Wanted("RMG prop-10", 2))
    assert refused.value.facts["rows"][0]["code"] == "region_forbids"

    change(order, person("B09"), Wanted("CSC plug", 0))
    change(order, person("B09"), Wanted("CSC plug", 3))
    assert standing(order) == {"DWF plug": 6, "CSC plug": 3}
    assert [row.words for row in changes_shown(order=order)] == [
        "CSC plug taken off (it was 6)", "CSC plug added, 3",
    ]  # fmt: skip


def test_only_who_orders_for_the_customer_changes_its_order(published_farm, person):
    order = send("C02", Asked("PLT plug", 8))
    for code in ("B03", "G1"):
        with pytest.raises(NotAllowed):
            change(order, person(code), Wanted("PLT plug", 6))


def test_after_the_cut_off_only_whole_lines_come_off_until_they_are_picked(inked_farm, person):
    order = Order.objects.get(number="4902")
    now = farm_now()
    with pytest.raises(
        ChangeTooLate, match="could be changed until Mon 30 Nov 12:00 CST. Until it is"
    ):
        change(order, person("B02"), Wanted("PLT plug", 4), now=now)
    change(order, person("B02"), Wanted("TLW plug", 0), now=now)
    assert Promise.objects.get(line__order=order, line__listing__name="TLW plug").state == "freed"
    assert changes_shown(order=order)[0].words == "TLW plug taken off (it was 3)"

    order.refresh_from_db()
    order.move_to("in pick")
    with pytest.raises(ChangeTooLate, match="4902 is in pick. Call the office"):
        change(order, person("B02"), Wanted("HRT plug", 0), now=now)


def test_noon_is_still_in_and_a_second_later_is_not(published_farm, person):
    order = send("C02", Asked("PLT plug", 8))
    change(order, person("B02"), Wanted("PLT plug", 9), now=farm_time("2026-11-30 12:00"))
    with pytest.raises(ChangeTooLate):
        change(order, person("B02"), Wanted("PLT plug", 8), now=farm_time("2026-11-30 12:00:01"))


def test_a_withdrawn_order_keeps_the_record_and_cannot_be_changed(published_farm, person):
    order = send("C02", Asked("PLT plug", 8), Asked(CLAM, 2))
    withdraw_order(order_id=order.pk, now=LATER, user=person("B02"), reason="withdrawn by Petra")

    assert (pencilled(order), clams_promised(), standing(order)) == (0, 0, {})
    [kept] = OrderChange.objects.all()
    assert (kept.kind, kept.channel, kept.rows.count()) == ("withdrawn", "page", 2)
    with pytest.raises(ChangeTooLate, match="is withdrawn. Send a new order"):
        change(order, person("B02"), Wanted("PLT plug", 4))


def test_the_feed_tells_its_customer_once_a_change(published_farm, person):
    order = send("C10", Asked("PLT plug", 24, unit=12), ship_to="C10a")
    change(order, None, Wanted("PLT plug", 12), channel="api")
    assert Happening.objects.filter(kind="order.changed").count() == 1
    tick(LATER)

    [event] = FeedEvent.objects.filter(kind="order.changed")
    body = json.loads(event.body)
    assert (body["order"], body["version"]) == (order.number, 2)
    assert body["reason"] == "PLT plug 12 instead of 24"


@pytest.fixture
def api(published_farm, client):
    token = renew_token(client=FeedClient.objects.get(code="FC-1"))

    def call(method, address, body=None, **headers):
        return client.generic(
            method, f"/api/v1/{address}", json.dumps(body) if body else "",
            content_type="application/json",
            headers={"authorization": f"Bearer {token}", **headers},
        )  # fmt: skip

    return call


def lines_body(*rows):
    return {"lines": [{"listing": name, "asked": asked} for name, asked in rows]}


def test_a_system_changes_its_order_by_the_reading_it_has(api):
    order = send("C10", Asked("PLT plug", 24, unit=12), Asked("HRT plug", 12), ship_to="C10a")
    address = f"orders/{order.number}/"
    body = lines_body(("PLT plug", 36), ("HRT plug", 0))
    missing = api("PATCH", address, body)
    assert (missing.status_code, missing.json()["code"]) == (428, "if_match_missing")

    read = api("GET", address)
    done = api("PATCH", address, body, **{"if-match": read["ETag"]})
    assert done.status_code == 200 and done["ETag"] != read["ETag"]
    assert api("GET", address)["ETag"] == done["ETag"]
    shown = done.json()
    assert (shown["version"], shown["lines"][0]["asked"], shown["lines"][0]["unit"]) == (2, 36, 12)
    assert shown["lines"][1]["state"] == "withdrawn"
    assert shown["changes"][0] | {"at": ""} == {
        "version": 2, "at": "", "by": "Kestrelmoor Reef Group's system", "from": "API",
        "words": "PLT plug 36 instead of 24; HRT plug taken off (it was 12)",
    }  # fmt: skip

    again = api("PATCH", address, body, **{"if-match": read["ETag"]})
    assert (again.status_code, again.json()["code"]) == (412, "order_changed_since")
    assert again["Content-Type"] == "application/problem+json"
    assert api("POST", f"{address}withdraw/", **{"if-match": read["ETag"]}).status_code == 412
    assert api("POST", f"{address}withdraw/").json()["state"] == "withdrawn"


def test_a_system_is_told_what_cannot_be(api):
    order = send("C10", Asked("PLT plug", 24, unit=12), ship_to="C10a")
    address = f"orders/{order.number}/"
    any_reading = {"if-match": "*"}
    wrong = api("PATCH", address, lines_body(("PLT plug", 30)), **any_reading)
    assert (wrong.status_code, wrong.json()["rows"][0]["code"]) == (422, "asked_not_whole_units")
    unread = api("PATCH", address, {"lines": [{"listing": "PLT plug", "asked": -1}]}, **any_reading)
    assert (unread.status_code, unread.json()["code"]) == (400, "body_not_right")
    theirs = send("C02", Asked("PLT plug", 8))
    other = api("PATCH", f"orders/{theirs.number}/", lines_body(("PLT plug", 2)), **any_reading)
    assert (other.status_code, other.json()["code"]) == (404, "unknown")

    move_clock(to=farm_time("2026-11-30 12:01"))
    late = api("PATCH", address, lines_body(("PLT plug", 36)), **any_reading)
    assert (late.status_code, late.json()["code"]) == (409, "change_too_late")


def fields(page):
    """Every field of the change page as a browser would send it back."""
    found = {}

    class Reader(HTMLParser):
        def handle_starttag(self, tag, attrs):
            row = dict(attrs)
            if tag == "input" and row.get("name", "") != "csrfmiddlewaretoken":
                found[row.get("name")] = row.get("value", "")

    Reader().feed(page)
    return {name: value for name, value in found.items() if name != "off"}


def test_the_page_changes_the_order_and_shows_it_in_sentences(published_farm, client, person):
    move_clock(to=LATER)
    order = send("C02", Asked("PLT plug", 8), Asked("HRT plug", 10))
    client.force_login(person("B02"))
    order_page = reverse("order", args=[order.number])
    address = reverse("change-order", args=[order.number])
    assert address in client.get(order_page).content.decode()
    form = fields(client.get(address).content.decode())
    assert (form["ask:PLT plug"], form["ask:BKP plug"]) == ("8", "")

    sent = client.post(address, form | {"ask:PLT plug": "12", "ask:BKP plug": "4"}, follow=True)
    shown = sent.content.decode()
    assert f"Order {order.number} is changed." in shown
    assert "Fri 27 Nov, 10:30, Petra Lunn, page" in shown, "by the shop's own clock"
    assert "PLT plug 12 instead of 8; BKP plug added, 4" in shown
    assert standing(order) == {"PLT plug": 12, "HRT plug": 10, "BKP plug": 4}


def test_an_older_window_keeps_what_was_typed_and_never_takes_a_change_back(
    published_farm, client, person
):
    move_clock(to=LATER)
    order = send("C02", Asked("PLT plug", 8), Asked("HRT plug", 10))
    address = reverse("change-order", args=[order.number])
    client.force_login(person("B02"))
    old = fields(client.get(address).content.decode())
    change(order, person("OF"), Wanted("PLT plug", 6))

    told = client.post(address, old | {"ask:HRT plug": "4"})
    words = told.content.decode()
    assert told.status_code == 412 and "PLT plug 6 instead of 8" in words
    again = fields(words)
    assert (again["ask:PLT plug"], again["ask:HRT plug"], again["version"]) == ("6", "4", "2")
    client.post(address, again)
    assert standing(order) == {"PLT plug": 6, "HRT plug": 4}


def test_a_field_that_cannot_be_read_is_named_where_it_stands(published_farm, client, person):
    move_clock(to=LATER)
    order = send("C02", Asked("PLT plug", 8))
    address = reverse("change-order", args=[order.number])
    client.force_login(person("B02"))
    form = fields(client.get(address).content.decode())
    told = client.post(address, form | {"ask:PLT plug": "1O", "ask:HRT plug": "5"})

    words = told.content.decode()
    assert told.status_code == 422 and "1O has a letter in it; type 10 if that is meant" in words
    assert fields(words)["ask:PLT plug"] == "1O" and standing(order) == {"PLT plug": 8}
    client.force_login(person("B03"))
    assert client.get(address).status_code == 404


def test_after_the_cut_off_the_page_takes_whole_lines_off(inked_farm, client, person):
    client.force_login(person("B02"))
    address = reverse("change-order", args=["4902"])
    page = page_words(client.get(address))
    assert "Take TLW plug off" in page and 'name="ask:' not in page
    client.post(address, {"version": fields(page)["version"], "off": ["TLW plug"]})

    assert "TLW plug" not in standing(Order.objects.get(number="4902"))


def test_a_buyer_reads_every_hour_by_the_clocks_at_the_door(inked_farm, person, client):
    order = Order.objects.get(number="4902")
    assert order.ship_to.time_zone == "America/New_York"
    client.force_login(person("B02"))
    assert b"sent Wed 25 Nov, 15:22" in client.get("/orders/4902/").content
    assert "cut-off</span> Mon 30 Nov, 13:00" in client.get("/").content.decode()
    client.force_login(person("OF"))
    assert b"sent Wed 25 Nov, 14:22" in client.get("/orders/4902/").content
    assert "cut-off</span> Mon 30 Nov, 12:00" in client.get("/").content.decode()
