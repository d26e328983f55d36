"""Job story A14: the same orders, loaded in another sequence, get the same shares and sentences."""

import json
from datetime import datetime

from django.db import transaction
from django.test import Client
from tests_support import farm_time

from config.playing import rows_of, zone
from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.models import Clock
from orders.exporting import tick_export
from orders.feeding import make_client, renew_token
from orders.models import Customer, ExportTick, FeedClient, Order, ShareLine, ShipTo
from orders.share_runs import replay_run
from orders.sharing import share_out
from orders.weeks import week_named

WEEK = "2026-W49"
CUT_OFF = farm_time("2026-11-30 12:00")
SHARE_AT = farm_time("2026-11-30 12:30")
# As worked, in order-number sequence: 4901 to 4905, 4907, 4908, 4910.
PLT = {"C01": 6, "C02": 8, "C03": 4, "C04": 8, "C05": 7, "C07": 4, "C08": 7, "C10a": 12}
OF_4902 = (
    "Asked 12, promised 8: 56 pieces for 88 asked; floor 2, weighted share 4.94 of the 30 then "
    "left, 1 of the last 5; same rule for all; hand changes: none."
)


def orders_of_the_week(folder):
    """The week's orders as retailers' systems send them: ship-to, moment, body."""
    lines = {}
    for row in rows_of(folder, "order_lines.csv"):
        asked = {"listing": row["listing"], "asked": int(row["asked"]), "unit": int(row["unit"])}
        lines.setdefault(row["order"], []).append(asked | {"least": int(row["least"])})
    found = []
    for row in rows_of(folder, "orders.csv"):
        at = datetime.fromisoformat(row["placed_at"]).replace(tzinfo=zone())
        if at < CUT_OFF:
            body = {"ship_to": row["ship_to"], "week": WEEK, "ship_on": row["ship_day"]}
            found.append((row["ship_to"], at, body | {"lines": lines[row["order"]]}))
    return found


def tokens():
    """A token for every customer's own system."""
    for customer in Customer.objects.all():
        if not FeedClient.objects.filter(customer=customer).exists():
            make_client(code=f"T-{customer.code}", customer=customer)
    clients = FeedClient.objects.select_related("customer")
    return {row.customer.code: renew_token(client=row) for row in clients}


def post_all(orders, person):
    """Each order through the feed at its own moment, in the sequence given; then the cut-off."""
    system, keys = Client(), tokens()
    for ship_to, at, body in orders:
        # The farm's clock runs forward only; a late packet's moment is what is played here.
        Clock.objects.update(demo_now_at=at)
        customer = ShipTo.objects.get(code=ship_to).customer.code
        answer = system.post(
            "/api/v1/orders/",
            json.dumps(body),
            "application/json",
            headers={"authorization": f"Bearer {keys[customer]}", "idempotency-key": ship_to},
        )
        assert answer.status_code == 201, answer.content
    abroad = Order.objects.get(ship_to__code="C11")
    for kind in ExportTick.Kind.values:
        tick_export(order_number=abroad.number, kind=kind, user=person("OF"), now=farm_now())
    move_clock(to=farm_time("2026-11-30 12:15"))
    tick(farm_now())


def shares_of(orders, person):
    """What a fresh farm gives: by ship-to and listing the share and both its sentences."""
    with transaction.atomic():
        post_all(orders, person)
        numbers = dict(Order.objects.values_list("ship_to__code", "number"))
        run = share_out(week=week_named(name=WEEK), now=SHARE_AT, user=person("OF"))
        assert replay_run(run=run) == run.result
        rows = ShareLine.objects.filter(run=run).select_related("line__order__ship_to")
        found = {
            (row.line.order.ship_to.code, row.line.listing.name): (
                row.asked, row.promised, row.first_come, row.equal, row.proportional,
                row.sentence, row.buyer_sentence,
            )
            for row in rows.select_related("line__listing__strain_form__form")
        }  # fmt: skip
        transaction.set_rollback(True)
    return found, numbers


def test_the_same_orders_in_another_sequence_get_the_same_bytes(
    published_farm, fixtures_folder, person
):
    sent = orders_of_the_week(fixtures_folder)
    turned = [
        (ship_to, at, body | {"lines": body["lines"][::-1]}) for ship_to, at, body in sent[::-1]
    ]
    assert len(sent) == 14

    first, first_numbers = shares_of(sent, person)
    other, other_numbers = shares_of(turned, person)

    # Another sequence indeed: whoever came first is numbered last.
    in_turn = sorted(first_numbers, key=first_numbers.get)
    assert sorted(other_numbers, key=other_numbers.get) == in_turn[::-1]
    assert {to: row[1] for (to, name), row in first.items() if name == "PLT plug"} == PLT
    assert first["C02", "PLT plug"][5] == OF_4902
    as_bytes = [json.dumps(sorted(map(str, found.items()))).encode() for found in (first, other)]
    assert as_bytes[0] == as_bytes[1]
