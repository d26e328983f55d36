"""Scores of places, worked by hand: (n x mean + 4 x prior) / (n + 4)."""

import pytest

from inventory.calc.placing import PlaceRule, better_places, place_scores, share_after


def test_a_place_with_few_looks_is_held_back_towards_the_mean_of_all():
    # Ten looks with a mean of 2.5 in all: six of 3 and four of 1.75.
    scores = place_scores(values={"A1": [3.0] * 6, "T2": [1.75] * 4, "H1": []})
    assert set(scores) == {"A1", "T2"}
    assert scores["A1"].score == pytest.approx((6 * 3 + 4 * 2.5) / 10)
    assert scores["T2"].score == pytest.approx((4 * 1.75 + 4 * 2.5) / 8)
    assert (scores["A1"].looks, scores["A1"].mean) == (6, 3.0)


def test_a_better_place_needs_its_gain_and_its_looks():
    scores = place_scores(values={"A1": [3.0] * 6, "T2": [1.75] * 4})
    # 2.8 against 2.125.
    assert [row.place for row in better_places(present="T2", scores=scores)] == ["A1"]
    assert better_places(present="A1", scores=scores) == []
    # Never looked at where it stands: the strain's mean of 2.5 is 0.3 less than 2.8.
    assert better_places(present="H1", scores=scores) == []
    five = place_scores(values={"A1": [3.0] * 5, "T2": [1.0] * 4})
    assert better_places(present="T2", scores=five) == []
    strict = PlaceRule(least_gain=0.7)
    assert better_places(present="T2", scores=scores, rule=strict) == []
    assert better_places(present="T2", scores={}) == []


def test_exactly_half_a_grade_better_is_enough():
    # Eight looks at 3, eight at 1.5: 2.75 and 1.75; sixteen at 3 and none of it lost to a rounding.
    scores = place_scores(values={"A1": [3.0] * 8, "T2": [1.5] * 8})
    assert scores["A1"].score - scores["T2"].score == pytest.approx(1.0)
    rule = PlaceRule(least_gain=1.0)
    assert [row.place for row in better_places(present="T2", scores=scores, rule=rule)] == ["A1"]


def test_the_share_of_a_system_after_a_move():
    pieces = {"A": 40, "T": 60}
    assert share_after(pieces=pieces, from_system="A", to_system="T", moved=10) == 0.7
    assert share_after(pieces=pieces, from_system="T", to_system="T", moved=10) == 0.6
    assert share_after(pieces={}, from_system="A", to_system="T", moved=1) == 0.0
