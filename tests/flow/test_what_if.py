"""What-ifs: nothing is written until signed, and then exactly what was shown."""

import html
from datetime import date
from decimal import Decimal

import pytest
from django.conf import settings
from django.test import Client
from tests_support import farm_time, table_rows

from config import what_if
from config.ticking import tick
from config.what_if_acts import (
    LiftHold,
    LowerFloor,
    MoveShipDay,
    NewPrice,
    OtherWeather,
    RaiseHold,
)
from inventory.errors import NotAllowed
from inventory.models import Change, Happening, Hold, Listing, Message, Strain
from orders.models import Order, Price, ShipTo
from orders.weeks import week_named
from shipping.models import PackPlan


def files_of_the_farm():
    return sorted(
        (str(path), path.stat().st_mtime_ns, path.stat().st_size)
        for path in settings.FARM_HOME.rglob("*")
        if path.is_file() and "sqlite" not in path.name
    )


def lift(day):
    return LiftHold(hold=Hold.objects.get(code="HD-1"), on=day)


def plt():
    return Listing.objects.get(name="PLT plug")


def every_act():
    """One of each kind, with inputs that change something on Mon 30 Nov, 15:30."""
    return [
        lift(date(2026, 11, 30)),
        lift(date(2026, 12, 11)),
        RaiseHold("system", "A", "confirmed", "egg patch"),
        MoveShipDay(Order.objects.get(number="4902").ship_to.lane.code, date(2026, 12, 1),
                    date(2026, 12, 2), "a later truck"),
        OtherWeather(ShipTo.objects.get(code="C01"), date(2026, 12, 1), -20, -27, -27, -20),
        NewPrice(plt(), Decimal("15.50"), date(2026, 11, 30), "dearer light"),
        LowerFloor(Strain.objects.get(key="RKP"), 8, "two more mothers are grading"),
    ]  # fmt: skip


def test_a_what_if_leaves_every_table_and_file_as_it_was(drawn_farm, person):
    now = farm_time("2026-11-30 16:00")
    tables, files = table_rows(), files_of_the_farm()

    asked = [what_if.ask(act=act, now=now, user=person("OF")) for act in every_act()]

    assert table_rows() == tables
    assert files_of_the_farm() == files
    assert all(row.changes or row.plans for row in asked), [row.sentence for row in asked]


def test_the_sentence_of_a_lift(open_farm, person):
    asked = what_if.ask(
        act=lift(date(2026, 12, 11)), now=farm_time("2026-12-04 16:00"), user=person("OF")
    )

    assert asked.sentence == (
        "If this hold lifts on Fri 11 Dec: W51 gains 72 Penny Row, 28 Bell Rope, 25 Clover Mat, "
        "20 Tea Caddy; four listings come back from nothing. "
        "Needs one more clean look on the day."
    )
    assert asked.besides.startswith(
        "In W51 4 Fiddle Rosin, 2 Rhubarb Crate are no longer kept back as mothers. 23 listings"
    )


def test_a_lift_too_early_says_who_could(open_farm, person):
    asked = what_if.ask(
        act=lift(date(2026, 12, 7)), now=farm_time("2026-12-04 16:00"), user=person("OF")
    )

    assert "the last on Fri 11 Dec at the earliest" in asked.sentence
    assert "only the owner" in asked.sentence


def test_a_lift_on_a_later_day_is_only_a_question(open_farm, person):
    act, now = lift(date(2026, 12, 11)), farm_time("2026-12-04 16:00")
    shown = what_if.ask(act=act, now=now, user=person("LD"))

    with pytest.raises(what_if.OnlyAQuestion):
        what_if.sign(act=act, mark=shown.mark, now=now, user=person("LD"))

    assert Hold.objects.get(code="HD-1").is_open


def test_the_office_may_ask_for_a_lift_and_not_sign_it(open_farm, person):
    act, now = lift(date(2026, 12, 4)), farm_time("2026-12-04 16:00")
    shown = what_if.ask(act=act, now=now, user=person("OF"))

    with pytest.raises(NotAllowed):
        what_if.sign(act=act, mark=shown.mark, now=now, user=person("OF"))


def test_what_is_signed_is_what_was_shown(open_farm, person):
    now = farm_time("2026-12-04 16:00")
    act = LowerFloor(Strain.objects.get(key="RKP"), 8, "two more mothers are grading")
    shown = what_if.ask(act=act, now=now, user=person("OW"))

    what_if.sign(act=act, mark=shown.mark, now=now, user=person("OW"))

    assert what_if.picture(now=now, act=act) == shown.after
    change = Change.objects.get(what="strain", name="RKP")
    assert (change.was, change.now, change.user, change.reason) == (
        "16", "8", person("OW"), "two more mothers are grading")  # fmt: skip


