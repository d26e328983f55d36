"""Moments of the demo farm, each played once a worker and then stood on by many tests.

What a test writes is undone with its transaction, so the moment under it is committed once and
stays. Another moment is laid in its place when a test asks for it; conftest.py sorts the tests by
their moment, so that this is seldom.
"""

from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, transaction
from tests_support import farm_time

from inventory.triggers import drop_triggers, install_triggers

FARM_APPS = ("inventory", "orders", "shipping")
BARE = "bare"
# Moments of the demo in their order; each is played on from the one before it.
MOMENTS = {
    "morning": "2026-11-25 09:00",
    "published": "2026-11-25 14:00",
    "closed": "2026-11-30 12:15",
    "inked": "2026-11-30 14:45",
    "drawn": "2026-12-01 05:45",
    "arrived": "2026-12-02 13:00",
    "open": "2026-12-04 16:00",
}
# The fixtures of conftest.py that stand on them.
FARMS = {
    "farm": "morning",
    **{f"{name}_farm": name for name in MOMENTS if name != "morning"},
}


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
        from config import playing

        wanted = list(MOMENTS)[: list(MOMENTS).index(name) + 1]
        known = [moment for moment in wanted if moment in self.kept.rows]
        if known == wanted:
            return
        with transaction.atomic():
            if known:
                self.kept.restore(known[-1])
            else:
                _load(folder)
            for moment in wanted[len(known) :]:
                playing.play(folder=folder, until=farm_time(MOMENTS[moment]))
                self.kept.keep(moment)
            transaction.set_rollback(True)


def _load(folder):
    from config import playing
    from config.loading import load_farm
    from inventory.clock import start_demo_clock
    from orders.feeding import make_client
    from orders.models import Customer

    load_farm(folder=folder, now=farm_time(MOMENTS["morning"]))
    make_client(code="FC-1", customer=Customer.objects.get(code="C10"))
    playing.open_weeks(folder=folder)
    start_demo_clock(at=farm_time("2026-10-01 00:00"))
