"""Cuts: what leaves, what stands, what may be mounted on, and what is refused."""

from datetime import date

import pytest
from django.urls import reverse
from tests_support import farm_time, page_words

from config.ticking import tick
from inventory.bases import BasesNotUsable, release_bases, rinse_bases
from inventory.carrying import TrayUnderHold
from inventory.clock import move_clock
from inventory.cutting import Cut, CutBelowFloor, CutUnbelievable, grow_healed, record_cut
from inventory.errors import NotAllowed, Unknown
from inventory.ledger import StillInQuarantine, place_tray, verify_ledger
from inventory.models import Balance, BaseBatch, Happening, Lot, PlugLot, Strain, Tray, Trough
from inventory.plugs import PlugsMissing

NINE = farm_time("2026-11-25 09:00")


@pytest.fixture
def cut(farm, person):
    move_clock(to=NINE)

    def act(from_tray, parents, pieces, to, *, who="LD", at=NINE, **more):
        facts = Cut(from_tray, parents, pieces, to, **more)
        return record_cut(cut=facts, user=person(who), at=at)

    return act


def stands(tray):
    row = Balance.objects.filter(tray__code=tray).first()
    return row.pieces if row else 0


def test_parents_leave_and_a_healing_lot_with_its_history_stands_in_a_new_tray(cut):
    before = PlugLot.objects.get(state="clean").count
    lot = cut("T2.1", 6, 24, "T3")
    assert stands("T2.1") == 28
    tray = Tray.objects.get(balance__lot=lot)
    assert (tray.trough.code, tray.form.key, tray.positions, tray.use) == ("T3", "plug", 72, "sale")
    assert stands(tray.code) == 24
    parent = Balance.objects.get(tray__code="T2.1").lot
    assert (lot.state, lot.cut_on, lot.cut_pieces) == ("healing", date(2026, 11, 25), 24)
    assert (lot.parent, lot.generation) == (parent, parent.generation + 1)
    assert lot.code.startswith("PLT-261125-T3")
    assert PlugLot.objects.get(state="clean").count == before - 24
    told = Happening.objects.get(kind="stock.counted", at=NINE)
    assert told.facts["tray"] == "T2.1" and told.facts["reason"] == f"6 cut up for {lot.code}"
    assert verify_ledger() == []
    tick(NINE)
    assert verify_ledger() == []


def test_what_stands_in_quarantine_is_not_cut_into_the_farms_own_water(cut):
    place_tray(tray=Tray.objects.get(code="T2.1"), trough=Trough.objects.get(code="K1"), slot=1)
    with pytest.raises(StillInQuarantine):
        cut("T2.1", 6, 24, "T3")
    assert stands("T2.1") == 34 and not Lot.objects.filter(cut_on=date(2026, 11, 25)).exists()
    lot = cut("T2.1", 6, 24, "K2")
    assert lot.state == "healing" and verify_ledger() == []


def test_it_grows_after_a_fortnight_and_then_gets_its_dates(cut):
    lot = cut("T2.1", 6, 24, "T3")
    assert grow_healed(on=date(2026, 12, 8)) == 0
    move_clock(to=farm_time("2026-12-09 05:00"))
    tick(farm_time("2026-12-09 05:00"))
    lot.refresh_from_db()
    assert lot.state == Lot.State.GROWING
    assert lot.p50_on is not None and lot.p80_on > lot.p50_on
    assert grow_healed(on=date(2026, 12, 10)) == 0
    assert verify_ledger() == []


