"""Hop 9b: pulled pieces are tied into bags, one tray, one strain, one line a bag."""

import pytest
from django.db import IntegrityError, transaction
from django.db.models import Sum

from inventory.errors import ForbiddenMove, NotAllowed
from inventory.ledger import verify_ledger
from inventory.models import Balance, Hold, Movement, Tray
from inventory.setting_book import SettingBook
from orders.models import Promise
from shipping.bagging import (
    GlovesAndGogglesNeeded,
    NothingPulled,
    bag_marks,
    bags_to_tie,
    tie_bags,
)
from shipping.keying import TrayNotPickable
from shipping.models import Bag, PickTask
from shipping.unbagging import open_bag, retie_bag
from tests.shipping.scene import build_scene, raise_hold
from tests.shipping.scene_rows import farm_time

pytestmark = pytest.mark.django_db
NOW = farm_time(1, "09:10")


@pytest.fixture
def scene():
    return build_scene()


@pytest.fixture
def picked(scene):
    order = scene.add_order()
    scene.draw(order)
    scene.pick(order)
    return order


def _tie(scene, order, **ticks):
    ticks = {"has_gloves": True, "has_goggles": True} | ticks
    return tie_bags(order=order, now=NOW, user=scene.people["packer"], **ticks)


def test_ties_a_bag_for_each_of_the_49_pieces(scene, picked):
    bags = _tie(scene, picked)
    assert len(bags) == 49
    # Worked figures of the farm: 3 APT and 6 CTH in Z3, HRT and SLG in P2 with cup, TLW in FL.
    kinds = {bag.listing.name: (bag.kind_id, bag.has_cup) for bag in bags}
    assert kinds["APT base"] == kinds["CTH base"] == ("Z3", False)
    assert kinds["HRT plug"] == kinds["SLG plug"] == ("P2", True)
    assert kinds["TLW plug"] == ("FL", False)
    toxic = [bag for bag in bags if bag.is_toxin]
    assert len(toxic) == 9
    assert all(bag.has_gloves and bag.has_goggles for bag in toxic)
    states = Promise.objects.filter(line__order=picked).values_list("state", flat=True)
    assert set(states) == {"bagged"}


def test_bag_keeps_tray_system_and_lot_and_fits_a_label(scene, picked):
    bag = next(row for row in _tie(scene, picked) if row.listing.name == "PLT plug")
    assert (bag.tray.code, bag.system.code, bag.lot.code) == ("T2.1", "T", "PLT-260914")
    assert bag.code == "4902-001"
    assert bag.pieces == 1
    assert all(len(code) <= 16 for code in Bag.objects.values_list("code", flat=True))


def test_second_call_returns_the_same_bags(scene, picked):
    first = [bag.pk for bag in _tie(scene, picked)]
    assert [bag.pk for bag in _tie(scene, picked)] == first
    assert Bag.objects.count() == 49


@pytest.mark.parametrize("missing", ["has_gloves", "has_goggles"])
def test_toxic_lines_need_gloves_and_goggles(scene, picked, missing):
    with pytest.raises(GlovesAndGogglesNeeded) as refused:
        _tie(scene, picked, **{missing: False})
    assert refused.value.code == "gloves_and_goggles"
    assert "APT base, CTH base" in refused.value.sentence
    assert not Bag.objects.exists()


def test_harmless_lines_need_no_ticks(scene):
    order = scene.add_order("4903", (("PLT plug", 2, "14.00"),))
    scene.draw(order)
    scene.pick(order)
    bags = _tie(scene, order, has_gloves=False, has_goggles=False)
    assert [bag.code for bag in bags] == ["4903-001", "4903-002"]


def test_a_pack_of_ten_is_one_bag_and_loose_pieces_go_back(scene):
    order = scene.add_order("4901", (("RMG prop-10", 3, "18.00"),))
    scene.draw(order)
    scene.pick(order, short={"RMG prop-10": 3})
    bags = _tie(scene, order)
    # 27 of 30 found: two whole packs, seven propagules back in their rack of 40 - 27.
    assert [bag.pieces for bag in bags] == [10, 10]
    assert Balance.objects.get(tray__code="T6.1").pieces == 40 - 27 + 7
    assert verify_ledger() == []


@pytest.mark.parametrize("scope", ["system", "trough", "tray", "lot"])
def test_refuses_a_hold_raised_after_the_pick(scene, picked, scope):
    tray = scene.trays["H6.4"]
    places = {
        "system": tray.trough.system,
        "trough": tray.trough,
        "tray": tray,
        "lot": scene.lots["H6.4"],
    }
    raise_hold(scene, **{scope: places[scope]})
    with pytest.raises(TrayNotPickable, match="on hold"):
        _tie(scene, picked)
    assert not Bag.objects.exists()


def test_a_lifted_hold_stops_nothing(scene, picked):
    raise_hold(scene, system=scene.systems["H"])
    Hold.objects.update(state="lifted")
    assert len(_tie(scene, picked)) == 49


def test_a_tray_moved_to_another_system_keeps_the_one_it_was_picked_in(scene, picked):
    tray = scene.trays["H6.4"]
    Tray.objects.filter(pk=tray.pk).update(trough=scene.trays["A2.4"].trough, slot=40)
    bags = _tie(scene, picked)
    assert {bag.system.code for bag in bags if bag.tray_id == tray.pk} == {"H"}


