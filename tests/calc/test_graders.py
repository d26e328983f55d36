"""Grader offsets, systems that part, and the two textbook rules behind colour's figures.

Offsets and parting are rules chosen by the farm, worked by hand here.
"""

import json
from datetime import date, timedelta

import pytest

from inventory.calc.colour import ColourRule, Look, run_looks, smoothed
from inventory.calc.colour_systems import split_since
from inventory.calc.graders import DoubleLook, Offsets, grader_offset
from inventory.calc.shares import share_interval

START = date(2026, 10, 5)


def day(ahead):
    return START + timedelta(days=ahead)


def looks(*pairs):
    return [Look(day(ahead), grade) for ahead, grade in pairs]


def published(farm_checks, prefix):
    cases = json.loads((farm_checks / "08_stats.json").read_text())["cases"]
    found = [case for case in cases if case["id"].startswith(prefix)]
    assert found
    return found


def test_the_smoothing_is_the_published_one(farm_checks):
    """Oil series after Hyndman and Athanasopoulos, levels from the first observation on."""
    for case in published(farm_checks, "ses-"):
        share, series = case["inputs"]["alpha"], case["inputs"]["y"]
        levels = [series[0]]
        for value in series[1:]:
            levels.append(smoothed(levels[-1], value, share=share))
        expected, allowed = case["expected"], case["tolerance"]
        if "levels" in expected:
            assert levels == pytest.approx(expected["levels"], abs=allowed)
        if "forecast" in expected:
            assert levels[-1] == pytest.approx(expected["forecast"], abs=allowed)
        if "forecasts_2_to_11" in expected:
            assert levels == pytest.approx(expected["forecasts_2_to_11"], abs=allowed)


def test_a_run_of_looks_is_that_smoothing():
    grades = [3.5, 3, 2.5, 2, 1.5, 1.5]
    steps = run_looks(looks=looks(*enumerate(grades)), rule=ColourRule(rest_below=0, smoothing=0.3))
    level = grades[0]
    for step, grade in zip(steps[1:], grades[1:], strict=True):
        level = 0.7 * level + 0.3 * grade
        assert step.value == pytest.approx(level)


def test_the_range_of_a_share_is_the_published_one(farm_checks):
    for case in published(farm_checks, "wilson-"):
        inputs, expected = case["inputs"], case["expected"]
        low, high = share_interval(came=inputs["x"], of=inputs["n"], confidence=inputs["conf"])
        assert (low, high) == pytest.approx(
            (expected["low"], expected["high"]), abs=case["tolerance"]
        ), case["id"]


@pytest.mark.parametrize(("came", "of"), [(0, 0), (3, 2), (-1, 2)])
def test_no_share_is_refused(came, of):
    with pytest.raises(ValueError, match="is no share"):
        share_interval(came=came, of=of)


@pytest.mark.parametrize(
    ("differences", "offset"),
    # n / (n + 10) x mean: 1/11 x 0.5; 5/15 x 0.4; 10/20 x 1; none known is none taken off
    [([0.5], 0.5 / 11), ([0.2, 0.3, 0.4, 0.5, 0.6], 0.4 / 3), ([1.0] * 10, 0.5), ([], 0)],
)
def test_an_offset_is_the_mean_difference_shrunk(differences, offset):
    assert grader_offset(differences=differences) == pytest.approx(offset)


def test_offsets_are_those_known_on_the_day():
    doubles = [DoubleLook(day(7 * week), {"G1": 3.0, "G2": 2.0}) for week in range(10)]
    offsets = Offsets.of(doubles=reversed(doubles))

    assert offsets.offset(grader="G1", on=day(-1)) == 0
    # One double look: half a grade above the mean of both, 1/11 of it believed.
    assert offsets.offset(grader="G1", on=day(6)) == pytest.approx(0.5 / 11)
    assert offsets.offset(grader="G1", on=day(63)) == pytest.approx(0.25)
    assert offsets.offset(grader="G2", on=day(63)) == pytest.approx(-0.25)
    assert offsets.corrected(grade=2, grader="G1", on=day(63)) == pytest.approx(1.75)
    assert offsets.corrected(grade=4, grader="G2", on=day(63)) == 4
    assert offsets.corrected(grade=2, grader="G3", on=day(63)) == 2
    assert offsets.looks(grader="G1", on=day(14)) == 3


def test_a_look_of_one_grader_says_nothing_of_him():
    assert not Offsets.of(doubles=[DoubleLook(START, {"G1": 1.0})]).days


APART = {"A": looks((0, 3.5), (14, 3.5)), "T": looks((0, 1.5), (14, 1.5))}


@pytest.mark.parametrize(
    ("by_system", "since"),
    [
        (APART, day(14)),
        # A day short of the fortnight, and a hair short of a whole grade.
        ({"A": looks((0, 3.5), (13, 3.5)), "T": looks((0, 1.5), (13, 1.5))}, None),
        ({"A": looks((0, 3.5), (14, 3.5)), "T": looks((0, 3.0), (14, 3.0))}, None),
        # The worse was looked at once only: nobody knows how it is now.
        ({"A": looks((0, 3.5), (7, 3.5), (14, 3.5)), "T": looks((0, 1.5))}, None),
        # One look together begins the fortnight anew.
        ({"A": looks((0, 4), (7, 2), (14, 4), (20, 4)), "T": looks((0, 2), (7, 2), (20, 2))}, None),
        # Together for a fortnight, they are one again.
        (
            {
                "A": [*APART["A"], *looks((21, 3), (35, 3))],
                "T": [*APART["T"], *looks((21, 2.5), (35, 2.5))],
            },
            None,
        ),
        # Only a week together: still apart.
        (
            {
                "A": [*APART["A"], *looks((21, 3), (28, 3))],
                "T": [*APART["T"], *looks((21, 2.5), (28, 2.5))],
            },
            day(14),
        ),
        ({"A": looks((0, 3.5), (14, 3.5))}, None),
        ({}, None),
    ],
)
def test_systems_part_after_a_fortnight_a_whole_grade_apart(by_system, since):
    assert split_since(looks=by_system) == since


def test_a_lead_s_low_grade_stays_one_whatever_is_taken_off():
    rows = [Look(day(0), 3.5), Look(day(7), 1.2, True, as_given=1.0)]
    assert run_looks(looks=rows)[-1].state == "resting"
    rows = [Look(day(0), 3.5), Look(day(7), 0.9, True, as_given=1.5)]
    assert run_looks(looks=rows)[-1].state == "in colour"
