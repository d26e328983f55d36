"""A walk of 500 notes, synced, against one raw transaction that inserts the same rows.

Run with -s to read the ratio: pytest -c tests/pytest.ini -s -m bench tests/bench/test_walk_ratio.py
"""

import time
from contextlib import contextmanager
from datetime import timedelta

import pytest
from django.db import connection, transaction
from django.db.models import Max
from django.test.utils import CaptureQueriesContext
from tests_support import farm_time

from inventory.models import Balance, Count, Happening, Movement, Tray, Trough, WalkNote
from inventory.walk_sync import STORED, take_batch

pytestmark = pytest.mark.bench
NINE = farm_time("2026-11-25 09:00")
TABLES = (Movement, Count, WalkNote, Happening)
BOUND = 3
# The smallest of many counts, since whatever else runs here only adds; on a busy machine it takes
# more turns until both sides have had a quiet moment.
LEAST_TURNS, MOST_TURNS = 6, 30


def walk():
    """500 notes of one walk: looks and grades at every trough, counts and deaths at the trays."""
    troughs = list(Trough.objects.values_list("code", flat=True))
    kilns = ["A1", "A2"]
    held = Tray.objects.filter(trough__system__code="P").values_list("code", flat=True)
    trays = list(
        Balance.objects.filter(pieces__gt=8)
        .exclude(tray__code__in=list(held))
        .order_by("tray__code")
        .values_list("tray__code", "pieces")
    )
    notes = []
    for index in range(500):
        at = farm_time("2026-11-25 06:00") + timedelta(seconds=20 * index)
        note = {"client_id": f"walk-{index}", "looked_at": at.isoformat()}
        tray, pieces = trays[index % len(trays)]
        if index % 10 < 6:
            note |= {"place": troughs[index % len(troughs)], "kind": "look", "flow": "right"}
        elif index % 10 == 6:
            note |= {"place": kilns[index % 20 // 10], "kind": "grade", "strain": "KLN", "grade": 1}
        elif index % 10 == 7:
            note |= {"place": tray, "kind": "dead", "dead": 1}
        else:
            fewer = pieces - 3 - (index // len(trays)) % 4
            note |= {"place": tray, "kind": "count", "pieces": fewer, "sure": True}
        notes.append(note)
    return notes


def newest():
    """The highest key of each table before the sync."""
    return {model: model.objects.aggregate(last=Max("pk"))["last"] or 0 for model in TABLES}


def rows_since(before):
    """What a sync wrote: an insert and its plain rows, table by table."""
    found = []
    with connection.cursor() as cursor:
        # Moves before the counts and notes that name them.
        for model, last in before.items():
            table = model._meta.db_table
            cursor.execute(f'SELECT * FROM "{table}" WHERE id > %s ORDER BY id', [last])
            columns = [column[0] for column in cursor.description]
            names = ", ".join(f'"{name}"' for name in columns)
            marks = ", ".join(["%s"] * len(columns))
            statement = f'INSERT INTO "{table}" ({names}) VALUES ({marks})'
            found.append((statement, cursor.fetchall()))
    return found


@contextmanager
def undone():
    """A transaction that is taken back, so that the same rows can be written again."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@contextmanager
def timed(best, name):
    """Processor time, so that what else runs here does not count; the commit is the same."""
    start = time.process_time()
    yield
    best[name] = min(best.get(name, float("inf")), time.process_time() - start)


ALL_KINDS = {"look", "grade", "count", "dead"}


@pytest.mark.parametrize("kinds", [{"look"}, ALL_KINDS], ids=["looks", "all"])
def test_a_walk_of_five_hundred_notes_against_one_raw_transaction(farm, person, kinds):
    """Both write the same rows with one prepared insert a table; ours reads and weighs them too."""
    chosen = [note for note in walk() if note["kind"] in kinds]
    raws = [
        note | {"client_id": f"{again}-{note['client_id']}"} for again in "ab" for note in chosen
    ][:500]
    best = {}
    for turn in range(MOST_TURNS):
        before = newest()
        with undone():
            with timed(best, "sync"), transaction.atomic():
                batch = take_batch(raws=raws, received_at=NINE, user=person("G1"))
            written = rows_since(before)
        assert {row.outcome for row in batch.taken} == {STORED}
        with undone(), timed(best, "raw"), transaction.atomic(), connection.cursor() as cursor:
            for statement, rows in written:
                cursor.executemany(statement, rows)
        ratio = best["sync"] / best["raw"]
        if turn >= LEAST_TURNS and ratio < BOUND:
            break
    number = sum(len(rows) for _, rows in written)
    print(f"\n500 notes synced: {ratio:.1f} x a raw transaction of its {number} rows")
    assert number >= 500
    assert ratio < BOUND


def test_a_walk_takes_the_same_few_statements_whatever_its_length(farm, person):
    lengths = []
    for notes in (walk()[:50], walk()[50:]):
        with CaptureQueriesContext(connection) as queries:
            batch = take_batch(raws=notes, received_at=NINE, user=person("G1"))
        assert {row.outcome for row in batch.taken} == {STORED}
        # One prepared statement for many rows is listed once.
        lengths.append(len(queries))
    print(f"\nstatements for 50 and for 450 notes: {lengths}")
    assert max(lengths) <= 45
