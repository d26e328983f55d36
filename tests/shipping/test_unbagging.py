"""A hold is raised on bags that are tied and boxed: they are stopped, opened, put back, and made
good like any other shortfall."""

import json
from datetime import timedelta

import pytest
from desk import shown_text

from config.ticking import tick
from inventory.clock import move_clock
from inventory.errors import ForbiddenMove, NotAllowed, Unknown
from inventory.holds import void_hold
from inventory.ledger import place_tray, verify_ledger
from inventory.models import Balance, Movement, Tray
from inventory.walking import count_tray
from orders.models import Order, Promise, PromisedTotal
from orders.weeks import week_named
from shipping.bagging import GlovesAndGogglesNeeded
from shipping.contents import box_labels
from shipping.keying import Keyed, SheetStale, key_in
from shipping.models import Bag, Box, PackPlan, PickSheet, PickTask, Refill, Shortfall
from shipping.papers import bag_labels, sheet_words
from shipping.picked import BagsStillTied
from shipping.picking import draw_sheets, plan_picks
from shipping.recalling import trace
from shipping.road_checks import BagOnHold, BoxesNotSealed, PromisesNotBagged, SecondPickWaits
from shipping.unbagging import BARE, DeadUnbelievable, ReturnsElsewhere, open_bag, retie_bag
from tests.shipping.packed_farm import (
    AT,
    codes_of,
    hold_tray,
    key_all,
    leave,
    order_of,
    pack_up,
    promise_of,
    put_back,
    short_of,
    take,
    tie,
    unseal,
)
from tests.shipping.packed_farm import box as fill_and_seal

# PLT promised for Wednesday out of A5.5: with it on hold T2.1 has only its reserve left.
WEDNESDAY = 19


@pytest.fixture
def packed(drawn_farm, person):
    """Order 4901 stands sealed; six of its bags are filled from A5.5. Its shop takes the late
    risk: with fewer bags the box is lighter and colder a day late."""
    Order.objects.filter(number="4901").update(is_late_risk_accepted=True)
    return pack_up(person)


@pytest.fixture
def held(packed, person):
    hold = hold_tray(person)
    assert len(codes_of()) == 6
    return hold


@pytest.fixture
def opened(held, person):
    """The box is open and the six bags are put back."""
    unseal(person)
    put_back(person, codes_of())
    return held


def totals_are_right():
    for total in PromisedTotal.objects.all():
        live = Promise.objects.filter(
            strain_form=total.strain_form, week=total.week, state__in=Promise.LIVE
        )
        assert total.pieces == sum(one.pieces - one.pieces_out for one in live), total
    assert verify_ledger() == []


def test_a_hold_on_tied_bags_stops_their_box_and_the_bench_says_so(held, person, at_desk):
    with pytest.raises(BagOnHold, match="on hold by"):
        leave(person)
    page = shown_text(at_desk("PK2").get("/orders/4901/bench/"))
    assert "6 bags may not go" in page and "egg patch" in page
    assert "Open box 1; its seal is void" in page
    assert "Give it to the truck" not in page
    row = short_of()
    assert row.pieces == 6 + WEDNESDAY
    assert any("6 PLT plug in 2026-W50 instead" in one["words"] for one in row.remedies)


def test_bags_come_out_of_an_open_box_only(held, person):
    with pytest.raises(ForbiddenMove, match="open the box first; its seal is then void"):
        put_back(person, codes_of())
    assert not Movement.objects.filter(client_key__startswith="unbag:").exists()


def test_a_remedy_waits_until_the_bags_are_opened(held, person):
    with pytest.raises(BagsStillTied, match="4901-0"):
        take(short_of(), "next week", person("OF"), "4901 ")
    assert promise_of("PLT plug").state == "bagged"


def test_what_lives_goes_back_to_its_held_tray_and_the_boxes_are_planned_anew(held, person):
    order, codes = order_of(), codes_of()
    before = PackPlan.objects.get(order=order, void_at=None)
    weight = json.loads(before.record)["boxes"][0]["gross_kg"]
    stood = Balance.objects.get(tray__code="A5.5").pieces
    unseal(person)
    opened_box = Box.objects.get(shipment__order=order)
    assert (opened_box.seal, opened_box.gross_kg, opened_box.has_holes) == ("", None, False)
    put_back(person, codes, dead=1)

    assert Balance.objects.get(tray__code="A5.5").pieces == stood + 5
    assert Movement.objects.get(client_key=f"unbag:dead:{codes[0]}").pieces == 1
    assert set(Bag.objects.filter(code__in=codes).values_list("state", "box")) == {
        ("returned", None)
    }
    promise = promise_of("PLT plug")
    assert (promise.state, promise.pieces_out) == ("pulled", 0)
    plan = PackPlan.objects.get(order=order, void_at=None)
    assert plan.pk != before.pk and "PLT" not in plan.record
    assert json.loads(plan.record)["boxes"][0]["gross_kg"] < weight
    labels = [row["code"] for row in bag_labels(order=order)]
    assert not set(codes) & set(labels)
    taxa = [row["taxon"] for label in box_labels(order=order) for row in label["contents"]]
    assert "Stylophora pistillata" not in taxa
    assert short_of().pieces == 6 + WEDNESDAY
    totals_are_right()
    traced = {bag.bag for bag in trace(scope_kind="tray", scope="A5.5", from_on=AT.date())}
    assert not traced & set(codes), "nothing of it is in a bag any more"


