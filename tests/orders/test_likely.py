"""The likely promise: the rule run on what is asked now, as words with a band, and their record."""

from datetime import UTC, datetime

import pytest
from tests_support import farm_time

from inventory.clock import farm_now, move_clock
from orders.calc.likely import Likely, ask_growth, likely_promise
from orders.calc.share_rules import RuleSettings
from orders.calc.sharing import Ask
from orders.intake import Asked, send_order
from orders.likely import read_asks, refresh_when_due, track_record
from orders.models import AskSnapshot, Customer, Order
from orders.weeks import week_named

# job.md 7.9, W49 PLT: 56 for 88 asked, one unit of twelve.
PLT = [
    ("4901", 8, 1, 1),
    ("4903", 6, 1, 1),
    ("4904", 12, 1, 2),
    ("4905", 10, 1, 1),
    ("4907", 6, 1, 1),
    ("4908", 10, 1, 2),
    ("4910", 24, 12, 3),
]


def ask(ref, asked, unit, tier):
    sent_at = datetime(2026, 11, 25, 20, int(ref) % 60, tzinfo=UTC)
    return Ask(ref, ref, asked, unit, tier, sent_at, least=unit, customer=ref)


def own(asked=12):
    return ask("4902", asked, 1, 2)


def likely(others=PLT, mine=None, **more):
    return likely_promise(
        rule="mixed",
        available=56,
        others=[ask(*row) for row in others],
        own=mine or own(),
        settings=RuleSettings(),
        **more,
    )


def test_the_rule_run_on_what_is_asked_now():
    """With the orders of the worked list, 4902's 12 get 8, and fewer if the others ask for more."""
    found = likely()
    assert (found.asked, found.likely) == (12, 8)
    assert found.low < found.likely == found.high


def test_words():
    assert Likely(8, 5, 6, 7).words == "8 asked, likely 6 (5-7)"
    assert Likely(8, 6, 6, 6).words == "8 asked, likely 6"
    assert Likely(8, 8, 8, 8).words == "likely all 8"
    assert Likely(0, 0, 0, 0).words == ""


def test_growth_is_learned_once_four_lists_are_known():
    assert ask_growth(ratios=[2.0] * 3) == (1.5, 1.0)
    assert ask_growth(ratios=[1.0, 1.2, 1.4, 1.6, 1.8]) == pytest.approx((1.64, 1.16))
    # Only the last eight lists count.
    assert ask_growth(ratios=[9.0] * 5 + [1.0] * 8) == pytest.approx((1.0, 1.0))


@pytest.fixture
def order(week):
    def act(customer, asked, *, unit=1, ship_to=None, source="page", listing="PLT plug"):
        row = Customer.objects.get(code=customer)
        return send_order(
            customer=row,
            ship_to_code=ship_to or customer,
            week=week,
            ship_on=week.first_ship_on,
            rows=[Asked(listing=listing, asked=asked, unit=unit)],
            source=source,
            idempotency_key=f"{customer}-{asked}-{source}",
            now=farm_now(),
        )

    return act


def band(week, asked=12):
    asks = read_asks(week=week, now=farm_now())
    return asks.likely(listing="PLT plug", asked=asked, customer="C02", tier=2)


def test_24_more_asked_by_a_retailer_s_system_moves_another_buyer_s_band(week, order, client):
    from config.ticking import tick
    from orders.feeding import renew_token
    from orders.models import FeedClient

    for shop, asked in (("C01", 12), ("C03", 12), ("C04", 16)):
        order(shop, asked)
    tick(farm_now())
    before = band(week)
    token = renew_token(client=FeedClient.objects.get(code="FC-1"))
    answer = client.post(
        "/api/v1/orders/",
        {
            "week": "2026-W49",
            "ship_to": "C10a",
            "ship_on": week.first_ship_on.isoformat(),
            "lines": [{"listing": "PLT plug", "asked": 24, "unit": 12}],
        },
        content_type="application/json",
        headers={"authorization": f"Bearer {token}", "idempotency-key": "likely-1"},
    )
    assert answer.status_code == 201, answer.content
    tick(farm_now())
    after = band(week)
    assert (after.low, after.likely) < (before.low, before.likely)
    assert after.words != before.words


def test_asks_are_read_again_every_ten_minutes(week, order):
    refresh_when_due(now=farm_now())
    assert refresh_when_due(now=farm_now()) == 0
    move_clock(to=farm_time("2026-11-25 14:11"))
    assert refresh_when_due(now=farm_now()) == 1
    assert AskSnapshot.objects.get().at == farm_now()


def test_totals_are_shown_only_where_five_shops_asked(week, order):
    from orders.likely import refresh_asks

    for shop in ("C01", "C02", "C03", "C04"):
        order(shop, 16)
    refresh_asks(week=week, now=farm_now())
    assert read_asks(week=week, now=farm_now()).total_words("PLT plug") == ""
    order("C06", 16)
    refresh_asks(week=week, now=farm_now())
    assert read_asks(week=week, now=farm_now()).total_words("PLT plug") == "80 asked of 56"


def test_what_was_said_is_compared_with_what_was_promised(week, person, client):
    from config.ticking import tick

    client.force_login(person("B02"))
    client.post("/weeks/2026-W49/list/", {"act": "send", "ask:PLT plug": "12", "key": "said"})
    order = Order.objects.get()
    said = order.lines.get().likely
    assert (said.low, said.high) == (12, 12)
    assert track_record() == (0, 0)
    move_clock(to=farm_time("2026-11-30 12:05"))
    tick(farm_now())
    from orders.sharing import ink_promises, share_out

    share_out(week=week_named(name="2026-W49"), now=farm_now(), user=person("OF"))
    ink_promises(week=week_named(name="2026-W49"), now=farm_now(), user=person("OF"))
    assert track_record() == (1, 1)
