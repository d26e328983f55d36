"""Can-promise by week: what may still be promised without shorting a promise already made.

The plum trellis numbers are worked figures of the farm; others come from published examples of
look-ahead available-to-promise, or are counted by hand beside the check.
"""

import json
from datetime import date, timedelta
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orders.calc.promise import promisable_pieces

W49, W50, W51, W52 = (date(2026, 11, 30) + timedelta(weeks=week) for week in range(4))

# On hand, receipts by week, orders by week, and what may still be promised in each week. Sources:
# W. J. Stevenson, Operations Management, the pumps exercise of the scheduling chapter (64 on hand,
# lots of 70); J. R. T. Arnold, S. N. Chapman, L. M. Clive, Introduction to Materials Management,
# the master scheduling chapter (100 on hand).
PUBLISHED = [
    (
        64,
        [0, 0, 70, 0, 70, 0, 70, 70],
        [33, 20, 10, 4, 2, 0, 0, 0],
        [11, 11, 67, 67, 135, 135, 205, 275],
    ),
    (100, [0, 100, 0, 100, 0], [80, 10, 10, 30, 0], [20, 100, 100, 170, 170]),
]


def still_promisable(on_hand: int, receipts: list[int], orders: list[int]) -> list[int]:
    """A production plan in the farm's terms: supply is all there will be by a week, nothing
    subtracted; every order is a promise of its week that has not shipped."""
    weeks = [W49 + timedelta(weeks=index) for index in range(len(orders))]
    received = accumulate(receipts, initial=on_hand)
    next(received)
    supply = dict(zip(weeks, received, strict=True))
    promised = dict(zip(weeks, orders, strict=True))
    return [
        promisable_pieces(supply_pieces=supply, promised_pieces=promised, week=week)
        for week in weeks
    ]


def left_in(week: date, supply: dict, promised: dict) -> int:
    return promisable_pieces(supply_pieces=supply, promised_pieces=promised, week=week)


# The farm


def test_the_first_week_has_what_is_ready_above_the_reserve():
    # T2.1 32 + A5.5 28 - gap 4.
    assert left_in(W49, {W49: 32 + 28 - 4}, {}) == 56


def test_the_next_week_has_its_own_supply_less_the_first_weeks_promises():
    # T2.1 31 + A5.5 27 + T2.2 48 - gap 4 = 102; 56 are promised in W49.
    assert left_in(W50, {W49: 56, W50: 31 + 27 + 48 - 4}, {W49: 56}) == 46


def test_a_recount_lifts_what_is_left():
    assert left_in(W49, {W49: 33 + 29 - 4}, {}) == 58


def test_later_promises_hold_pieces_back_now():
    # 102 in W50, 60 of them promised there: W49 may give 42 of its 56, since what goes now is
    # missing then.
    assert left_in(W49, {W49: 56, W50: 102}, {W50: 60}) == 42


def test_every_later_week_with_promises_is_looked_at():
    supply = {W49: 56, W50: 102, W51: 80}
    # W50: 102 - 10 = 92; W51: 80 - 10 - 50 = 20.
    assert left_in(W49, supply, {W50: 10, W51: 50}) == 20


def test_a_later_week_without_promises_holds_nothing_back():
    # The stock is expected to die back to 30 by W52, and nobody was promised any of it then.
    supply = {W49: 56, W50: 102, W52: 30}
    assert left_in(W49, supply, {W50: 10}) == 56
    assert left_in(W49, supply, {W50: 10, W52: 0}) == 56
    assert left_in(W49, supply, {W50: 10, W52: 1}) == 30 - 11


def test_promises_of_earlier_weeks_that_have_not_shipped_weigh_on_this_one():
    assert left_in(W51, {W51: 124}, {W49: 56, W50: 46}) == 124 - 56 - 46


def test_an_oversold_week_shows_nothing_left_not_less():
    assert left_in(W49, {W49: 50}, {W49: 56}) == 0
    assert left_in(W49, {W49: 56, W50: 40}, {W50: 41}) == 0


def test_a_week_with_promises_and_no_known_supply_is_refused():
    with pytest.raises(KeyError, match="2026, 12, 7"):
        left_in(W49, {W49: 56}, {W50: 1})


# Published examples


@pytest.mark.parametrize(("on_hand", "receipts", "orders", "expected"), PUBLISHED)
def test_published_plans(on_hand, receipts, orders, expected):
    assert still_promisable(on_hand, receipts, orders) == expected


def test_the_whole_published_set(farm_checks):
    """The set looks at every later week, the farm only at those with promises. Where stock never
    shrinks, as in these plans, the two are the same: a week without orders has at least as much
    left as the week before it."""
    cases = json.loads((farm_checks / "01_atp.json").read_text())["cases"]

    found = {
        case["id"]: still_promisable(
            case["inputs"]["on_hand"], case["inputs"]["mps"], case["inputs"]["orders"]
        )
        for case in cases
    }

    assert found == {case["id"]: case["expected"]["promisable_new"] for case in cases}


# What always holds

SUPPLIES = st.lists(st.integers(0, 200), min_size=4, max_size=4)
PROMISES = st.lists(st.integers(0, 60), min_size=4, max_size=4)


def is_kept(supply: dict, promised: dict, week: date) -> bool:
    """Whether the week and each later one with promises can give all that is promised by then."""
    return all(
        supply[later] >= sum(n for earlier, n in promised.items() if earlier <= later)
        for later in supply
        if later == week or (later > week and promised[later])
    )


@given(supplies=SUPPLIES, promises=PROMISES, index=st.integers(0, 3))
def test_the_answer_can_be_promised_and_one_more_cannot(supplies, promises, index):
    weeks = [W49, W50, W51, W52]
    supply = dict(zip(weeks, supplies, strict=True))
    promised = dict(zip(weeks, promises, strict=True))
    week = weeks[index]

    most = left_in(week, supply, promised)

    if is_kept(supply, promised, week):
        assert is_kept(supply, {**promised, week: promised[week] + most}, week)
    assert not is_kept(supply, {**promised, week: promised[week] + most + 1}, week)
