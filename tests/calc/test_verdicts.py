"""Guards, lines and the rule of thumb, each at its edge."""

import pytest

from shipping.calc.verdicts import (
    Guards,
    Limits,
    barred_words,
    pack_sets,
    strictest,
    thumb_rule,
    verdict_of,
)
from tests.calc.pack_cases import FLESHY, PLANTS, SOFT, STONY, WEEK, overnight


@pytest.mark.parametrize(
    ("delivery", "heat", "gel", "points", "word"),
    [
        ("door", 1, 0, {"midday": 26.9}, ""),
        ("door", 1, 0, {"midday": 27.0}, "no heat pack to a door at 27 °C midday"),
        ("depot", 1, 0, {"midday": 34.0}, ""),
        ("door", 0, 0, {"midday": 34.0}, ""),
        ("door", 0, 1, {"hub": 5.0}, ""),
        ("depot", 0, 1, {"hub": 4.9}, "no cool pack through a hub at 4.9 °C"),
        ("door", 0, 0, {"morning": -30, "midday": 43}, ""),
        ("door", 0, 0, {"morning": -30.1}, "no door delivery below -30 or above 43 °C"),
        ("door", 0, 0, {"midday": 43.1}, "no door delivery below -30 or above 43 °C"),
        ("depot", 0, 0, {"morning": -40, "midday": 50}, ""),
    ],
)
def test_hard_guards(delivery, heat, gel, points, word):
    found = barred_words(
        delivery=delivery, heat_packs=heat, gel_packs=gel, points=points, guards=Guards()
    )
    assert found == word


def test_a_guard_names_the_farms_own_line():
    found = barred_words(
        delivery="door",
        heat_packs=0,
        gel_packs=0,
        points={"midday": 41},
        guards=Guards(door_least_c=-20, door_most_c=40),
    )
    assert found == "no door delivery below -20 or above 40 °C"


def test_heat_and_cool_packs_are_never_mixed():
    assert pack_sets(most_heat=2, most_gel=2) == [(0, 0), (1, 0), (2, 0), (0, 1), (0, 2)]


def test_a_box_takes_the_strictest_lines_of_its_contents():
    assert strictest(limits=[FLESHY, SOFT, PLANTS]) == FLESHY
    assert strictest(limits=[SOFT, STONY, PLANTS]) == STONY
    assert strictest(limits=[PLANTS]) == PLANTS
    # Each of the four lines from whoever is strictest about it.
    odd = Limits(caution_low_c=21, caution_high_c=40, stop_low_c=3, stop_high_c=30)
    assert strictest(limits=[STONY, odd]) == Limits(21, 29, 18, 30)


@pytest.mark.parametrize(
    ("base", "shifted", "late", "verdict"),
    [
        # On the line is inside; a hair past it is not, whatever it rounds to.
        ((20, 29), (20, 29), (18, 31), "clear"),
        ((20, 29), (19.999, 29), (18, 31), "care"),
        ((20, 29), (20, 29.001), (18, 31), "care"),
        ((20, 29), (20, 29), (17.999, 31), "care"),
        ((20, 29), (20, 29), (18, 31.001), "care"),
        ((20, 29), (18, 31), (5, 40), "care"),
        ((19.999, 29), (20, 29), (18, 31), "stop"),
        ((20, 29.001), (20, 29), (18, 31), "stop"),
        ((20, 29), (17.999, 29), (18, 31), "stop"),
        ((20, 29), (20, 31.001), (18, 31), "stop"),
    ],
)
def test_lines_are_inclusive_and_unrounded(base, shifted, late, verdict):
    assert verdict_of(base=base, shifted=shifted, late=late, limits=STONY) == verdict


@pytest.mark.parametrize(
    ("order", "act"),
    [(4901, "hold"), (4902, "heat"), (4905, "cool"), (4909, "none"), (4914, "heat")],
)
def test_the_rule_of_thumb_of_each_day(order, act):
    assert thumb_rule(day=WEEK[order][1]).act == act


@pytest.mark.parametrize(
    ("morning", "midday", "act"),
    [
        (-12, 0, "heat"),
        (-12.1, 0, "hold"),
        (20, 26.9, "heat"),
        (20, 35, "cool"),
        (20, 35.1, "hold"),
    ],
)
def test_the_thumb_rules_lines(morning, midday, act):
    assert thumb_rule(day=overnight("Tue", morning, midday)).act == act
