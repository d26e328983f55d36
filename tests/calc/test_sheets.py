from datetime import date

import pytest

from shipping.calc.sheets import Pick, arrange_sheets, order_systems
from shipping.calc.trays import Tray

FIRST_TROUGH = {"A": 0, "T": 8, "H": 16, "P": 24}


def make_tray(code, **facts):
    trough, slot = code.split(".")
    number = int(trough[1])
    return Tray(
        code=code,
        system=trough[0],
        walk_order=FIRST_TROUGH[trough[0]] + number,
        slot=int(slot),
        aisle=(number + 1) // 2,
        countable_pieces=50,
        cut_on=date(2026, 9, 14),
        **facts,
    )


# worked figures of the farm, Tuesday of 2026-W49: a few of the picks
TUESDAY = [
    Pick(make_tray("T3.11"), "APT base", "4902", 3, is_toxin=True),
    Pick(make_tray("H2.3"), "TFT plug", "4902", 6),
    Pick(make_tray("T2.1"), "PLT plug", "4903", 4, left_pieces=1),
    Pick(make_tray("T2.1"), "PLT plug", "4910", 12, left_pieces=1),
    Pick(make_tray("A5.5"), "PLT plug", "4901", 6, left_pieces=22),
    Pick(make_tray("T2.1"), "PLT plug", "4908", 7, left_pieces=1),
    Pick(make_tray("T2.1"), "PLT plug", "4902", 8, left_pieces=1),
    Pick(make_tray("T1.2"), "WKB plug", "4911", 10),
    Pick(make_tray("T4.37"), "CTH base", "4908", 8, is_toxin=True),
]


def test_systems_are_walked_cleanest_first_and_held_ones_never():
    # worked figures of the farm: P has been on hold since 2026-11-20
    lifted = {
        "H": date(2026, 9, 20),
        "P": None,
        "T": date(2026, 6, 15),
        "A": date(2026, 3, 2),
    }

    assert order_systems(last_lifted_on=lifted, held={"P"}) == ("A", "T", "H")


def test_a_system_that_was_never_held_is_cleanest():
    assert order_systems(last_lifted_on={"A": date(2020, 1, 1), "T": None}, held=()) == ("T", "A")


def test_toxic_lines_stand_on_a_sheet_of_their_own_after_the_others():
    sheets = arrange_sheets(picks=TUESDAY, systems=["A", "T", "H"])

    drawn = [(sheet.number, sheet.system, sheet.is_toxin) for sheet in sheets]
    assert drawn == [(1, "A", False), (2, "T", False), (3, "H", False), (4, "T", True)]


def test_a_tray_is_one_stop_with_its_orders_largest_first():
    sheet = arrange_sheets(picks=TUESDAY, systems=["A", "T", "H"])[1]

    wicker, plum = sheet.stops
    assert (wicker.number, wicker.tray.code, wicker.pieces) == (1, "T1.2", 10)
    assert (plum.number, plum.tray.code, plum.pieces, plum.left_pieces) == (2, "T2.1", 31, 1)
    assert plum.order_pieces == (("4910", 12), ("4902", 8), ("4908", 7), ("4903", 4))


def test_checksum_metres_and_minutes_by_hand():
    sheet = arrange_sheets(picks=TUESDAY, systems=["A", "T", "H"])[3]

    # T3.11 and T4.37 face each other in aisle 2: one pitch over, 3.6 m and 11.4 m in.
    # There and back by the front: 2 x (2.4 + 11.4) = 27.6 m; by the back 2 x (2.4 + 14.4) = 33.6.
    assert sheet.walk_m == pytest.approx(27.6)
    assert sheet.checksum_pieces == 3 + 8
    # 27.6 / 1.2 + 2 x 25 + 11 x 8 = 23 + 50 + 88 = 161 s
    assert sheet.walk_min == pytest.approx(161 / 60)


def test_sheets_do_not_depend_on_the_order_of_the_picks():
    systems = ["A", "T", "H"]

    assert arrange_sheets(picks=TUESDAY, systems=systems) == arrange_sheets(
        picks=TUESDAY[::-1], systems=systems
    )


@pytest.mark.parametrize(
    "tray", [make_tray("P5.4"), make_tray("A6.7", is_kept=True), make_tray("T2.1", is_held=True)]
)
def test_a_held_or_kept_tray_is_never_drawn(tray):
    with pytest.raises(ValueError, match=f"{tray.code} is held, kept"):
        arrange_sheets(picks=[Pick(tray, "PLT plug", "4901", 1)], systems=["A", "T", "H"])