def test_no_cut_stands_on_a_base_that_has_not_cured(cut, person):
    # 60 of BB-11 are usable; BB-12 may be used from 8 Dec.
    with pytest.raises(BasesNotUsable, match="BB-12 may be used from 8 Dec"):
        cut("T3.5", 4, 16, "T3", base_batch="BB-12", at=farm_time("2026-12-01 09:00"))
    with pytest.raises(BasesNotUsable, match="70 bases are wanted, 60 may be used on 25 Nov"):
        cut("T3.5", 20, 70, "T3")
    assert not Lot.objects.filter(cut_on=date(2026, 11, 25)).exists()
    assert BaseBatch.objects.get(code="BB-11").pieces == 60
    lot = cut("T3.5", 4, 16, "T3")
    assert lot.base_batch.code == "BB-11"
    assert BaseBatch.objects.get(code="BB-11").pieces == 44
    # Its day alone does not make it usable: nobody has rinsed it and let it out.
    eighth = farm_time("2026-12-08 09:00")
    with pytest.raises(BasesNotUsable, match="BB-12 is curing and was not let out"):
        cut("T3.5", 4, 16, "T3", base_batch="BB-12", at=eighth)
    rinse_bases(code="BB-12", on=date(2026, 12, 5), user=person("G1"), at=eighth)
    release_bases(code="BB-12", ph_rise=None, user=person("LD"), at=eighth)
    late = cut("T3.5", 4, 16, "T3", base_batch="BB-12", at=eighth)
    assert late.base_batch.code == "BB-12"


def test_mothers_are_cut_down_to_the_floor_by_a_lead_and_to_the_hard_floor_by_the_owner(cut):
    # Plum Trellis keeps 10 and 12, its floor is 20, its hard floor 10.
    with pytest.raises(NotAllowed):
        cut("A6.7", 1, 4, "A5", who="G1")
    with pytest.raises(CutBelowFloor, match="Take 2 at most"):
        cut("A6.7", 3, 12, "A5")
    assert cut("A6.7", 2, 8, "A5").parent.state == "kept"
    assert cut("A6.7", 8, 30, "A5", who="OW").generation == 1
    Strain.objects.filter(key="LMS").update(floor_pieces=16, hard_floor_pieces=16)
    with pytest.raises(CutBelowFloor, match="Take 0 at most"):
        cut("A6.2", 1, 3, "A5", who="OW")


@pytest.mark.parametrize(
    "facts, refusal",
    [
        (("T2.1", 35, 60, "T3"), CutUnbelievable),
        (("T2.1", 0, 60, "T3"), CutUnbelievable),
        (("T2.1", 3, 0, "T3"), CutUnbelievable),
        (("ZZ", 3, 9, "T3"), Unknown),
        (("T2.1", 3, 9, "ZZ"), Unknown),
        (("T2.1", 3, 9, "P5.7"), Unknown),
        (("T2.1", 3, 9, "A6.7"), Unknown),
        (("P2.3", 3, 9, "A5"), TrayUnderHold),
        (("T5.1", 1, 2, "T5"), CutUnbelievable),
    ],
)
def test_a_cut_that_cannot_be_leaves_nothing(cut, facts, refusal):
    trays, plugs = Tray.objects.count(), PlugLot.objects.get(state="clean").count
    with pytest.raises(refusal):
        cut(*facts)
    assert (Tray.objects.count(), stands("T2.1")) == (trays, 34)
    assert PlugLot.objects.get(state="clean").count == plugs


def test_plugs_that_are_not_clean_do_not_count(cut):
    PlugLot.objects.filter(state="clean").update(count=20)
    with pytest.raises(PlugsMissing, match="24 plugs are wanted, 20 are clean"):
        cut("T2.1", 6, 24, "T3")
    assert stands("T2.1") == 34


def test_held_water_keeps_its_cuts(cut):
    assert cut("P2.3", 3, 9, "P1").state == "healing"


def test_the_page_records_cuts_and_reckons_the_pool(cut, client, person):
    client.force_login(person("LD"))
    sent = {"act": "cut", "from": "t2.1", "parents": "6", "pieces": "24", "to": "T3"}
    page = page_words(client.post(reverse("cutting"), sent, follow=True))
    assert "24 pieces heal now" in page and "PLT-261125-T3" in page
    page = page_words(client.get(reverse("cutting") + "?strain=plt&sold=20&cycle=10"))
    # 4 a parent, 0.95 heal: 200 / 2.8 is 71.4.
    assert "<b>72 pieces</b>" in page
    assert client.get(reverse("cutting") + "?strain=PLT&sold=x").status_code == 422
    assert client.get(reverse("cutting") + "?strain=QYG&sold=1&cycle=1").status_code == 404
    client.force_login(person("B01"))
    assert client.get(reverse("cutting")).status_code == 403
