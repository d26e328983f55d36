"""Append-only triggers on the ledger and on what is published, for SQLite and PostgreSQL.

SQLite rebuilds a table to alter a column and silently drops its triggers, so they are installed
again after every migrate. Flush between tests would trip over them: tests drop and restore them.
"""

from typing import Any

from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper

# Higher floors add the tables of their own that are frozen once written.
APPEND_ONLY_TABLES = ["inventory_movement"]

REFUSAL = "this table is append-only: write a new row instead"


def install_triggers(connection: BaseDatabaseWrapper) -> None:
    """Refuse UPDATE and DELETE on every append-only table that exists."""
    present = set(connection.introspection.table_names())
    drop_triggers(connection)
    with connection.cursor() as cursor:
        for table in APPEND_ONLY_TABLES:
            if table not in present:
                continue
            for statement in _statements(connection.vendor, table):
                cursor.execute(statement)


def drop_triggers(connection: BaseDatabaseWrapper) -> None:
    """Take the triggers away, for a test's teardown only."""
    present = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table in APPEND_ONLY_TABLES:
            if table not in present:
                continue
            for act in ("update", "delete"):
                on_table = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_{act}{on_table}")


def _statements(vendor: str, table: str) -> list[str]:
    if vendor == "sqlite":
        return [
            f"CREATE TRIGGER {table}_no_{act} BEFORE {act.upper()} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            for act in ("update", "delete")
        ]
    body = (
        "CREATE OR REPLACE FUNCTION refuse_frozen_change() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'integrity_constraint_violation'; "
        "END $$"
    )
    return [body] + [
        f"CREATE TRIGGER {table}_no_{act} BEFORE {act.upper()} ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION refuse_frozen_change()"
        for act in ("update", "delete")
    ]


def freeze_tables(*tables: str) -> None:
    """Have a higher floor's tables protected as the ledger is."""
    APPEND_ONLY_TABLES.extend(name for name in tables if name not in APPEND_ONLY_TABLES)


def install_after_migrate(using: str = "default", **_: Any) -> None:
    install_triggers(connections[using])
