"""The ledger: each move once, no move that cannot be, and two sums that follow it.

Figures are of a small farm written here: 20 ready pieces in B1.1, 6 kept in B1.3, B1.2 empty.
"""

from decimal import Decimal

import pytest
from django.db import connection, transaction
from django.db.utils import DatabaseError
from tests_support import farm_time

from inventory import ledger
from inventory.errors import ForbiddenMove
from inventory.models import (
    Balance,
    Form,
    Lot,
    Movement,
    StockTotal,
    Strain,
    StrainClass,
    StrainForm,
    Tray,
    Trough,
    WaterSystem,
)

pytestmark = pytest.mark.django_db

AT = farm_time("2026-11-25 09:00")


@pytest.fixture
def water(db):
    """Three trays of 24 positions in one trough, and a strain-form to stand in them."""
    strain = Strain.objects.create(
        key="PLT",
        name="Plum Trellis",
        taxon="Seriatopora hystrix",
        strain_class=StrainClass.objects.create(code="SPS", name="Stony", list_order=1),
        level=3,
        held_since=2015,
    )
    form = Form.objects.create(key="plug", name="plug", positions=24)
    system = WaterSystem.objects.create(code="B", name="Bittern", volume_m3=Decimal("9"))
    trough = Trough.objects.create(
        code="B1",
        system=system,
        kind="plug trough",
        light_index=Decimal("1.0"),
        flow="high",
        slots=8,
        aisle=1,
        aisle_length_m=Decimal("9.6"),
        walk_order=1,
    )
    for slot, use in enumerate(("sale", "empty", "kept"), 1):
        Tray.objects.create(
            code=f"B1.{slot}", trough=trough, slot=slot, form=form, positions=24, use=use
        )
    strain_form = StrainForm.objects.create(strain=strain, form=form, bag="P2")
    for code, state in (("one", "ready"), ("two", "growing"), ("mothers", "kept")):
        Lot.objects.create(code=code, strain_form=strain_form, state=state)
    shift("one", "found", "B1.1", 20)
    shift("mothers", "found", "B1.3", 6)


def place(code):
    tray = Tray.objects.filter(code=code).first()
    return ledger.tray_place(tray) if tray else ledger.end_place(code)


def shift(lot, source, target, pieces, **more):
    return ledger.move_pieces(
        lot=Lot.objects.get(code=lot),
        from_place=place(source),
        to_place=place(target),
        pieces=pieces,
        reason="shift",
        at=AT,
        **more,
    )


def standing():
    return dict(Balance.objects.values_list("tray__code", "pieces"))


def totals():
    return dict(StockTotal.objects.filter(pieces__gt=0).values_list("standing", "pieces"))


def test_a_client_key_lands_once(water):
    first = shift("one", "B1.1", "bench", 3, client_key="phone-7")
    second = shift("one", "B1.1", "bench", 3, client_key="phone-7")

    assert first.pk == second.pk
    assert Movement.objects.filter(client_key="phone-7").count() == 1
    assert standing() == {"B1.1": 17, "B1.3": 6}
    assert ledger.verify_ledger() == []


@pytest.mark.parametrize(
    ("lot", "source", "target", "pieces"),
    [
        ("one", "B1.1", "bench", 4),
        ("one", "B1.1", "lost", 3),
        ("one", "bench", "B1.1", 3),
        ("two", "B1.1", "bench", 3),
    ],
)
def test_another_move_under_a_used_key_is_refused(water, lot, source, target, pieces):
    shift("one", "B1.1", "bench", 3, client_key="phone-7")

    with pytest.raises(ledger.OtherMoveUnderKey, match="The key phone-7 belongs to another move"):
        shift(lot, source, target, pieces, client_key="phone-7")

    assert standing() == {"B1.1": 17, "B1.3": 6}


def test_moves_without_a_key_are_each_a_move(water):
    shift("one", "B1.1", "bench", 3)
    shift("one", "B1.1", "bench", 3)

    assert standing()["B1.1"] == 14


@pytest.mark.parametrize(
    ("move", "refusal", "words"),
    [
        (("one", "B1.1", "bench", 21), ledger.NotEnoughInTray, "B1.1 holds 20 pieces, 21 were"),
        (("two", "B1.1", "bench", 1), ledger.NotEnoughInTray, "B1.1 holds 0 pieces, 1 were"),
        (("one", "B1.2", "bench", 1), ledger.NotEnoughInTray, "B1.2 holds 0 pieces, 1 were"),
        (("two", "found", "B1.1", 1), ledger.TwoLotsInTray, "B1.1 already holds 20 of lot one"),
        (("one", "found", "B1.1", 5), ledger.AboveTrayPositions, "24 positions, 25 pieces"),
        (("two", "found", "B1.2", 25), ledger.AboveTrayPositions, "24 positions, 25 pieces"),
    ],
)
def test_a_move_that_cannot_be_leaves_nothing_behind(water, move, refusal, words):
    moves = Movement.objects.count()

    with pytest.raises(refusal, match=words):
        shift(*move)

    assert Movement.objects.count() == moves
    assert standing() == {"B1.1": 20, "B1.3": 6}
    assert totals() == {"ready": 20, "kept": 6}
    assert ledger.verify_ledger() == []


