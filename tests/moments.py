"""Moments of the farm, each played once a worker and then stood on by many tests.

What a test writes is undone with its transaction, so the moment under it is committed once and
stays. Another moment is laid in its place when a test asks for it; conftest.py sorts the tests by
their moment, so that this is seldom.
"""

from functools import partial

from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, transaction
from tests_support import farm_time

from inventory.triggers import drop_triggers, install_triggers

FARM_APPS = ("inventory", "orders", "shipping")
BARE = "bare"


def farm_models(*, with_joins=False):
    return [
        model
        for app in FARM_APPS
        for model in apps.get_app_config(app).get_models(include_auto_created=with_joins)
    ]


def is_transactional(item):
    """Whether a test commits what it writes, and is cleaned up by emptying every table."""
    marker = item.get_closest_marker("django_db")
    commits = marker is not None and marker.kwargs.get("transaction")
    return bool(commits) or not {"transactional_db", "live_server"}.isdisjoint(item.fixturenames)


def reads_tables(item):
    """Whether a test may open a table at all; pytest-django refuses it to all others."""
    return is_transactional(item) or (
        "db" in item.fixturenames or item.get_closest_marker("django_db") is not None
    )


def moment_of(item):
    """The moment a test's transaction begins on."""
    wanted = [FARMS[name] for name in item.fixturenames if name in FARMS]
    return wanted[0] if wanted and not is_transactional(item) else BARE


class Kept:
    """Rows of the farm at a moment, kept in memory: loading it anew takes seconds."""

    def __init__(self):
        self.rows = {}

    def keep(self, name):
        self.rows[name] = [(model, list(model._base_manager.all())) for model in farm_models()]

    def restore(self, name):
        # Foreign keys are checked at commit, so the order of the tables does not matter.
        with transaction.atomic():
            for model, rows in self.rows[name]:
                model._base_manager.bulk_create(rows, batch_size=500)
        follow_sequences()


def follow_sequences():
    """Have every table number on from its last row. PostgreSQL never takes a number back."""
    statements = connection.ops.sequence_reset_sql(no_style(), farm_models())
    if statements:
        with connection.cursor() as cursor:
            cursor.execute(" ".join(statements))


def _load(folder):
    from config import playing
    from config.loading import load_farm
    from inventory.clock import start_demo_clock
    from orders.feeding import make_client
    from orders.models import Customer

    load_farm(folder=folder, now=farm_time("2026-11-25 09:00"))
    make_client(code="FC-1", customer=Customer.objects.get(code="C10"))
    playing.open_weeks(folder=folder)
    start_demo_clock(at=farm_time("2026-10-01 00:00"))
    _play(folder, "2026-11-25 09:00")


def _play(folder, until):
    from config import playing

    playing.play(folder=folder, until=farm_time(until))


def _autumn(folder):
    from autumn_scene import play_autumn

    play_autumn(folder)


def _rest(folder):
    from autumn_scene import rest

    rest(folder)


# The demo from its first morning on, and job story A5; each moment is played on from the one before
# it in its row.
PLAYED = (
    {
        "morning": _load,
        "published": partial(_play, until="2026-11-25 14:00"),
        "closed": partial(_play, until="2026-11-30 12:15"),
        "inked": partial(_play, until="2026-11-30 14:45"),
        "drawn": partial(_play, until="2026-12-01 05:45"),
        "arrived": partial(_play, until="2026-12-02 13:00"),
        "open": partial(_play, until="2026-12-04 16:00"),
    },
    {"autumn": _autumn, "rested": _rest},
)
MOMENTS = [BARE, *(name for moments in PLAYED for name in moments)]
# The fixtures of conftest.py that stand on them.
FARMS = {"farm": "morning"} | {f"{name}_farm": name for name in MOMENTS[2:]}


class Ground:
    """What is committed in this worker's database while no test runs."""

    def __init__(self):
        self.kept = Kept()
        self.at = ""

    def stand(self, name, *, folder):
        """Have a moment committed, before a test's transaction begins."""
        if not self.at:
            self.kept.keep(BARE)
            self.at = BARE
        if self.at == name:
            follow_sequences()
            return
        self._empty()
        if name != BARE:
            self.lay(name, folder=folder)
        self.at = name

    def lay(self, name, *, folder):
        """Lay a moment over empty tables, inside whatever transaction there is."""
        self._play(name, folder)
        self.kept.restore(name)

    def _empty(self):
        drop_triggers(connection)
        tables = [model._meta.db_table for model in farm_models(with_joins=True)]
        connection.ops.execute_sql_flush(
            connection.ops.sql_flush(no_style(), tables, reset_sequences=True)
        )
        install_triggers(connection)
        self.kept.restore(BARE)
        self.at = BARE

    def _play(self, name, folder):
        """Keep every moment up to a name. What is played is undone: only its rows are wanted."""
        moments = next(row for row in PLAYED if name in row)
        wanted = list(moments)[: list(moments).index(name) + 1]
        known = [moment for moment in wanted if moment in self.kept.rows]
        if known == wanted:
            return
        with transaction.atomic():
            if known:
                self.kept.restore(known[-1])
            for moment in wanted[len(known) :]:
                moments[moment](folder)
                self.kept.keep(moment)
            transaction.set_rollback(True)
