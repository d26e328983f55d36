"""Pieces lack after the pick: the order that lacks them is offered a substitute or next week."""

import pytest
from tests_support import farm_time

from config.ticking import tick
from inventory.clock import move_clock
from inventory.holds import raise_hold
from inventory.ledger import verify_ledger
from inventory.models import Balance, Movement
from orders.models import Customer, Line, Order, Promise, PromisedTotal
from shipping.bagging import TrayNotPickable, bags_to_tie, tie_bags
from shipping.boxing import bags_of
from shipping.keying import Keyed, key_in
from shipping.models import FreightCredit, PackPlan, PickSheet, PickTask, Shortfall
from shipping.shortfalls import accept_remedy

AT = farm_time("2026-12-01 07:30")


@pytest.fixture
def at_the_pick(drawn_farm):
    """Tue 1 Dec, half past seven: sheets are out. All but C08 and C10 take substitutes gladly."""
    move_clock(to=AT)
    Customer.objects.filter(code__in=["C03", "C02"]).update(takes_substitutes="yes")


def key(person, listing, found, reason="one is pale"):
    """Key in every sheet of the day; ``found`` says how many were picked of whose line."""
    for sheet in PickSheet.objects.filter(ship_on="2026-12-01", state="drawn"):
        rows = [
            Keyed(task.pk, found[task.promise.line.order.number], reason)
            for task in sheet.tasks.filter(promise__line__listing__name=listing)
            if task.promise.line.order.number in found
        ]
        key_in(stamp=sheet.stamp, rows=rows, user=person("PK1"), now=AT)
    tick(AT)


def short_of(key):
    return Shortfall.objects.get(strain_form__strain__key=key, settled_at__isnull=True)


def take(row, kind, number, user):
    words = [(one["kind"], one["words"]) for one in row.remedies]
    index = next(
        at for at, (what, said) in enumerate(words) if what == kind and number in said.split()
    )
    accept_remedy(shortfall_id=row.pk, index=index, user=user, now=AT)
    tick(AT)
    row.refresh_from_db()
    return row


def promise(number, listing="PLT plug"):
    return Promise.objects.get(line__order__number=number, line__listing__name=listing)


def totals_are_right():
    for total in PromisedTotal.objects.all():
        live = Promise.objects.filter(
            strain_form=total.strain_form, week=total.week, state__in=Promise.LIVE
        )
        assert total.pieces == sum(one.pieces - one.pieces_out for one in live), total
    assert verify_ledger() == []


def test_a_short_pick_s_own_order_is_offered_a_substitute(at_the_pick, person):
    codes = [row.code for row in bags_to_tie(order=Order.objects.get(number="4903"))]
    after = [row.code for row in bags_to_tie(order=Order.objects.get(number="4903"))
             if row.promise.line.listing.name != "PLT plug"]  # fmt: skip
    key(person, "PLT plug", {"4903": 3})
    row = short_of("PLT")
    kinds = [one["kind"] for one in row.remedies if "4903" in one["words"].split()]
    assert kinds == ["substitute", "next week"]
    substitute = next(one for one in row.remedies if one["kind"] == "substitute")
    assert substitute["words"].startswith("4903 "), "who lacks it is asked before all others"
    assert "takes 1 MKC plug" in substitute["words"]

    row = take(row, "substitute", "4903", person("OF"))
    assert row.settled_at == AT
    kept, new = promise("4903"), promise("4903", "MKC plug")
    assert (kept.state, kept.units, kept.pieces_out) == ("pulled", 3, 3)
    assert (new.state, new.units) == ("inked", 1)
    # Its sheet is drawn for what goes instead, and its box is planned with both.
    task = PickTask.objects.get(promise=new, sheet__state="drawn")
    assert task.pieces == 1
    names = {one.listing: one.pieces for one in bags_of(order=kept.line.order)}
    assert (names["PLT plug"], names["MKC plug"]) == (3, 1)
    plan = PackPlan.objects.get(order=kept.line.order, void_at__isnull=True)
    assert "MKC" in plan.record
    # Labels that were printed stay those of their bags.
    rows = bags_to_tie(order=kept.line.order)
    now = [one.code for one in rows]
    assert len(now) == len(set(now)) == len(codes)
    assert after == [one.code for one in rows
                     if one.promise.line.listing.name not in ("PLT plug", "MKC plug")]  # fmt: skip
    totals_are_right()


