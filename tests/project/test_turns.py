"""Writers of the embedded database take turns."""

import fcntl

import pytest
from django.db import connection, transaction

from inventory.models import Clock


def is_free():
    with open(f"{connection.settings_dict['NAME']}.turn", "w") as turn:
        try:
            fcntl.flock(turn, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


@pytest.mark.django_db(transaction=True)
def test_a_turn_is_held_for_a_transaction_and_given_back_after_it():
    if connection.vendor != "sqlite":
        pytest.skip("left out: only the embedded database needs turns")
    with transaction.atomic():
        Clock.objects.create(id=1)
        assert not is_free()
    assert is_free()
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        Clock.objects.filter(id=1).delete()
        1 / 0  # noqa: B018 - a failure in the middle
    assert is_free()
    assert Clock.objects.count() == 1
