"""Survival of cuts: the farm's worked check, and a published survival table."""

import json
from math import exp

import pytest

from inventory.calc.healing import (
    expected_pieces,
    learned_heal_share,
    median_day,
    survival_curve,
)


def test_the_worked_check():
    """job.md 4.3: heal .95 gives 38 and 2; cut 62, alive 58 -> 96/102."""
    assert learned_heal_share(heal_share=0.95, cut=[62], alive=[58]) == pytest.approx(96 / 102)
    assert learned_heal_share(heal_share=0.95, cut=[], alive=[]) == 0.95


def test_checks_add_up_whatever_their_order():
    one = learned_heal_share(heal_share=0.9, cut=[10, 70], alive=[0, 70])
    assert one == learned_heal_share(heal_share=0.9, cut=[70, 10], alive=[70, 0])
    assert one == pytest.approx((36 + 70) / 120)


@pytest.mark.parametrize(("cut", "alive"), [([5], [6]), ([5], [-1])])
def test_more_alive_than_were_cut_is_refused(cut, alive):
    with pytest.raises(ValueError, match="cannot be"):
        learned_heal_share(heal_share=0.9, cut=cut, alive=alive)


def test_deaths_begin_after_the_fortnight():
    given = {"cut": 62, "heal_share": 0.94, "mortality_per_30_days": 0.02}
    assert expected_pieces(**given, days=3) == expected_pieces(**given, days=14) == 62 * 0.94
    assert expected_pieces(**given, days=44) == pytest.approx(62 * 0.94 * exp(-0.02))


def test_the_published_survival_table(farm_checks):
    """Freireich and others 1963, Blood 21:699: remission under 6-MP."""
    cases = json.loads((farm_checks / "08_stats.json").read_text())["cases"]
    case = next(case for case in cases if case["id"] == "km-6mp")
    steps = survival_curve(
        days=case["inputs"]["times"], is_death=[bool(row) for row in case["inputs"]["event"]]
    )
    for step, row in zip(steps, case["expected"]["rows"], strict=True):
        assert (step.day, step.at_risk, step.died) == (row["t"], row["at_risk"], row["events"])
        assert step.share == pytest.approx(row["S"], abs=case["tolerance"])
    assert median_day(steps) == case["expected"]["median"]


def test_many_pieces_at_once_are_each_piece_by_itself():
    days, died, pieces = [6, 6, 9, 20], [True, False, True, False], [3, 2, 4, 7]
    each = [
        (day, dead)
        for day, dead, number in zip(days, died, pieces, strict=True)
        for _ in range(number)
    ]
    together = survival_curve(days=days, is_death=died, pieces=pieces)
    assert together == survival_curve(
        days=[day for day, _ in each], is_death=[dead for _, dead in each]
    )
    assert median_day(together) is None
