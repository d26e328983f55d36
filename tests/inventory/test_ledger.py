"""The ledger: one row an event, never changed, and two sums that always agree with it."""

import pytest
from django.db import DatabaseError, connection, transaction
from tests_support import farm_time

from inventory import ledger
from inventory.clock import farm_now
from inventory.errors import ForbiddenMove
from inventory.holds import LiftNotEarned, confirm_hold, lift_hold, look_at_hold, void_hold
from inventory.models import Balance, Hold, Lot, Movement, StockTotal, Tray


def move(tray="T2.1", pieces=3, key="k1", **more):
    balance = Balance.objects.select_related("lot").get(tray__code=tray)
    here = ledger.tray_place(Tray.objects.select_related("trough").get(code=tray))
    ends = {"from_place": here, "to_place": ledger.end_place("dead")} | more
    return ledger.move_pieces(
        lot=balance.lot, pieces=pieces, reason="death", at=farm_now(), client_key=key, **ends
    )  # fmt: skip


@pytest.mark.parametrize("act", ["UPDATE {table} SET pieces = 1", "DELETE FROM {table}"])
def test_a_movement_can_neither_be_changed_nor_deleted(farm, act):
    statement = f"{act.format(table='inventory_movement')} WHERE id = %s"
    key = Movement.objects.first().pk
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(statement, [key])


def test_a_client_key_lands_once_and_belongs_to_one_move(farm):
    first, again = move(), move()

    assert first == again
    assert Balance.objects.get(tray__code="T2.1").pieces == 31
    with pytest.raises(ledger.OtherMoveUnderKey):
        move(pieces=4)


def test_what_is_not_there_cannot_be_taken(farm):
    with pytest.raises(ledger.NotEnoughInTray, match="holds 34 pieces, 35 were asked for"):
        move(pieces=35)
    assert Balance.objects.get(tray__code="T2.1").pieces == 34


def test_a_tray_takes_one_lot_and_no_more_than_its_places(farm):
    place = ledger.tray_place(Tray.objects.select_related("trough").get(code="A5.5"))
    with pytest.raises(ledger.TwoLotsInTray, match="A5.5 already holds 30"):
        move(to_place=place)
    found = ledger.end_place("found")
    here = ledger.tray_place(Tray.objects.select_related("trough").get(code="T2.1"))
    with pytest.raises(ledger.AboveTrayPositions, match="72 positions, 73 pieces"):
        move(pieces=39, from_place=found, to_place=here)


def test_a_doctored_sum_is_named_and_mended(farm):
    assert ledger.verify_ledger() == []
    Balance.objects.filter(tray__code="T2.1").update(pieces=99)
    total = StockTotal.objects.filter(strain_form__strain__key="PLT", standing="ready").first()
    StockTotal.objects.filter(pk=total.pk).update(pieces=1)
    found = ledger.verify_ledger()

    assert "Tray T2.1: the ledger says 34, the balance says 99." in found
    assert any("the roll-up says 1" in sentence for sentence in found)
    assert ledger.rebuild_balances() == (1, 1)
    assert ledger.verify_ledger() == []


def test_the_roll_up_follows_a_lots_state_and_forbidden_moves_are_named(farm):
    lot = Balance.objects.get(tray__code="T2.2").lot

    def ready_in_t():
        rows = StockTotal.objects.filter(
            strain_form=lot.strain_form, system__code="T", standing="ready"
        )
        return sum(rows.values_list("pieces", flat=True))

    before = ready_in_t()
    ledger.change_lot_state(lot_id=lot.pk, state="ready")
    assert ready_in_t() == before + 62
    assert ledger.verify_ledger() == []
    ledger.change_lot_state(lot_id=lot.pk, state="lost")
    with pytest.raises(ForbiddenMove, match="is lost and cannot become ready"):
        ledger.change_lot_state(lot_id=lot.pk, state="ready")
    assert Lot.objects.get(pk=lot.pk).state == "lost"


def test_a_hold_is_lifted_only_when_its_looks_have_earned_it(farm, person):
    hold, lead = Hold.objects.get(code="HD-1"), person("LD")

    def look(day):
        return look_at_hold(
            hold=hold, looked_at=farm_time(f"{day} 08:30"), user=lead, is_clean=True
        )  # fmt: skip

    assert look("2026-11-27").is_counted and look("2026-12-04").is_counted
    with pytest.raises(LiftNotEarned, match="has 2. The next look that counts is due on Fri 11"):
        lift_hold(hold=hold, at=farm_time("2026-12-04 10:30"), user=lead)
    assert not look("2026-12-10").is_counted
    assert look("2026-12-11").is_counted
    lifted = lift_hold(hold=hold, at=farm_time("2026-12-11 10:30"), user=lead)

    assert (lifted.state, str(lifted.system.last_lifted_on)) == ("lifted", "2026-12-11")
    with pytest.raises(ForbiddenMove, match="is lifted and cannot become confirmed"):
        confirm_hold(hold=hold, at=farm_now(), user=lead)


def test_a_confirmed_hold_is_no_mistake(farm, person):
    hold = Hold.objects.get(code="HD-1")
    confirm_hold(hold=hold, at=farm_now(), user=person("LD"))
    with pytest.raises(ForbiddenMove, match="is confirmed and cannot become void"):
        void_hold(hold=hold, at=farm_now(), user=person("LD"), reason="a mistake")
