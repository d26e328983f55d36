"""Pieces for sale become mothers, mothers are let go: signed, the floor minded, no piece lost."""

import pytest
from tests_support import page_words

from inventory.carrying import TrayUnderHold
from inventory.clock import farm_now, farm_today
from inventory.errors import NotAllowed, ReasonMissing, Unknown
from inventory.holds import raise_hold
from inventory.keeping import (
    Keep,
    KeptBelowFloor,
    NothingToKeep,
    TrayInOtherUse,
    keep_pieces,
    release_mothers,
)
from inventory.ledger import NotEnoughInTray, StillInQuarantine, place_tray, verify_ledger
from inventory.models import Balance, Happening, Lot, Movement, Strain, Tray, Trough
from inventory.setting_book import SettingBook
from orders.promising import can_promise_all
from orders.weeks import week_named


@pytest.fixture
def empty_tray(farm):
    """An empty tray in T: in the demo every one is in use."""
    like = Tray.objects.get(code="T4.1")
    taken = set(Tray.objects.filter(trough=like.trough).values_list("slot", flat=True))
    slot = next(slot for slot in range(1, 99) if slot not in taken)
    return Tray.objects.create(
        code="T4.99", trough=like.trough, slot=slot, form=like.form, positions=72, use="empty"
    )


@pytest.fixture
def keep(farm, person):
    def act(from_tray="T2.1", to_place="T4.99", pieces=4, reason="the gap of 7.4", who="LD"):
        keep = Keep(from_tray=from_tray, to_place=to_place, pieces=pieces, reason=reason)
        return keep_pieces(keep=keep, user=person(who), at=farm_now())

    return act


@pytest.fixture
def release(farm, person):
    def act(from_tray, to_place="T4.99", pieces=1, reason="the line is wide", who="LD"):
        keep = Keep(from_tray=from_tray, to_place=to_place, pieces=pieces, reason=reason)
        return release_mothers(keep=keep, user=person(who), at=farm_now())

    return act


def standing(tray):
    row = Balance.objects.filter(tray__code=tray, pieces__gt=0).select_related("lot").first()
    return (row.pieces, row.lot.state) if row else (0, "")


def promise_of(key="PLT"):
    week = week_named(name="2026-W49")
    book = SettingBook.read(on=farm_today())
    rows = can_promise_all(week=week, on=farm_today(), is_on_sale=True, book=book)
    return next(row for row in rows.values() if row.stock.key == f"{key} plug")


def kept_of(key):
    rows = Balance.objects.filter(strain_form__strain__key=key, lot__state="kept")
    return sum(rows.values_list("pieces", flat=True))


def test_what_closes_the_gap_of_a_line_takes_nothing_from_what_can_be_promised(keep, empty_tray):
    # job.md 7.4: PLT stands 4 short of its floor, and 56 can be promised all the same.
    before, kept = promise_of(), kept_of("PLT")
    assert (before.pieces, before.supply.gap_pieces) == (56, 4)
    there, _ = standing("T2.1")
    lot = keep()
    after = promise_of()
    assert (after.pieces, after.supply.gap_pieces) == (56, 0)
    assert kept_of("PLT") == kept + 4 and standing("T2.1") == (there - 4, "ready")
    assert standing("T4.99") == (4, "kept") and Tray.objects.get(code="T4.99").use == "kept"
    assert (lot.state, lot.code) == ("kept", "PLT-kept-T499")
    assert verify_ledger() == []
    said = Happening.objects.filter(kind="tray.shifted").values_list("facts__tray", flat=True)
    assert set(said) >= {"T2.1", "T4.99"}


def test_more_of_the_same_join_them_and_a_whole_tray_changes_where_it_stands(keep, empty_tray):
    first = keep()
    assert keep(pieces=2) == first and standing("T4.99") == (6, "kept")
    rest, _ = standing("T2.1")
    lot = keep(to_place="T2.1", pieces=rest)
    assert standing("T2.1") == (rest, "kept") and Tray.objects.get(code="T2.1").use == "kept"
    assert lot != first and verify_ledger() == []


def test_a_tray_that_gave_its_last_piece_is_empty_and_takes_either_use(keep, release, empty_tray):
    rest, _ = standing("T2.1")
    keep(pieces=rest)
    assert Tray.objects.get(code="T2.1").use == "empty"
    release("T4.99", "T2.1", pieces=3)
    assert standing("T2.1") == (3, "ready") and Tray.objects.get(code="T2.1").use == "sale"
    assert verify_ledger() == []


