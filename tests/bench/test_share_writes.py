"""A whole sharing out with all that it writes, against a raw COPY of the same rows. PostgreSQL.

Run with -s to read it: pytest -c tests/pytest.ini -s -m bench tests/bench/test_share_writes.py
"""

import time
from decimal import Decimal
from operator import attrgetter

import numpy as np
import pytest
from django.db import connection, transaction
from django.db.models import F

from inventory.bulk import insert_rows, time_value
from inventory.clock import farm_now
from inventory.models import Balance, Listing
from orders.models import Line, Order, Promise, PromisedTotal, ShareLine, ShareRun, ShipTo
from orders.promising_many import COLUMNS
from orders.share_runs import replay_run
from orders.sharing import share_out
from orders.weeks import week_named

pytestmark = [pytest.mark.bench, pytest.mark.postgres]
LINES_AN_ORDER, ORDERS = 16, 1250
# The smallest of many counts: more turns where the machine is busy.
LEAST_RUNS, MOST_RUNS = 8, 24


@pytest.fixture
def week(published_farm):
    if connection.vendor != "postgresql":
        pytest.skip("left out: needs PostgreSQL")
    week = week_named(name="2026-W49")
    week.closed_at = week.cut_off_at
    week.save()
    return week


def make_lines(week):
    """Orders of sixteen lines, and stock for some two thirds of what they ask."""
    chance = np.random.default_rng(20261130)
    Balance.objects.update(pieces=F("pieces") * 120)
    ship_to = ShipTo.objects.select_related("customer").first()
    listings = list(Listing.objects.select_related("strain_form")[:LINES_AN_ORDER])
    orders = Order.objects.bulk_create(
        Order(
            number=str(70_000 + at),
            idempotency_key=f"bench-{at}",
            customer=ship_to.customer,
            ship_to=ship_to,
            week=week,
            tier=int(chance.integers(1, 4)),
            ship_on=week.first_ship_on,
            sent_at=farm_now(),
        )
        for at in range(ORDERS)
    )
    asked = chance.integers(1, 24, (ORDERS, LINES_AN_ORDER)).tolist()
    lines = [
        Line(order=order, position=place, listing=listing, asked=units, unit_price=Decimal(1))
        for order, row in zip(orders, asked, strict=True)
        for place, (listing, units) in enumerate(zip(listings, row, strict=True), 1)
    ]
    return Line.objects.bulk_create(lines)


def copy_of(model, rows):
    """The statement and the text of a raw COPY of rows, and how many there are."""
    fields = [field for field in model._meta.concrete_fields if not field.primary_key]
    text = [
        "\t".join("\\N" if value is None else str(value).replace("\\", "\\\\") for value in values)
        for values in map(attrgetter(*(field.attname for field in fields)), rows)
    ]
    columns = ", ".join(field.column for field in fields)
    statement = f"COPY {model._meta.db_table} ({columns}) FROM STDIN"
    return statement, "\n".join(text) + "\n", f"{len(text)} {model.__name__}"


def what_it_writes(week, user):
    """All rows that a sharing out writes, as they are copied. It is taken back."""
    there = set(Promise.objects.values_list("pk", flat=True))
    with transaction.atomic():
        run = share_out(week=week, now=farm_now(), user=user)
        assert replay_run(run=run) == run.result
        assert run.lines.count() == LINES_AN_ORDER * ORDERS
        copies = [
            copy_of(ShareRun, [run]),
            copy_of(ShareLine, run.lines.all()),
            copy_of(Promise, Promise.objects.exclude(pk__in=there)),
            copy_of(PromisedTotal, PromisedTotal.objects.filter(week=week)),
        ]
        transaction.set_rollback(True)
    return copies


def shared_out(week, user):
    with transaction.atomic():
        start = time.perf_counter()
        share_out(week=week, now=farm_now(), user=user)
        taken = time.perf_counter() - start
        transaction.set_rollback(True)
    return taken


def copied(week, copies):
    with transaction.atomic(), connection.cursor() as cursor:
        PromisedTotal.objects.filter(week=week).delete()
        start = time.perf_counter()
        for statement, body, _ in copies:
            with cursor.copy(statement) as copy:
                copy.write(body)
        taken = time.perf_counter() - start
        transaction.set_rollback(True)
    return taken


def test_a_whole_sharing_out_takes_three_times_a_raw_copy_at_most(week, person):
    make_lines(week)
    user = person("OF")
    copies = what_it_writes(week, user)
    taken, bare = [], []
    for turn in range(MOST_RUNS):
        taken.append(shared_out(week, user))
        bare.append(copied(week, copies))
        ratio = min(taken) / min(bare)
        if turn >= LEAST_RUNS and ratio < 3:
            break

    print(f"\nShared out: {', '.join(words for *_, words in copies)}: {min(taken):.2f} s, "
          f"{ratio:.2f} x a raw COPY of the rows ({min(bare):.2f} s)")  # fmt: skip
    # 2.0 to 2.4 in three runs beside four programmes on two cores.
    assert ratio < 3


def test_rows_added_at_once_are_the_rows_that_were_meant(week):
    lines, now = make_lines(week)[:3], farm_now()
    words = "tab\tand\\line\nend"
    when = "pencilled", time_value(now), None
    insert_rows(
        model=Promise,
        columns=COLUMNS,
        rows=[
            (line.pk, line.listing.strain_form_id, week.pk, 2, 2, 0, *when, None, words)
            for line in lines
        ],
    )

    kept = Promise.objects.get(line=lines[1])
    assert (kept.units, kept.pencilled_at, kept.inked_at) == (2, now, None)
    assert kept.reason == words
    assert not ShareLine.objects.exists()
