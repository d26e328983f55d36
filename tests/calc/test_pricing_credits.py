"""Credits for what arrived dead: amount, freight given back, when no person is needed.

Expected money is worked figures of the farm or sums written beside the check.
"""

from decimal import Decimal

import pytest

from orders.calc.pricing import (
    BoxLoss,
    DeadPieces,
    credit_amount,
    freight_credit,
)

D = Decimal
ONE_BOX = [BoxLoss(bags=49, dead_bags=3, billable_lb=61)]


def test_credit_is_pieces_at_the_price_paid():
    # 2 x 12.88 + 18.40 = 44.16; 3 of 49 bags, 6.1 %, is less than half a box: no freight.
    losses = [DeadPieces(2, D("12.88")), DeadPieces(1, D("18.40"))]
    assert credit_amount(losses=losses) == D("44.16")
    assert freight_credit(freight=D("156.35"), boxes=ONE_BOX, is_cause_ours=True) == 0
    # A late risk that the buyer took: half.
    assert credit_amount(losses=losses, share=D("0.5")) == D("22.08")
    assert credit_amount(losses=[]) == 0


def test_a_piece_out_of_a_pack_costs_its_part():
    # Ten seedlings 16.56 the pack: 3 x 1.656 = 4.968; all ten are the pack's price.
    assert credit_amount(losses=[DeadPieces(3, D("16.56"), pieces_per_unit=10)]) == D("4.97")
    assert credit_amount(losses=[DeadPieces(10, D("16.56"), pieces_per_unit=10)]) == D("16.56")


@pytest.mark.parametrize(
    ("loss", "share"),
    [
        (DeadPieces(-1, D(5)), D(1)),
        (DeadPieces(1, D(5), pieces_per_unit=0), D(1)),
        (DeadPieces(1, D(5)), D("1.5")),
        (DeadPieces(1, D(5)), D("-0.5")),
    ],
)
def test_a_credit_that_cannot_be_is_refused(loss, share):
    with pytest.raises(ValueError):
        credit_amount(losses=[loss], share=share)


@pytest.mark.parametrize(
    ("dead_bags", "is_cause_ours", "given"),
    [(25, True, "156.35"), (25, False, "0.00"), (24, True, "0.00"), (49, True, "156.35")],
)
def test_freight_is_given_back_over_half_a_box_for_our_cause_only(dead_bags, is_cause_ours, given):
    box = BoxLoss(bags=49, dead_bags=dead_bags, billable_lb=61)
    found = freight_credit(freight=D("156.35"), boxes=[box], is_cause_ours=is_cause_ours)
    assert found == D(given)


def test_exactly_half_a_box_gives_no_freight_back():
    box = BoxLoss(bags=18, dead_bags=9, billable_lb=19)
    assert freight_credit(freight=D("64.12"), boxes=[box], is_cause_ours=True) == 0


def test_only_the_lost_boxs_part_of_the_freight_is_given_back():
    # M 37 lb and S 19 lb on 153.44: the S box's part is 153.44 x 19 / 56 = 52.06.
    boxes = [BoxLoss(36, 0, 37), BoxLoss(18, 10, 19)]
    assert freight_credit(freight=D("153.44"), boxes=boxes, is_cause_ours=True) == D("52.06")
    boxes = [BoxLoss(36, 19, 37), BoxLoss(18, 10, 19)]
    assert freight_credit(freight=D("153.44"), boxes=boxes, is_cause_ours=True) == D("153.44")
