"""What is published is frozen: the database itself refuses to change it."""

import pytest
from django.db import DatabaseError, connection, transaction

from orders.models import FeedEvent, ListLine, ListVersion


@pytest.mark.parametrize("act", ["UPDATE {table} SET id = id", "DELETE FROM {table}"])
@pytest.mark.parametrize("model", [ListVersion, ListLine, FeedEvent])
def test_a_published_row_can_neither_be_changed_nor_deleted(published_farm, model, act):
    key = model.objects.first().pk
    statement = f"{act.format(table=model._meta.db_table)} WHERE id = %s"
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(statement, [key])
    assert model.objects.filter(pk=key).exists()
