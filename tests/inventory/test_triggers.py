"""The ledger stays append-only when a table is built anew, as SQLite does to alter a column."""

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import connection, models, transaction
from django.db.utils import DatabaseError

from inventory.triggers import APPEND_ONLY_TABLES, drop_triggers

pytestmark = pytest.mark.django_db(transaction=True)


def ledger_triggers():
    """Names of the triggers on the ledger, as the database itself lists them."""
    wanted = {
        "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = %s",
        "postgresql": "SELECT tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid "
        "WHERE NOT tgisinternal AND relname = %s",
    }[connection.vendor]
    with connection.cursor() as cursor:
        cursor.execute(wanted, ["inventory_movement"])
        return sorted(name for (name,) in cursor.fetchall())


BOTH = ["inventory_movement_no_delete", "inventory_movement_no_update"]


def alter_note(length):
    """What a migration with an AlterField of the ledger's note would do to the table."""
    movement = apps.get_model("inventory", "Movement")
    old = movement._meta.get_field("note")
    new = models.CharField(max_length=length, blank=True)
    new.set_attributes_from_name("note")
    new.model = movement
    with connection.schema_editor() as editor:
        editor.alter_field(movement, old, new)


def test_triggers_are_back_after_a_table_was_built_anew():
    assert ledger_triggers() == BOTH
    alter_note(220)
    if connection.vendor == "sqlite":
        # The danger itself: the rebuilt table has lost them without a word.
        assert ledger_triggers() == []

    call_command("migrate", verbosity=0)

    assert ledger_triggers() == BOTH
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        insert_a_row(cursor)
        cursor.execute("DELETE FROM inventory_movement")


def insert_a_row(cursor):
    """One row of the ledger without the rows it names: both databases check those at the end."""
    if connection.vendor == "postgresql":
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
    cursor.execute(
        "INSERT INTO inventory_movement "
        "(at, lot_id, from_place_id, to_place_id, pieces, reason, device, note) "
        "VALUES ('2026-11-25 09:00:00+00', 1, 1, 2, 5, 'shift', '', '')"
    )


def test_migrating_twice_leaves_one_of_each():
    call_command("migrate", verbosity=0)
    call_command("migrate", verbosity=0)

    assert ledger_triggers() == BOTH


def test_what_is_published_is_frozen_beside_the_ledger():
    assert APPEND_ONLY_TABLES[0] == "inventory_movement"
    assert {"orders_listversion", "orders_listline"} <= set(APPEND_ONLY_TABLES)


def test_dropping_takes_both_away():
    drop_triggers(connection)

    assert ledger_triggers() == []
