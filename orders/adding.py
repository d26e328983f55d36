"""Many new rows of one table at once: PostgreSQL's COPY, elsewhere some statements."""

from collections.abc import Sequence
from operator import attrgetter

from django.db import connection, models

ROWS_AT_ONCE = 2000


def add_rows(model: type[models.Model], rows: Sequence[models.Model]) -> None:
    """Add rows whose keys the database gives; they do not learn them. Plain columns only: text,
    numbers, flags, days and moments, which the database's driver writes as they are."""
    if connection.vendor != "postgresql":
        model._base_manager.bulk_create(rows, batch_size=ROWS_AT_ONCE)
        return
    fields = [field for field in model._meta.concrete_fields if not field.primary_key]
    quote = connection.ops.quote_name
    columns = ", ".join(quote(str(field.column)) for field in fields)
    values = attrgetter(*(field.attname for field in fields))
    statement = f"COPY {quote(model._meta.db_table)} ({columns}) FROM STDIN"
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        for row in rows:
            copy.write_row(values(row))
