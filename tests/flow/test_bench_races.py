"""Two people at one bench at the same moment, on PostgreSQL: pieces move once, states agree."""

import threading

import pytest
from django.db import connection

from inventory.errors import FarmError
from inventory.ledger import verify_ledger
from inventory.models import Movement
from orders.models import Order
from shipping.models import Bag, Box, PickTask, Refill, Shipment
from shipping.sealing import open_box
from shipping.shortfalls import accept_remedy
from tests.shipping.packed_farm import (
    AT,
    codes_of,
    hold_tray,
    leave,
    pack_up,
    put_back,
    short_of,
    unseal,
)

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def packed(committed_farm, person):
    if connection.vendor != "postgresql":
        pytest.skip("left out: the race needs PostgreSQL")
    committed_farm("drawn")
    Order.objects.filter(number="4901").update(is_late_risk_accepted=True)
    return pack_up(person)


def at_once(*acts):
    """Run acts in threads that start together; what each was refused with, or None."""
    start = threading.Barrier(len(acts))
    answers = [None] * len(acts)

    def run(at, act):
        try:
            start.wait(30)
            act()
        except FarmError as refused:
            answers[at] = refused
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=row) for row in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert not any(thread.is_alive() for thread in threads)
    return answers


def test_two_packers_open_the_same_bags_and_their_pieces_come_back_once(packed, person):
    hold_tray(person)
    unseal(person)
    codes = codes_of()
    answers = at_once(*[lambda: put_back(person, codes)] * 2)
    assert [answer is None for answer in answers].count(True) == 1
    moved = Movement.objects.filter(client_key__startswith="unbag:")
    assert sum(moved.values_list("pieces", flat=True)) == 6
    assert verify_ledger() == []


@pytest.mark.parametrize("trial", range(3))
def test_a_box_is_opened_or_on_the_truck_never_both(packed, person, trial):
    box = Box.objects.get(shipment__order__number="4901")
    opened, left = at_once(lambda: open_box(box=box, user=person("PK2")), lambda: leave(person))
    assert (opened is None) != (left is None)
    shipment = Shipment.objects.get(order__number="4901")
    box.refresh_from_db()
    states = set(Bag.objects.filter(shipment=shipment).values_list("state", flat=True))
    said = (shipment.state, box.state, shipment.order.state, states)
    assert said in (
        ("handed over", "handed over", "on the road", {"gone"}),
        ("cleared", "open", "in pick", {"boxed"}),
    )


def test_one_remedy_taken_by_two_makes_one_second_pick(packed, person):
    unseal(person)
    put_back(person, codes_of("A4.2"), dead="all", reason="burst")
    row = short_of("BKP")
    index = next(at for at, one in enumerate(row.remedies) if one["kind"] == "other system")

    def take():
        accept_remedy(shortfall_id=row.pk, index=index, user=person("PK1"), now=AT)

    answers = at_once(take, take)
    assert [answer is None for answer in answers].count(True) == 1
    assert Refill.objects.count() == 1
    assert not PickTask.objects.filter(refill__isnull=False).exists(), "the tick draws it"
