"""Many rows of one table in one go, without a model object for each.

Call from: inventory/counting.py, inventory/walk_bulk.py, orders/promising_many.py,
orders/share_runs.py.
A walk of five hundred notes is mostly the making of objects; the rows themselves are little work.
"""

from collections.abc import Iterable, Sequence
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
    rows: Iterable[Sequence[Any]],
    skips_known: bool = False,
) -> None:
    """Insert rows of database values, in the order of ``columns``; every other column has none.

    Values are plain text, numbers and flags, or those that the functions below give. Constraints,
    triggers and foreign keys hold as for any insert; ``skips_known`` leaves out a row whose key
    stands already. Raises what the database raises.
    """
    quote = connection.ops.quote_name
    names = ", ".join(quote(name) for name in columns)
    table = f"{quote(model._meta.db_table)} ({names})"
    if connection.vendor == "postgresql" and not skips_known:
        # No text of a statement to put together, which is most of the work of a long insert.
        with connection.cursor() as cursor, cursor.copy(f"COPY {table} FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
        return
    end = " ON CONFLICT DO NOTHING" if skips_known else ""
    _insert_some_at_once(f"INSERT INTO {table} VALUES ", len(columns), list(rows), end)


def _insert_some_at_once(start: str, width: int, rows: list[Sequence[Any]], end: str) -> None:
    size = min(ROWS_AT_ONCE, (connection.features.max_query_params or 10_000) // width)
    whole = len(rows) // size * size
    with connection.cursor() as cursor:
        if whole:
            cursor.executemany(
                f"{start}{_marks(width, size)}{end}",
                [_flat(rows[first : first + size]) for first in range(0, whole, size)],
            )
        if whole < len(rows):
            rest = rows[whole:]
            cursor.execute(f"{start}{_marks(width, len(rest))}{end}", _flat(rest))


def _marks(width: int, rows: int) -> str:
    row = ", ".join(["%s"] * width)
    return ", ".join([f"({row})"] * rows)


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
    statement = f"SELECT {name}, id FROM {table} WHERE {name} {among()}"
    return dict(rows_of(statement, [many_value(keys)]))


def rows_of(statement: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
    """The rows of a plain statement; times and days come as the database keeps them."""
    with connection.cursor() as cursor:
        cursor.execute(statement, list(values))
        return list(cursor.fetchall())


def among() -> str:
    """That a column is among many values, which are one parameter: ``many_value`` of them.

    A mark for each value makes a long statement, and reading it costs more than finding the rows.
    """
    return "IN (SELECT value FROM json_each(%s))" if _is_sqlite() else "= ANY(%s)"


def many_value(values: Iterable[Any]) -> Any:
    """Many texts or many whole numbers as the one parameter of ``among``."""
    return dumps(list(values)) if _is_sqlite() else list(values)


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
    # As Django's own adapter writes it, in a third of the time: UTC without saying so.
    return (at if at.tzinfo is UTC else at.astimezone(UTC)).isoformat(" ")[: -len("+00:00")]


def day_value(on: date | None) -> Any:
    """A day as the database keeps it."""
    return on.isoformat() if on is not None and _is_sqlite() else on


def number_value(number: Decimal | None, *, digits: int, places: int) -> Any:
    """A decimal as the database keeps it."""
    return connection.ops.adapt_decimalfield_value(number, digits, places)


def facts_value(facts: dict[str, Any]) -> Any:
    """A happening's facts as the database keeps them."""
    return dumps(facts) if _is_sqlite() else connection.ops.adapt_json_value(facts, None)