def test_a_signature_on_an_older_picture_writes_nothing(open_farm, person):
    now = farm_time("2026-12-04 16:00")
    act = NewPrice(plt(), Decimal("15.50"), date(2026, 12, 4), "dearer light")
    shown = what_if.ask(act=act, now=now, user=person("OF"))
    strain = Strain.objects.get(key="RKP")
    what_if.sign(
        act=(floor := LowerFloor(strain, 8, "enough of them")),
        mark=what_if.ask(act=floor, now=now, user=person("OW")).mark,
        now=now,
        user=person("OW"),
    )
    tables = table_rows()

    with pytest.raises(what_if.FarmChangedSince):
        what_if.sign(act=act, mark=shown.mark, now=now, user=person("OF"))

    assert table_rows() == tables


def test_a_price_changes_the_open_list_and_no_order(open_farm, person):
    now = farm_time("2026-12-04 16:00")
    act = NewPrice(plt(), Decimal("15.50"), date(2026, 12, 4), "dearer light")
    shown = what_if.ask(act=act, now=now, user=person("OF"))
    assert "W50 lists PLT plug at 15.50 instead of 14.00" in shown.sentence
    assert any("keeps the price" in words for _, words in shown.touched)
    prices = dict(Order.objects.values_list("number", "lines__unit_price"))

    what_if.sign(act=act, mark=shown.mark, now=now, user=person("OF"))
    tick(now)

    newest = week_named(name="2026-W50").versions.order_by("-number").first()
    assert newest.lines.get(listing__name="PLT plug").price_tier_1 == Decimal("15.50")
    assert "dearer light" in newest.reason
    assert dict(Order.objects.values_list("number", "lines__unit_price")) == prices
    assert Price.objects.filter(listing=plt()).count() == 2


def test_other_weather_shows_each_verdict_and_freight_before_and_after(drawn_farm, person):
    now = farm_time("2026-11-30 16:00")
    act = OtherWeather(ShipTo.objects.get(code="C01"), date(2026, 12, 1), -20, -27, -27, -20)

    shown = what_if.ask(act=act, now=now, user=person("OF"))

    (row,) = shown.plans
    standing = PackPlan.objects.get(order__number="4901", void_at__isnull=True)
    assert (row.order, row.was.verdict) == ("4901", standing.verdict)
    assert row.was.freight == str(standing.freight)
    assert row.now.verdict in ("care", "stop")
    assert Happening.objects.filter(kind="plan.changed", at=now).count() == 0
    assert Message.objects.filter(key__contains="4901", written_at__gte=now).count() == 0


@pytest.fixture
def office(person):
    browser = Client()
    browser.force_login(person("OW"), backend="django.contrib.auth.backends.ModelBackend")
    return browser


def test_a_question_has_an_address_and_its_signature_needs_its_mark(open_farm, office):
    typed = {"act": "floor", "strain": "RKP", "pieces": "8", "reason": "enough of them"}
    answer = office.get("/what-if/", typed)
    mark = answer.context["asked"].mark

    refused = office.post("/what-if/", {**typed, "mark": "0" * 64})
    assert refused.status_code == 409 and "Nothing was written" in refused.content.decode()
    assert Strain.objects.get(key="RKP").floor_pieces == 16

    office.post("/what-if/", {**typed, "mark": mark})
    assert Strain.objects.get(key="RKP").floor_pieces == 8


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"act": "floor", "strain": "RKP", "pieces": "7"}, "Choose 8 or more"),
        ({"act": "floor", "strain": "RKP", "pieces": "eight"}, "is not a whole number"),
        ({"act": "price", "listing": "PLT plug", "list_price": "NaN",
          "starts_on": "2026-12-04", "reason": "x"}, "NaN is no price"),
        ({"act": "price", "listing": "PLT plug", "list_price": "14.005",
          "starts_on": "2026-12-04", "reason": "x"}, "14.005 is no price"),
        ({"act": "price", "listing": "PLT plug", "list_price": "15",
          "starts_on": "2026-12-01", "reason": "x"}, "has passed"),
        ({"act": "lift", "hold": "HD-1", "on": "soon"}, "is not a day"),
        ({"act": "raise", "scope_kind": "system", "scope": "Z", "grade": "suspected",
          "reason": "x"}, "Z"),
        ({"act": "weather", "ship_to": "C01", "ship_on": "2026-12-08", "evening_c": "1e9"},
         "a temperature from -60 to 60"),
        ({"act": "day", "lane": "nowhere"}, "nowhere"),
        ({"act": "burn"}, "burn"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_says_what_to_type(open_farm, office, typed, said):
    answer = office.get("/what-if/", typed)

    assert answer.status_code in (404, 409, 422)
    assert said in html.unescape(answer.content.decode())
