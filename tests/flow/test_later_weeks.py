"""The demo plays on past its week: what was promised has left, and the next list is open."""

import pytest
from django.core.management import CommandError, call_command
from django.db.models import Sum
from tests_support import farm_time

from inventory.clock import farm_now
from inventory.models import Hold, Message, Movement, Place
from orders.models import Order, Promise, ShipWeek


def test_on_friday_the_next_list_is_open_and_its_first_orders_are_in(open_farm):
    week = ShipWeek.objects.get(name="2026-W50")

    assert farm_now() == farm_time("2026-12-04 16:00")
    assert (week.published_at, week.closed_at) == (farm_time("2026-12-04 14:00"), None)
    sent = Order.objects.filter(week=week, state="sent").values_list("number", flat=True)
    # The orders of W50 placed by then (job table 7.8).
    assert sorted(sent) == ["5002", "5004", "5006", "5008", "5009"]
    assert Message.objects.filter(kind="list is out", key__startswith="list:2026-W50").count() == 12


def pieces_of(moves):
    return moves.aggregate(Sum("pieces"))["pieces__sum"]


def test_nothing_of_the_week_before_is_left_promised_or_on_the_bench(open_farm):
    states = Order.objects.filter(week__name="2026-W49").values_list("state", flat=True)

    assert set(states) <= {"arrived", "settled"}
    assert not Promise.objects.filter(week__name="2026-W49", state__in=Promise.LIVE).exists()
    assert Hold.objects.get(code="HD-1").counted_looks()[-1].isoformat() == "2026-12-04"
    came = Movement.objects.filter(to_place__code=Place.End.BENCH)
    went = Movement.objects.filter(from_place__code=Place.End.BENCH)
    # 417 pieces of Tuesday and 149 of Wednesday.
    assert pieces_of(came) == pieces_of(went) == 566


@pytest.mark.django_db
def test_a_time_that_cannot_be_read_is_named():
    with pytest.raises(CommandError, match='is not a time; type it as "2026-12-04 16:00"'):
        call_command("demo", "--no-serve", "--until", "Friday")
