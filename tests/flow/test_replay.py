"""The same week gives the same bytes on both databases and in any later run."""

import hashlib

from inventory.clock import farm_now
from orders.models import ListVersion
from orders.share_runs import replay_run, trace_of_run
from orders.sharing import share_out
from orders.weeks import week_named

# Written by the first run; every other run, on SQLite and on PostgreSQL, has to give them again.
LIST_HASH = "b89d66ce094724d95f0c082b08ef5db87a4e2faffbc9778da0b856a83ae35412"
INPUTS_HASH = "82b5b6187cc30cc19557400170e92d174825d9fbb9b1126f889ee2ccbd64fef2"
TRACE_HASH = "5e095dd0d716fa66dd5bbab085c8365f96654ca74b55a659c1681f8ba403ff7e"


def test_the_first_list_is_the_same_bytes_everywhere(published_farm):
    version = ListVersion.objects.get(number=1, week__name="2026-W49")

    assert version.snapshot_hash == LIST_HASH
    assert hashlib.sha256(version.snapshot.encode()).hexdigest() == LIST_HASH


def test_a_share_run_is_the_same_bytes_everywhere_and_when_replayed(closed_farm, person):
    run = share_out(week=week_named(name="2026-W49"), now=farm_now(), user=person("OF"))
    trace = trace_of_run(run=run)

    assert run.inputs_hash == INPUTS_HASH
    assert hashlib.sha256(trace.encode()).hexdigest() == TRACE_HASH
    assert replay_run(run=run) == run.result
