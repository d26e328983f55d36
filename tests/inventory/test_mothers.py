"""The mother reserve: floors, spread over systems, what to move; the map of a line."""

from datetime import date

import pytest

from inventory.calc.reserve import move_pieces, spread_share
from inventory.clock import farm_today
from inventory.errors import Unknown
from inventory.models import Lot
from inventory.mothers import line_of, mothers_of_all
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
    page = client.get(address).content.decode()
    for text in words:
        assert text in page, text
    client.force_login(person("B02"))
    assert client.get(address).status_code == 403
