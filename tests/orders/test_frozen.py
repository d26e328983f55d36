"""What is published is frozen: the database itself refuses to change it."""

import pytest
from django.db import DatabaseError, connection, transaction

from orders.models import FeedEvent, ListLine, ListVersion


@pytest.mark.parametrize("model", [ListVersion, ListLine, FeedEvent])
def test_a_published_row_can_neither_be_changed_nor_deleted(published_farm, model):
    table, key = model._meta.db_table, model.objects.first().pk
    for statement in (
        f"UPDATE {table} SET id = id WHERE id = %s",
        f"DELETE FROM {table} WHERE id = %s",
    ):
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute(f"{act} WHERE id = %s", [key])
    assert model.objects.filter(pk=key).exists()
