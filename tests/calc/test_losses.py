"""Losses judged: the farm's worked figures, and the beta tail against exact binomial sums."""

from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipping.calc.losses import LossRule, judge_losses, months_of

# Shipped, dead, mean, chance above 5 %, verdict: the farm's own worked figures.
WORKED = [
    (210, 13, 0.054, 0.58, "watch"),
    (210, 18, 0.073, 0.94, "tighten"),
    (180, 4, 0.022, 0.01, "fine"),
]


@pytest.mark.parametrize(("pieces", "dead", "mean", "chance", "verdict"), WORKED)
def test_the_worked_figures(pieces, dead, mean, chance, verdict):
    judged = judge_losses(pieces=pieces, dead=dead)
    assert (round(judged.mean, 3), round(judged.chance, 2)) == (mean, chance)
    assert judged.verdict == verdict


def test_few_pieces_propose_nothing_however_many_died():
    assert judge_losses(pieces=59, dead=20).verdict == "watch"
    assert judge_losses(pieces=60, dead=20).verdict == "tighten"


def tail(a, b, line):
    """P(share > line) under Beta(a, b) with whole a and b, as an exact sum.

    I_x(m, n - m + 1) is the sum over j from m to n of C(n, j) x^j (1 - x)^(n - j): NIST Digital
    Library of Mathematical Functions, 8.17.5 (from memory; the sum itself is elementary).
    """
    n = a + b - 1
    return sum(comb(n, j) * line**j * (1 - line) ** (n - j) for j in range(a))


@given(st.integers(0, 400), st.data())
def test_the_chance_is_the_exact_binomial_sum(pieces, data):
    dead = data.draw(st.integers(0, pieces))
    exact = tail(1 + dead, 49 + pieces - dead, Fraction(1, 20))
    assert judge_losses(pieces=pieces, dead=dead).chance == pytest.approx(float(exact), abs=1e-9)


@given(st.integers(1, 2000), st.data())
def test_one_more_dead_is_never_better(pieces, data):
    dead = data.draw(st.integers(0, pieces - 1))
    fewer, more = (judge_losses(pieces=pieces, dead=number) for number in (dead, dead + 1))
    assert more.mean > fewer.mean and more.chance >= fewer.chance
    assert fewer.low < fewer.mean and fewer.low < fewer.high


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="5 dead of 4"):
        judge_losses(pieces=4, dead=5)


def test_the_farms_own_line_counts():
    loose = LossRule(line=0.10)
    assert judge_losses(pieces=210, dead=18, rule=loose).verdict == "fine"


def test_months_stand_in_groups_of_three():
    names = [months_of(month=month) for month in (12, 1, 2, 3, 5, 6, 8, 9, 11)]
    assert (
        names == ["Dec to Feb"] * 3 + ["Mar to May"] * 2 + ["Jun to Aug"] * 2 + ["Sep to Nov"] * 2
    )