def test_a_tray_is_set_up_in_a_trough_with_a_free_slot(keep):
    keep(to_place="T7")
    new = Tray.objects.latest("pk")
    assert new.trough.code == "T7" and new.use == "kept" and standing(new.code) == (4, "kept")


def test_a_lead_lets_go_to_the_floor_and_the_owner_to_the_lowest(release, empty_tray):
    strain = Strain.objects.get(key="KLN")
    kept = kept_of("KLN")
    Strain.objects.filter(pk=strain.pk).update(floor_pieces=kept - 2, hard_floor_pieces=kept - 3)
    with pytest.raises(KeptBelowFloor, match="Let 2 go at most"):
        release("A6.1", pieces=3)
    lot = release("A6.1", pieces=2)
    assert (lot.state, lot.strain_form.strain.key) == ("ready", "KLN")
    with pytest.raises(KeptBelowFloor):
        release("A6.1", pieces=1)
    release("A6.1", pieces=1, who="OW")
    with pytest.raises(KeptBelowFloor):
        release("A6.1", pieces=1, who="OW")
    assert verify_ledger() == []


@pytest.mark.parametrize(
    ("asked", "refusal"),
    [
        ({"who": "G1"}, NotAllowed),
        ({"who": "OF"}, NotAllowed),
        ({"reason": "  "}, ReasonMissing),
        ({"from_tray": "A6.1"}, NothingToKeep),
        ({"from_tray": "Z9.9"}, NothingToKeep),
        ({"pieces": 0}, NotEnoughInTray),
        ({"pieces": 999}, NotEnoughInTray),
        ({"to_place": "Z9"}, Unknown),
        ({"to_place": "T2.2"}, TrayInOtherUse),
        ({"to_place": "T2.1"}, TrayInOtherUse),
        ({"to_place": "A6.1"}, TrayInOtherUse),
    ],
)
def test_what_cannot_be_kept_leaves_every_piece_where_it_is(keep, empty_tray, asked, refusal):
    moves, lots = Movement.objects.count(), Lot.objects.count()
    with pytest.raises(refusal):
        keep(**asked)
    assert (Movement.objects.count(), Lot.objects.count()) == (moves, lots)
    assert Tray.objects.get(code="T4.99").use == "empty"


def test_what_is_held_stays_in_its_water(keep, release, empty_tray, person):
    raise_hold(
        scope_kind="tray", scope="A6.1", reason="film", grade="suspected", at=farm_now(),
        user=person("G1"),
    )  # fmt: skip
    Strain.objects.filter(key="KLN").update(floor_pieces=0, hard_floor_pieces=0)
    with pytest.raises(TrayUnderHold):
        release("A6.1")
    assert standing("A6.1")[1] == "kept"


def test_what_stands_in_quarantine_does_not_reach_the_farms_water_as_a_mother(keep, empty_tray):
    tray = Tray.objects.get(code="T2.1")
    place_tray(tray=tray, trough=Trough.objects.get(code="K1"), slot=1)
    with pytest.raises(StillInQuarantine):
        keep()
    assert standing("T4.99") == (0, "") and standing("T2.1")[1] == "ready"
    rest, _ = standing("T2.1")
    keep(to_place="T2.1", pieces=rest)
    assert standing("T2.1") == (rest, "kept") and verify_ledger() == []


def test_a_lead_does_it_on_the_page_and_a_grower_sees_no_form(keep, empty_tray, at_desk):
    lead, said = at_desk("LD"), {"from": "t2.1", "to": "t4.99", "pieces": "4", "reason": "gap"}
    assert "Pieces become mothers" in page_words(lead.get("/mothers/"))
    words = page_words(lead.post("/mothers/", said | {"act": "keep"}, follow=True))
    assert "4 of T2.1 are mothers now: lot PLT-kept-T499." in words
    Strain.objects.filter(key="PLT").update(floor_pieces=kept_of("PLT"))
    back = said | {"act": "release", "from": "T4.99", "to": "T2.1", "pieces": "1"}
    assert lead.post("/mothers/", back).status_code == 409
    assert lead.post("/mothers/", said | {"act": "sell"}).status_code == 404
    assert lead.post("/mothers/", said | {"act": "keep", "pieces": "x"}).status_code == 422
    assert "Pieces become mothers" not in page_words(at_desk("G1").get("/mothers/"))
    assert at_desk("G1").post("/mothers/", said | {"act": "keep"}).status_code == 403