def test_a_hold_on_the_system_of_the_pick_stops_a_tray_that_has_moved(scene, picked):
    tray = scene.trays["H6.4"]
    Tray.objects.filter(pk=tray.pk).update(trough=scene.trays["A2.4"].trough, slot=40)
    raise_hold(scene, system=scene.systems["H"])
    with pytest.raises(TrayNotPickable):
        _tie(scene, picked)


def test_refuses_a_kept_tray(scene, picked):
    Tray.objects.filter(code="T2.1").update(use=Tray.Use.KEPT)
    with pytest.raises(TrayNotPickable, match="kept for mothers"):
        _tie(scene, picked)


def test_nothing_picked_is_refused(scene):
    order = scene.add_order()
    scene.draw(order)
    with pytest.raises(NothingPulled):
        _tie(scene, order)


def test_codes_before_tying_are_the_codes_of_the_bags(scene):
    order = scene.add_order()
    scene.draw(order)
    printed = {row.code: row.promise.line.listing.name for row in bags_to_tie(order=order)}
    assert len(printed) == 49
    scene.pick(order, short={"HRT plug": 4})
    tied = {bag.code: bag.listing.name for bag in _tie(scene, order)}
    assert len(tied) == 45
    assert all(printed[code] == name for code, name in tied.items())


def test_a_freed_line_leaves_the_other_codes_as_printed(scene):
    order = scene.add_order()
    scene.draw(order)
    printed = {row.code: row.promise.line.listing.name for row in bags_to_tie(order=order)}
    Promise.objects.filter(line__order=order, line__listing__name="HRT plug").update(state="freed")
    later = {row.code: row.promise.line.listing.name for row in bags_to_tie(order=order)}
    assert later == {code: name for code, name in printed.items() if name != "HRT plug"}


def test_a_promise_with_nothing_found_is_missed(scene):
    order = scene.add_order()
    scene.draw(order)
    scene.pick(order, short={"TLW plug": 3})
    assert len(_tie(scene, order)) == 46
    assert Promise.objects.get(line__order=order, line__listing__name="TLW plug").state == "missed"


def test_bags_are_what_was_picked_and_no_more(scene, picked):
    _tie(scene, picked)
    pulled = PickTask.objects.aggregate(total=Sum("picked_pieces"))["total"]
    assert Bag.objects.aggregate(total=Sum("pieces"))["total"] == pulled == 49
    assert Movement.objects.filter(reason="pull").aggregate(total=Sum("pieces"))["total"] == 49


def test_only_the_bench_ties_bags(scene, picked):
    for role in ("grower", "office", "buyer"):
        with pytest.raises(NotAllowed):
            tie_bags(
                order=picked,
                now=NOW,
                user=scene.people[role],
                has_gloves=True,
                has_goggles=True,
            )


def test_the_database_refuses_a_toxic_bag_without_ticks(scene, picked):
    bag = next(row for row in _tie(scene, picked) if row.is_toxin)
    with pytest.raises(IntegrityError), transaction.atomic():
        Bag.objects.filter(pk=bag.pk).update(has_goggles=False)


def test_a_retied_bag_starts_a_new_clock(scene, picked):
    packer = scene.people["packer"]
    bag = _tie(scene, picked)[0]
    open_bag(order=picked, code=bag.code, user=packer)
    later = farm_time(1, "11:00")
    assert retie_bag(order=picked, code="001", user=packer, now=later).tied_at == later
    Bag.objects.filter(pk=bag.pk).update(state="gone")
    with pytest.raises(ForbiddenMove, match="cannot become opened"):
        open_bag(order=picked, code=bag.code, user=packer)


def _marks(scene, listing, at):
    order = scene.add_order("4905", ((listing, 1, "14.00"),))
    scene.draw(order)
    scene.pick(order)
    bag = _tie(scene, order)[0]
    return bag_marks(bag=bag, now=at, book=SettingBook.read(on=farm_time(1, "09:00").date()))


def test_a_bag_tied_at_0910_has_marks_at_24_36_and_48_h(scene):
    marks = _marks(scene, "PLT plug", farm_time(2, "21:15"))
    assert marks.good_until == farm_time(2, "09:10")
    assert marks.warn_from == farm_time(2, "21:10")
    assert marks.stop_from == farm_time(3, "09:10")
    # 36 h 05 min after tying.
    assert marks.state == "warn"
    assert marks.age_h == pytest.approx(36 + 5 / 60)


def test_a_bag_is_no_warning_a_minute_before_its_mark(scene):
    assert _marks(scene, "PLT plug", farm_time(2, "21:09")).state == "watch"


def test_a_clam_is_stopped_at_30_h(scene):
    marks = _marks(scene, "QYG clam-m", farm_time(2, "15:10"))
    assert (marks.state, marks.stop_from) == ("stop", farm_time(2, "15:10"))


def test_propagules_are_stopped_at_72_h(scene):
    marks = _marks(scene, "RMG prop-10", farm_time(4, "09:09"))
    assert (marks.state, marks.stop_from) == ("warn", farm_time(4, "09:10"))
