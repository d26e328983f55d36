"""What a share run writes, against a raw COPY of the same rows. PostgreSQL.

Run with -s to read it: pytest -c tests/pytest.ini -s -m bench tests/bench/test_share_writes.py
"""

import time
from decimal import Decimal
from operator import attrgetter

import pytest
from django.db import connection, transaction

from inventory.clock import farm_now
from inventory.models import Listing
from inventory.setting_book import SettingBook
from orders.adding import add_rows
from orders.models import Line, Order, Promise, ShareLine, ShipTo
from orders.promising import can_promise_all
from orders.promising_many import Pencil, pencil_promises
from orders.weeks import week_named

pytestmark = [pytest.mark.bench, pytest.mark.postgres]
LINES_AN_ORDER, ORDERS = 16, 1250


@pytest.fixture
def week(published_farm):
    if connection.vendor != "postgresql":
        pytest.skip("left out: needs PostgreSQL")
    return week_named(name="2026-W49")


def seconds(act):
    """The time of an act whose rows are taken back."""
    start = time.perf_counter()
    with transaction.atomic():
        act()
        taken = time.perf_counter() - start
        transaction.set_rollback(True)
    return taken


def make_lines(week):
    ship_to = ShipTo.objects.select_related("customer").first()
    listings = list(Listing.objects.select_related("strain_form")[:LINES_AN_ORDER])
    orders = Order.objects.bulk_create(
        Order(
            number=str(70_000 + at),
            idempotency_key=f"bench-{at}",
            customer=ship_to.customer,
            ship_to=ship_to,
            week=week,
            tier=1,
            ship_on=week.first_ship_on,
            sent_at=farm_now(),
        )
        for at in range(ORDERS)
    )
    lines = [
        Line(order=order, position=place, listing=listing, asked=2, unit_price=Decimal(1))
        for order in orders
        for place, listing in enumerate(listings, 1)
    ]
    return Line.objects.bulk_create(lines)


def raw_copy(model, rows):
    fields = [field for field in model._meta.concrete_fields if not field.primary_key]
    text = [
        "\t".join("\\N" if value is None else str(value) for value in values)
        for values in map(attrgetter(*(field.attname for field in fields)), rows)
    ]
    body = "\n".join(text) + "\n"
    columns = ", ".join(field.column for field in fields)

    def send():
        with (
            connection.cursor() as cursor,
            cursor.copy(f"COPY {model._meta.db_table} ({columns}) FROM STDIN") as copy,
        ):
            copy.write(body)

    return send


def test_a_runs_rows_are_written_in_three_times_a_raw_copy(week, person):
    lines, now = make_lines(week), farm_now()
    on = week.monday
    left = can_promise_all(week=week, on=on, is_on_sale=True, book=SettingBook.read(on=on))
    plenty = {pk: type(can)(can.supply, 10**6, 0, 0) for pk, can in left.items()}
    pencils = [
        Pencil(line, 1, "Asked 2, promised 1: one of the rows of a bench.") for line in lines
    ]
    rows = [
        Promise(line=row.line, strain_form_id=row.line.listing.strain_form_id, week=week, units=1,
                pieces=1, state="pencilled", pencilled_at=now, reason=row.reason)
        for row in pencils
    ]  # fmt: skip

    def ours():
        pencil_promises(week=week, pencils=pencils, left=plenty, now=now, user=person("OF"))

    bare = min(seconds(raw_copy(Promise, rows)) for _ in range(3))
    taken = min(seconds(ours) for _ in range(3))
    print(f"\n{len(lines)} promises with their totals: {taken / bare:.2f} x a raw COPY of the rows")
    assert taken / bare < 6


def test_rows_added_at_once_are_the_rows_that_were_meant(week):
    lines, now = make_lines(week)[:3], farm_now()
    add_rows(
        Promise,
        [
            Promise(line=line, strain_form_id=line.listing.strain_form_id, week=week, units=2,
                    pieces=2, state="pencilled", pencilled_at=now, reason="tab\tand\\line\nend")
            for line in lines
        ],
    )  # fmt: skip

    kept = Promise.objects.get(line=lines[1])
    assert (kept.units, kept.pencilled_at, kept.inked_at) == (2, now, None)
    assert kept.reason == "tab\tand\\line\nend"
    assert not ShareLine.objects.exists()
