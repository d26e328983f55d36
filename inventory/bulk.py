"""Many rows of one table in one prepared statement, without a model object for each.

Call from: inventory/ledger.py, inventory/counting.py, inventory/walk_bulk.py.
A walk of five hundred notes is mostly the making of objects; the rows themselves are little work.
"""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from typing import Any

from django.db import connection, models


def insert_rows(
    *, model: type[models.Model], columns: Sequence[str], rows: Sequence[Sequence[Any]]
) -> None:
    """Insert rows of database values, in the order of ``columns``; every other column has none.

    Values are those that `database_value` gives. Constraints, triggers and foreign keys hold as
    for any insert. Raises what the database raises.
    """
    if not rows:
        return
    quote = connection.ops.quote_name
    names = ", ".join(quote(name) for name in columns)
    marks = ", ".join(["%s"] * len(columns))
    statement = f"INSERT INTO {quote(model._meta.db_table)} ({names}) VALUES ({marks})"
    with connection.cursor() as cursor:
        cursor.executemany(statement, rows)


def update_rows(*, statement: str, rows: Sequence[Sequence[Any]]) -> None:
    """Run one prepared statement for every row of values."""
    if not rows:
        return
    with connection.cursor() as cursor:
        cursor.executemany(statement, rows)


def known_keys(*, model: type[models.Model], column: str, keys: Sequence[str]) -> set[str]:
    """Those of the keys that a table has."""
    return set(ids_by_key(model=model, column=column, keys=keys))


def ids_by_key(*, model: type[models.Model], column: str, keys: Sequence[str]) -> dict[str, int]:
    """The row of each key that a table has."""
    if not keys:
        return {}
    quote = connection.ops.quote_name
    table, name = quote(model._meta.db_table), quote(column)
    marks = ", ".join(["%s"] * len(keys))
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {name}, id FROM {table} WHERE {name} IN ({marks})", list(keys))
        return dict(cursor.fetchall())


def rows_of(statement: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
    """The rows of a plain statement; times and days come as the database keeps them."""
    with connection.cursor() as cursor:
        cursor.execute(statement, list(values))
        return list(cursor.fetchall())


def marks_for(values: Sequence[Any]) -> str:
    """As many marks as there are values, for IN."""
    return ", ".join(["%s"] * len(values))


def read_time(value: Any) -> datetime:
    """A moment as the database keeps it -> a moment. SQLite keeps UTC and does not say so."""
    at = value if isinstance(value, datetime) else datetime.fromisoformat(value)
    return at if at.tzinfo else at.replace(tzinfo=UTC)


def read_day(value: Any) -> date | None:
    """A day as the database keeps it -> a day."""
    return date.fromisoformat(value) if isinstance(value, str) else value


@cache
def _is_sqlite() -> bool:
    """Asked thousands of times a walk; a process keeps its kind of database."""
    return connection.vendor == "sqlite"


def time_value(at: datetime | None) -> Any:
    """A moment as the database keeps it: UTC."""
    if at is None or not _is_sqlite():
        return at
    # As Django's own adapter writes it, in a third of the time.
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(" ")


def day_value(on: date | None) -> Any:
    """A day as the database keeps it."""
    return connection.ops.adapt_datefield_value(on)


def number_value(number: Decimal | None, *, digits: int, places: int) -> Any:
    """A decimal as the database keeps it."""
    return connection.ops.adapt_decimalfield_value(number, digits, places)


def facts_value(facts: dict[str, Any]) -> Any:
    """A happening's facts as the database keeps them."""
    return connection.ops.adapt_json_value(facts, None)