def test_an_emptied_tray_takes_another_lot_and_counts_it_from_that_day(water):
    shift("one", "B1.1", "B1.2", 20)
    shift("two", "found", "B1.1", 9)

    assert standing() == {"B1.1": 9, "B1.2": 20, "B1.3": 6}
    assert Balance.objects.get(tray__code="B1.1").lot.code == "two"
    assert totals() == {"ready": 20, "growing": 9, "kept": 6}
    assert ledger.verify_ledger() == []


@pytest.mark.parametrize(
    "statement",
    ["UPDATE inventory_movement SET pieces = pieces + 1", "DELETE FROM inventory_movement"],
)
def test_the_database_itself_refuses_to_change_the_ledger(water, statement):
    before = list(Movement.objects.order_by("pk").values())

    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)

    assert list(Movement.objects.order_by("pk").values()) == before


@pytest.mark.parametrize("act", ["update", "delete"])
def test_the_ledger_is_no_more_open_from_python(water, act):
    rows = Movement.objects.filter(reason="shift")

    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        rows.update(pieces=1) if act == "update" else rows.delete()

    assert sorted(rows.values_list("pieces", flat=True)) == [6, 20]


def test_doctored_sums_are_named_and_mended(water):
    Balance.objects.filter(tray__code="B1.1").update(pieces=23)
    StockTotal.objects.filter(standing="kept").update(pieces=5)
    shown = StrainForm.objects.get().pk, WaterSystem.objects.get().pk

    assert ledger.verify_ledger() == [
        "Tray B1.1: the ledger says 20, the balance says 23.",
        f"Strain-form {shown[0]} in system {shown[1]}, kept: the ledger says 6, "
        "the roll-up says 5.",
    ]
    assert ledger.rebuild_balances() == (1, 1)
    assert ledger.verify_ledger() == []
    assert (standing(), totals()) == ({"B1.1": 20, "B1.3": 6}, {"ready": 20, "kept": 6})
    assert ledger.rebuild_balances() == (0, 0)


def test_sums_that_were_lost_altogether_come_back_from_the_ledger(water):
    Balance.objects.all().delete()
    StockTotal.objects.all().delete()

    assert len(ledger.verify_ledger()) == 4
    assert ledger.rebuild_balances() == (2, 2)
    assert ledger.verify_ledger() == []
    assert (standing(), totals()) == ({"B1.1": 20, "B1.3": 6}, {"ready": 20, "kept": 6})
    assert f"{Balance.objects.get(tray__code='B1.1').counted_on}" == "2026-11-25"


def test_a_balance_under_another_lot_is_put_right(water):
    Balance.objects.filter(tray__code="B1.1").update(lot=Lot.objects.get(code="two"))

    assert len(ledger.verify_ledger()) == 2
    ledger.rebuild_balances()
    assert ledger.verify_ledger() == []
    assert Balance.objects.get(tray__code="B1.1").lot.code == "one"


def test_more_off_the_bench_than_came_to_it_is_named(water):
    shift("one", "B1.1", "bench", 3)
    shift("one", "bench", "road", 5)

    assert ledger.verify_ledger() == ["Lot one: 2 more pieces left the bench than came to it."]


def test_the_roll_up_follows_a_lots_state(water):
    shift("one", "B1.1", "B1.2", 8)

    ledger.change_lot_state(lot_id=Lot.objects.get(code="one").pk, state="growing")
    assert totals() == {"growing": 20, "kept": 6}
    ledger.change_lot_state(lot_id=Lot.objects.get(code="one").pk, state="kept")
    assert totals() == {"kept": 26}
    ledger.change_lot_state(lot_id=Lot.objects.get(code="mothers").pk, state="lost")
    assert totals() == {"kept": 20}
    assert ledger.verify_ledger() == []


# Which state may follow which, as the farm keeps its lots.
FOLLOWS = {
    "cut": "healing kept lost",
    "healing": "growing kept lost",
    "growing": "ready kept lost spent",
    "ready": "growing spent kept lost",
    "spent": "ready lost",
    "kept": "ready lost",
    "lost": "",
}


@pytest.mark.parametrize("state", sorted(FOLLOWS))
def test_a_lot_makes_its_own_moves_and_no_other(water, state):
    strain_form = StrainForm.objects.get()
    for wanted in FOLLOWS:
        lot = Lot.objects.create(code=f"to {wanted}", strain_form=strain_form, state=state)
        if wanted in FOLLOWS[state].split():
            assert ledger.change_lot_state(lot_id=lot.pk, state=wanted).state == wanted
            continue
        with pytest.raises(ForbiddenMove, match=f"is {state} and cannot become {wanted}"):
            ledger.change_lot_state(lot_id=lot.pk, state=wanted)
        lot.refresh_from_db()
        assert lot.state == state


def test_a_move_of_nothing_is_refused_by_the_table_itself(water):
    with pytest.raises(DatabaseError), transaction.atomic():
        shift("one", "B1.1", "bench", 0)
    assert standing()["B1.1"] == 20
