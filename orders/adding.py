"""Many new rows of one table at once: PostgreSQL's COPY, elsewhere some statements."""

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import connection, models

ROWS_AT_ONCE = 2000


def add_rows(
    model: type[models.Model], columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> None:
    """Add rows whose keys the database gives. Columns are named as the model has them (a foreign
    key with its _id), and every one but the key is named: no default is filled in. Plain values
    only: text, numbers, flags, days and moments, which the database's driver writes as they are."""
    if connection.vendor != "postgresql":
        built = [model(**dict(zip(columns, row, strict=True))) for row in rows]
        model._base_manager.bulk_create(built, batch_size=ROWS_AT_ONCE)
        return
    quote = connection.ops.quote_name
    fields = {field.attname: str(field.column) for field in model._meta.concrete_fields}
    names = ", ".join(quote(fields[column]) for column in columns)
    statement = f"COPY {quote(model._meta.db_table)} ({names}) FROM STDIN"
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        for row in rows:
            copy.write_row(row)
