"""Many rows of one table in one prepared statement, without a model object for each.

Call from: inventory/ledger.py, inventory/counting.py, inventory/walk_bulk.py.
A walk of five hundred notes is mostly the making of objects; the rows themselves are little work.
"""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from itertools import chain
from json import dumps
from typing import Any

from django.db import connection, models

# A statement of many rows is quicker than as many statements; above this it gains nothing more.
ROWS_AT_ONCE = 100


def insert_rows(
    *,
    model: type[models.Model],
    columns: Sequence[str],
    rows: Sequence[Sequence[Any]],
    skips_known: bool = False,
) -> None:
    """Insert rows of database values, in the order of ``columns``; every other column has none.

    Values are those that the functions below give. Constraints, triggers and foreign keys hold
    as for any insert; ``skips_known`` leaves out a row whose key stands already. Raises what the
    database raises.
    """
    if not rows:
        return
    quote = connection.ops.quote_name
    names = ", ".join(quote(name) for name in columns)
    start = f"INSERT INTO {quote(model._meta.db_table)} ({names}) VALUES "
    end = " ON CONFLICT DO NOTHING" if skips_known else ""
    size = min(ROWS_AT_ONCE, (connection.features.max_query_params or 10_000) // len(columns))
    whole = len(rows) // size * size
    with connection.cursor() as cursor:
        if whole:
            cursor.executemany(
                f"{start}{_marks(columns, size)}{end}",
                [_flat(rows[first : first + size]) for first in range(0, whole, size)],
            )
        if whole < len(rows):
            rest = rows[whole:]
            cursor.execute(f"{start}{_marks(columns, len(rest))}{end}", _flat(rest))


def _marks(columns: Sequence[str], rows: int) -> str:
    return ", ".join([f"({marks_for(columns)})"] * rows)


def _flat(rows: Sequence[Sequence[Any]]) -> list[Any]:
    return list(chain.from_iterable(rows))


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
    return on.isoformat() if on is not None and _is_sqlite() else on


def number_value(number: Decimal | None, *, digits: int, places: int) -> Any:
    """A decimal as the database keeps it."""
    return connection.ops.adapt_decimalfield_value(number, digits, places)


def facts_value(facts: dict[str, Any]) -> Any:
    """A happening's facts as the database keeps them."""
    return dumps(facts) if _is_sqlite() else connection.ops.adapt_json_value(facts, None)
