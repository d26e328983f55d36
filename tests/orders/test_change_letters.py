"""The office changes a shop's order: one letter for what belongs together, line by line."""

from datetime import date, timedelta

import pytest

from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.models import Message
from orders.amending import withdraw_line, withdraw_order
from orders.changing import Wanted, change_order
from orders.intake import Asked, send_order
from orders.models import Customer, OrderChange
from orders.weeks import week_named

pytestmark = pytest.mark.usefixtures("published_farm")
KIND = "your order was changed"


@pytest.fixture
def order(published_farm):
    sent = send_order(
        customer=Customer.objects.get(code="C02"), ship_to_code="C02",
        week=week_named(name="2026-W49"), ship_on=date(2026, 12, 1),
        rows=[Asked("PLT plug", 12), Asked("HBC clam-m", 2), Asked("BKP plug", 6)],
        source="page", idempotency_key="k", now=farm_now(),
    )  # fmt: skip
    move_clock(to=farm_now() + timedelta(hours=1))
    tick(farm_now())
    return sent


def later(**passed):
    move_clock(to=farm_now() + timedelta(**passed))
    return farm_now()


def change(order, user, *wanted, channel=""):
    order.refresh_from_db()
    return change_order(
        order_id=order.pk, wanted=[Wanted(*row) for row in wanted], version_seen=order.version,
        now=farm_now(), user=user, channel=channel,
    )  # fmt: skip


def letters(code="B02"):
    return list(Message.objects.filter(kind=KIND, user__code=code).order_by("pk"))


def test_changes_by_the_office_go_in_one_letter_once_the_order_is_left_alone(order, person):
    office = person("OF")
    change(order, office, ("PLT plug", 8), ("HBC clam-m", 1))
    later(minutes=4)
    change(order, office, ("PLT plug", 10), ("BKP plug", 0), ("MKC plug", 4))
    tick(later(minutes=9))
    assert not letters(), "it may not be done yet"
    tick(later(minutes=1))
    [letter] = letters()
    assert letter.subject == f"Order {order.number} was changed by the office: 4 lines"
    lines = [line.strip() for line in letter.text.splitlines()]
    assert "PLT plug       10, was 12" in lines, "8 in between is nobody's concern"
    assert "HBC clam-m     1, was 2; 1 promised, 2 before" in lines
    assert "BKP plug       taken off, it was 6" in lines
    assert any(line.startswith("MKC plug       added, 4; $") for line in lines)
    # 15:00 and 15:04 at the farm, an hour later in Buffalo.
    assert (
        "Done by Odile Marchbank, Wed 25 Nov, 16:00; Odile Marchbank, Wed 25 Nov, 16:04."
        in letter.text
    )
    assert "change it yourself until Mon 30 Nov, 13:00" in letter.text
    assert f"/orders/{order.number}/" in letter.html
    page = " ".join(letter.html.split())
    assert "BKP plug, taken off" in page and "1 promised, 2 before" in page
    tick(later(hours=2))
    assert len(letters()) == 1


def test_what_comes_to_nothing_is_not_written_of(order, person):
    change(order, person("OF"), ("PLT plug", 8))
    change(order, person("OF"), ("PLT plug", 12))
    tick(later(minutes=10))
    assert not letters()
    assert not OrderChange.objects.filter(told_at__isnull=True).exists()


def test_a_second_burst_has_its_own_letter_with_its_own_lines(order, person):
    change(order, person("OF"), ("PLT plug", 8))
    tick(later(minutes=10))
    change(order, person("OF"), ("PLT plug", 6))
    tick(later(minutes=10))
    first, second = letters()
    assert "PLT plug       8, was 12" in first.text
    assert "PLT plug       6, was 8" in second.text


def test_a_withdrawal_by_the_office_says_so_and_why(order, person):
    change(order, person("OF"), ("PLT plug", 8))
    withdraw_order(
        order_id=order.pk, now=farm_now(), user=person("OF"), reason="the shop called: flooded"
    )
    tick(later(minutes=10))
    [letter] = letters()
    assert letter.subject == f"Order {order.number} is withdrawn"
    assert "nothing of it is sent or charged" in letter.text
    assert "The shop called: flooded." in letter.text
    assert "PLT plug       taken off, it was 12" in letter.text
    assert "change it yourself" not in letter.text


def test_one_line_taken_off_by_the_office_is_told(order, person):
    line = order.lines.get(listing__name="BKP plug")
    withdraw_line(line_id=line.pk, now=farm_now(), user=person("OF"), reason="no room in the box")
    tick(later(minutes=10))
    [letter] = letters()
    assert letter.subject.endswith("was changed by the office: 1 line")
    assert "No room in the box." in letter.text


def test_what_the_shop_or_its_system_changes_is_not_told_back(order, person):
    change(order, person("B02"), ("PLT plug", 8))
    change(order, None, ("PLT plug", 6), channel="API")
    withdraw_order(order_id=order.pk, now=farm_now(), user=person("B02"), reason="not needed")
    tick(later(minutes=30))
    assert not letters()


def test_another_shop_reads_nothing_of_it_and_a_standing_clock_holds_nothing_up(order, person):
    change(order, person("OF"), ("PLT plug", 8))
    tick(farm_now())
    tick(farm_now())
    assert len(letters()) == 1
    assert not Message.objects.filter(kind=KIND).exclude(user__code="B02").exists()