def test_a_line_put_back_gets_next_week_and_the_rest_of_the_box_leaves(opened, person):
    with pytest.raises(PromisesNotBagged, match="PLT plug"):
        leave(person)
    row = take(short_of(), "next week", person("OF"), "4901 ")
    assert row.pieces == WEDNESDAY
    assert promise_of("PLT plug").state == "freed"
    fill_and_seal(person)
    assert leave(person).state == "handed over"
    assert set(Bag.objects.filter(shipment__order=order_of()).values_list("state", flat=True)) == {
        "gone", "returned",
    }  # fmt: skip
    totals_are_right()


def test_boxes_are_never_filled_with_a_held_bag(held, person):
    unseal(person)
    with pytest.raises(BagOnHold):
        fill_and_seal(person)


def test_nothing_is_put_back_twice_or_by_whoever_may_not_pack(opened, person):
    moves = Movement.objects.count()
    with pytest.raises(ForbiddenMove, match="still here and not empty"):
        put_back(person, codes_of()[:1])
    with pytest.raises(Unknown, match="no bag"):
        put_back(person, ["999"])
    with pytest.raises(NotAllowed):
        open_bag(order=order_of(), code="001", user=person("G1"))
    assert Movement.objects.count() == moves


def test_more_dead_than_a_bag_holds_is_refused_whole(held, person):
    unseal(person)
    with pytest.raises(DeadUnbelievable, match="Type 0 to 1"):
        put_back(person, codes_of(), dead=2)
    assert not Bag.objects.filter(state="returned").exists()


def test_toxic_bags_are_opened_in_gloves_and_goggles_only(packed, person):
    code = codes_of("T3.11")[0]
    unseal(person)
    with pytest.raises(GlovesAndGogglesNeeded):
        put_back(person, [code], hands=BARE)
    with pytest.raises(GlovesAndGogglesNeeded):
        open_bag(order=order_of(), code=code, user=person("PK1"))
    assert put_back(person, [code])[0].state == "returned"


def test_a_tray_carried_to_clean_water_does_not_get_doubtful_pieces_back(packed, person):
    """The trap: a tray moved to another system between pick and hold."""
    tray = Tray.objects.get(code="A5.5")
    clean = Tray.objects.get(code="T2.1").trough
    was = tray.trough
    place_tray(tray=tray, trough=clean, slot=47)
    hold_tray(person, scope_kind="system", scope="A")
    unseal(person)
    codes = codes_of()
    with pytest.raises(ReturnsElsewhere, match="Put its pieces in a tray of A"):
        put_back(person, codes)
    empty = Tray.objects.filter(trough=was, balance__pieces__isnull=True).first()
    if empty is None:
        empty = Tray.objects.create(
            code="A5.48", trough=was, slot=48, form=tray.form, positions=72, use="sale"
        )
    put_back(person, codes, tray_code=empty.code)
    assert Balance.objects.get(tray=empty).pieces == 6
    assert verify_ledger() == []


def test_a_hold_that_was_a_mistake_lets_the_box_go_and_settles_the_row(held, person):
    void_hold(hold=held, at=AT, user=person("LD"), reason="it was sand")
    tick(AT)
    assert not Shortfall.objects.filter(strain_form__strain__key="PLT", settled_at=None).exists()
    assert "hold void" in Shortfall.objects.get(strain_form__strain__key="PLT").settled_how
    assert leave(person).state == "handed over"


def test_a_bag_that_leaks_is_tied_again_with_a_new_clock(packed, person):
    order, user = order_of(), person("PK1")
    with pytest.raises(ForbiddenMove, match="open the box first"):
        open_bag(order=order, code="007", user=user)
    unseal(person)
    open_bag(order=order, code="007", user=user)
    with pytest.raises(BoxesNotSealed):
        leave(person)
    bag = retie_bag(order=order, code="007", user=user, now=AT + timedelta(hours=1))
    assert (bag.state, bag.box, bag.tied_at) == ("tied", None, AT + timedelta(hours=1))
    fill_and_seal(person)
    assert leave(person).state == "handed over"


