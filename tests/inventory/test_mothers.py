"""The mother reserve: floors, spread over systems, what to move; the map of a line."""

from datetime import date

import pytest
from tests_support import page_words

from inventory.calc.reserve import move_pieces, spread_share
from inventory.carrying import TrayUnderHold
from inventory.clock import farm_now, farm_today
from inventory.errors import NotAllowed, Unknown
from inventory.holds import ReasonMissing
from inventory.ledger import verify_ledger
from inventory.models import Balance, Happening, Lot, Tray
from inventory.mothers import line_of, mothers_of_all
from inventory.rebalancing import NotAMotherTray, SpreadNoBetter, move_mothers, steps_of
from inventory.setting_book import SettingBook
from inventory.standing import read_stock


@pytest.fixture
def mothers(farm):
    def read(monday=date(2026, 11, 30)):
        rows = mothers_of_all(
            stocks=read_stock(), monday=monday, book=SettingBook.read(on=farm_today())
        )
        return {row.strain: row for row in rows}

    return read


def test_three_lines_stand_in_one_system_only(mothers):
    """job.md 4.7: PNR in P, RKP and LCC in H; for PNR: move 6 to T when the hold lifts."""
    rows = mothers()
    alone = {key: row for key, row in rows.items() if len(row.kept_pieces) == 1}
    assert {key: row.kept_pieces for key, row in alone.items()} == {
        "PNR": {"P": 14},
        "RKP": {"H": 10},
        "LCC": {"H": 12},
    }
    assert "the whole line stands in one system: all 14 kept are in P" in rows["PNR"].warnings
    assert rows["PNR"].proposal == "move 6 to T when the hold lifts"
    assert rows["RKP"].proposal == "move 6 to T"
    assert rows["PLT"].proposal == ""


def test_a_hold_raises_the_gap_and_its_lift_closes_it(mothers):
    """job.md 4.7: PLT floor 20, kept 10 clean and 12 held -> 4; clear once the hold lifts."""
    assert mothers()["PLT"].gap_pieces == 4
    assert mothers()["PLT"].held_pieces == 12
    lifted = mothers(monday=date(2026, 12, 14))["PLT"]
    assert (lifted.gap_pieces, lifted.held_pieces) == (0, 0)


def test_idle_lines_keep_a_floor_too(mothers):
    rows = mothers()
    assert (rows["MSL"].is_making, rows["MSL"].floor_pieces) == (False, 20)
    # Clams are not cut and trees are not for sale: no floor, no row.
    assert not {"QYG", "HBC", "TDC", "RMG"} & set(rows)


@pytest.mark.parametrize(
    ("kept", "expected"),
    [
        ({}, ("", 0)),
        ({"A": 5}, ("A", 1)),
        ({"H": 6, "A": 6}, ("A", 0.5)),
        ({"A": 1, "H": 3}, ("H", 0.75)),
    ],
)
def test_spread(kept, expected):
    assert spread_share(kept_pieces=kept) == expected


@pytest.mark.parametrize(
    ("pool", "hard", "expected"),
    [(14, 6, 6), (10, 8, 6), (12, 6, 6), (1, 4, 0), (0, 0, 0), (20, 4, 7)],
)
def test_what_to_move_leaves_neither_system_too_much(pool, hard, expected):
    moved = move_pieces(pool_pieces=pool, hard_floor_pieces=hard, most_share=0.65)
    assert moved == expected
    if moved:
        assert max(moved, pool - moved) / pool <= 0.65


def test_a_line_shows_its_generations(farm):
    mother = Lot.objects.get(code="PLT-260914-T21")
    Lot.objects.filter(code="PLT-261006-T22").update(parent=mother, generation=1)
    strain, lots = line_of(strain_key="PLT")
    assert strain.name == "Plum Trellis"
    assert [row.generation for row in lots] == sorted(row.generation for row in lots)
    assert (lots[-1].lot, lots[-1].parent) == ("PLT-261006-T22", "PLT-260914-T21")
    assert sum(row.pieces for row in lots) == 34 + 30 + 26 + 62 + 10 + 12
    with pytest.raises(Unknown):
        line_of(strain_key="ZZZ")