def test_a_short_pick_goes_next_week_when_the_shop_wants_that(at_the_pick, person):
    key(person, "PLT plug", {"4908": 5})
    row = take(short_of("PLT"), "next week", "4908", person("OF"))

    assert row.settled_at == AT
    assert (promise("4908").units, promise("4908").pieces_out) == (5, 5)
    credit = FreightCredit.objects.get()
    assert credit.carried.week.name == "2026-W50"
    assert credit.carried.lines.get().promise.units == 2
    totals_are_right()


def test_a_pick_below_the_least_that_is_accepted_goes_back_whole(at_the_pick, person):
    Line.objects.filter(order__number="4908", listing__name="PLT plug").update(least=6)
    tray = PickTask.objects.get(promise=promise("4908"), sheet__state="drawn").tray
    key(person, "PLT plug", {"4908": 5})
    stood = Balance.objects.get(tray=tray).pieces
    take(short_of("PLT"), "next week", "4908", person("OF"))

    assert promise("4908").state == "freed"
    assert Balance.objects.get(tray=tray).pieces == stood + 5
    assert FreightCredit.objects.get().carried.lines.get().promise.units == 7
    totals_are_right()


def test_nothing_found_at_all_is_carried_or_replaced_too(at_the_pick, person):
    key(person, "PLT plug", {"4903": 0})
    order = Order.objects.get(number="4903")
    tie_bags(order=order, now=AT, user=person("PK1"), has_gloves=True, has_goggles=True)
    assert promise("4903").state == "missed"
    row = short_of("PLT")
    take(row, "next week", "4903", person("OF"))

    assert FreightCredit.objects.get().carried.lines.get().promise.units == 4
    assert not [one for one in short_words() if "4903" in one.split()]
    totals_are_right()


def short_words():
    rows = Shortfall.objects.filter(settled_at__isnull=True)
    return [one["words"] for row in rows for one in row.remedies]


def test_short_in_bags_is_made_good_without_opening_them(at_the_pick, person):
    key(person, "PLT plug", {"4903": 3})
    order = Order.objects.get(number="4903")
    tie_bags(order=order, now=AT, user=person("PK1"), has_gloves=True, has_goggles=True)
    take(short_of("PLT"), "substitute", "4903", person("OF"))

    assert (promise("4903").state, promise("4903").units) == ("bagged", 3)
    assert promise("4903", "MKC plug").units == 1
    totals_are_right()


def test_a_hold_on_a_tray_that_was_picked_finds_its_pieces_on_the_bench(at_the_pick, person):
    key(person, "PLT plug", {})
    task = PickTask.objects.get(promise=promise("4901"))
    assert task.tray.code == "A5.5"
    raise_hold(
        scope_kind="tray", scope="A5.5", reason="egg patch", grade="suspected",
        user=person("PK1"), at=AT,
    )  # fmt: skip
    tick(AT)
    order = Order.objects.get(number="4901")
    with pytest.raises(TrayNotPickable):
        tie_bags(order=order, now=AT, user=person("PK1"), has_gloves=True, has_goggles=True)

    row = short_of("PLT")
    said = [one["words"] for one in row.remedies if "4901" in one["words"].split()]
    assert any("gets 6 PLT plug in 2026-W50 instead" in words for words in said)
    stood = Balance.objects.get(tray=task.tray).pieces
    take(row, "next week", "4901", person("OF"))

    assert promise("4901").state == "freed"
    assert Balance.objects.get(tray=task.tray).pieces == stood + 6
    assert Movement.objects.filter(reason="return", client_key__startswith=f"return:{task.pk}")
    assert "PLT plug" not in [one.listing for one in bags_of(order=order)]
    tie_bags(order=order, now=AT, user=person("PK1"), has_gloves=True, has_goggles=True)
    totals_are_right()