# More of the same pieces: a second pick, drawn without anybody having to remember it.


def test_a_second_pick_is_drawn_by_itself_and_its_bags_are_numbered_apart(packed, person):
    unseal(person)
    first = codes_of("A4.2")
    mine = Bag.objects.filter(shipment__order__number="4901")
    others = {bag.code: bag.listing.name for bag in mine.exclude(code__in=first)}
    put_back(person, first, dead="all", reason="burst")
    row = take(short_of("BKP"), "other system", person("PK1"), "A4.2")
    assert row.settled_at == AT

    refill = Refill.objects.get()
    task = PickTask.objects.get(refill=refill, sheet__state="drawn")
    assert (task.tray.code, task.pieces, task.promise) == ("A4.2", 10, promise_of("BKP plug"))
    assert "second pick" in " ".join(sheet_words(sheet=task.sheet).split())
    fill_and_seal(person)
    with pytest.raises(PromisesNotBagged):
        leave(person)
    key_all(person)
    unseal(person)
    again = [bag.code for bag in tie(person) if "-R" in bag.code]
    assert again == [f"4901-R{number:02d}" for number in range(1, 11)]
    assert others == {bag.code: bag.listing.name for bag in mine.filled().exclude(code__in=again)}
    promise = promise_of("BKP plug")
    assert (promise.state, promise.pieces_out) == ("bagged", 10)
    fill_and_seal(person)
    assert leave(person).state == "handed over"
    totals_are_right()


def test_part_of_a_line_waits_for_its_second_pick(packed, person):
    """Three of ten are dead in their bags; the order does not leave before their sheet is in."""
    unseal(person)
    codes = codes_of("A4.2")[:3]
    for code in codes:
        put_back(person, [code], dead=1, reason="dead in the bag")
    assert short_of("BKP").pieces == 3
    take(short_of("BKP"), "other system", person("PK1"), "A4.2")
    fill_and_seal(person)
    with pytest.raises(SecondPickWaits, match=r"3 BKP plug from A4\.2"):
        leave(person)
    sheet = PickSheet.objects.get(tasks__refill__isnull=False, state="drawn")
    rows = [Keyed(task.pk, 0, "not there") for task in sheet.tasks.filter(refill__isnull=False)]
    key_in(stamp=sheet.stamp, rows=rows, user=person("PK1"), now=AT)
    tick(AT)
    # Nothing came: the seven that are in bags stay in them, and the three lack once more.
    promise = promise_of("BKP plug")
    assert (promise.state, promise.pieces_out) == ("bagged", 7)
    assert short_of("BKP").pieces == 3
    take(short_of("BKP"), "next week", person("OF"), "4901 ")
    unseal(person)
    fill_and_seal(person)
    assert leave(person).state == "handed over"
    totals_are_right()


def test_a_hold_on_the_second_tray_ends_its_pick_and_says_so(packed, person):
    unseal(person)
    put_back(person, codes_of("A4.2"), dead="all", reason="burst")
    take(short_of("BKP"), "other system", person("PK1"), "T3.1")
    hold_tray(person, scope="T3.1")
    sheet = PickSheet.objects.get(tasks__refill__isnull=False)
    assert sheet.state == "stale"
    with pytest.raises(SheetStale):
        key_in(stamp=sheet.stamp, rows=[], user=person("PK1"), now=AT)
    draw_sheets(week=sheet.week, ship_on=sheet.ship_on, now=AT)
    assert Refill.objects.get().ended_why == "nothing may leave T3.1 now"
    row = short_of("BKP")
    assert row.pieces >= 10
    assert any(one["words"].startswith("4901 ") for one in row.remedies)


def test_pieces_above_what_is_counted_on_are_picked_once_somebody_has_looked(drawn_farm, person):
    """Six days after its count T2.1 is relied on for 32 of 34; A5.5 counted 26 leaves two short."""
    move_clock(to=AT)
    count_tray(
        tray_code="A5.5", pieces=26, looked_at=AT, received_at=AT, user=person("G1"),
        client_id="26 alive",
    )  # fmt: skip
    tick(AT)
    week = week_named(name="2026-W49")
    draw_sheets(week=week, ship_on=AT.date(), now=AT)
    row = short_of()
    [margin] = [one for one in row.remedies if one["kind"] == "margin"]
    assert (margin["tray"], margin["pieces"]) == ("T2.1", row.pieces)
    take(row, "margin", person("PK1"))
    picks = [pick for day in plan_picks(week=week, now=AT).values() for pick in day]
    drawn = [pick.pieces for pick in picks if pick.promise.line.listing.name == "PLT plug"]
    assert sum(drawn) == 56
    assert not Shortfall.objects.filter(settled_at=None, strain_form__strain__key="PLT").exists()