@pytest.mark.parametrize(
    ("address", "words"),
    [
        (
            "/house/",
            ("P Plover", "on hold", "T2.1: 34 PLT plug, ready", "growing pieces are expected"),
        ),
        ("/mothers/", ("3 lines", "Move 6 to T when the hold lifts", "Moss Ledger")),
        ("/lines/PLT/", ("174 pieces in", "systems A, P, T", "line-map")),
        ("/seasons/", ("Fen Kiln rests since 9 Nov 2026", "Copper Awning", "season curve")),
    ],
)
def test_the_pages_say_so(farm, person, client, address, words):
    client.force_login(person("G1"))
    page = page_words(client.get(address))
    for text in words:
        assert text in page, text
    client.force_login(person("B02"))
    assert client.get(address).status_code == 403


# ---- moving mothers


@pytest.fixture
def free_tray(farm):
    """An empty tray in T: in the demo every one is in use."""
    like = Tray.objects.get(code="T4.1")
    taken = set(Tray.objects.filter(trough=like.trough).values_list("slot", flat=True))
    slot = next(slot for slot in range(1, 99) if slot not in taken)
    return Tray.objects.create(
        code="T4.99", trough=like.trough, slot=slot, form=like.form, positions=15, use="empty"
    )


def steps(mothers):
    return steps_of(rows=[row for row in mothers().values() if row.warnings])


def move(person, code="LD", **more):
    asked = {"from_tray": "H3.1", "to_tray": "", "pieces": 6, "reason": "one pump, one night"}
    return move_mothers(**{**asked, **more}, user=person(code), at=farm_now())


def test_a_line_in_one_system_is_parted_by_a_signed_move(mothers, free_tray, person):
    step = steps(mothers)["RKP"]
    assert (step.pieces, step.to_tray, step.stop) == (6, "T4.99", "")
    move(person, from_tray=step.from_tray, to_tray=step.to_tray, pieces=step.pieces)
    row = mothers()["RKP"]
    assert row.kept_pieces == {"H": 4, "T": 6}
    assert row.proposal == ""
    assert Tray.objects.get(code=step.to_tray).use == "kept"
    assert verify_ledger() == []
    told = Happening.objects.filter(kind="tray.shifted").last().facts
    assert "6 mothers" in told["reason"] and "one pump, one night" in told["reason"]


def test_a_line_that_leans_on_one_system_gives_what_is_above_its_share(mothers):
    Balance.objects.filter(lot__state="kept", strain_form__strain__key="KLN").update(pieces=9)
    Balance.objects.filter(lot__state="kept", tray__code="A6.1").update(pieces=15)
    row = mothers()["KLN"]
    # 15 of 24 is 62 %: well. 20 of 29 is 69 %: 18 may stay, 2 go to where fewest stand.
    assert row.proposal == ""
    Balance.objects.filter(lot__state="kept", tray__code="A6.1").update(pieces=20)
    assert mothers()["KLN"].proposal == "move 2 to T"


def test_what_is_held_waits_for_its_hold(mothers, person):
    step = steps(mothers)["PNR"]
    assert "HD-1 holds" in step.stop
    # Every tray of T is in use: the lead names one once it is there.
    assert step.to_tray == ""
    with pytest.raises(TrayUnderHold):
        move(person, from_tray=step.from_tray, to_tray="T4.1")


def test_what_may_not_move(mothers, free_tray, person):
    step = steps(mothers)["RKP"]
    known = {"from_tray": step.from_tray, "to_tray": step.to_tray}
    with pytest.raises(NotAllowed):
        move(person, "G1", **known)
    with pytest.raises(ReasonMissing):
        move(person, **known, **{"reason": ""})
    with pytest.raises(NotAMotherTray):
        move(person, from_tray="T2.1", to_tray=step.to_tray)
    with pytest.raises(Unknown):
        move(person, from_tray="Z9.9", to_tray=step.to_tray)
    with pytest.raises(SpreadNoBetter, match="100% of the mothers of RKP would stand in system T"):
        move(person, **known, pieces=10)
    assert mothers()["RKP"].kept_pieces == {"H": 10}


def test_the_page_moves_them(mothers, free_tray, person, client):
    step = steps(mothers)["RKP"]
    client.force_login(person("LD"))
    assert "Move the mothers of RKP" in client.get("/mothers/").content.decode()
    form = {"from": step.from_tray, "to": step.to_tray, "pieces": "6", "reason": "spread"}
    assert client.post("/mothers/", form).status_code == 302
    assert mothers()["RKP"].kept_pieces == {"H": 4, "T": 6}
    client.force_login(person("G1"))
    assert "Move the mothers of" not in client.get("/mothers/").content.decode()
