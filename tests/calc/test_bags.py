"""Bags: how old one may get, where it lies, and what an order's bags come to."""

import csv
from pathlib import Path

import pytest

from shipping.calc.bags import BagClock, clock_state, place_rank, place_words
from tests.calc.pack_cases import BAGS, WEEK, bags_of

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
CORAL = BagClock()
CLAM = BagClock(stop_h=30)
PLANT = BagClock(stop_h=72)


@pytest.mark.parametrize(
    ("clock", "age_h", "state"),
    [
        *[(CORAL, 0, "good"), (CORAL, 24, "good"), (CORAL, 24.01, "watch")],
        *[(CORAL, 35.99, "watch"), (CORAL, 36, "warn"), (CORAL, 36 + 5 / 60, "warn")],
        *[(CORAL, 47.99, "warn"), (CORAL, 48, "stop"), (CORAL, 90, "stop")],
        # A clam stops before a coral even warns.
        *[(CLAM, 29.99, "watch"), (CLAM, 30, "stop"), (CLAM, 36, "stop")],
        *[(PLANT, 48, "warn"), (PLANT, 71.99, "warn"), (PLANT, 72, "stop")],
    ],
)
def test_a_bag_ages_past_its_marks(clock, age_h, state):
    assert clock_state(age_h=age_h, clock=clock) == state


def place(bag, strain_class, *, toxin=0, sting=0):
    return place_words(bag=bag, strain_class=strain_class, toxin=toxin, sting=sting)


def test_each_kind_has_its_place_in_the_box():
    assert place("CM", "CLAM") == "bottom, upright, nothing on top"
    assert place("MP", "MANG") == "in the dry liner, upright"
    assert place("FL", "LPS", sting=2) == "head down, no contact with the cup"
    assert place("P2", "LPS", sting=3) == "not against fleshy corals or clams"
    assert place("P1", "SPS") == "in the wet liner"


@pytest.mark.parametrize(("toxin", "is_sealed"), [(0, False), (1, False), (2, True), (3, True)])
def test_poison_lies_in_a_liner_of_its_own(toxin, is_sealed):
    assert (place("Z3", "ZOA", toxin=toxin, sting=1) == "in its own sealed liner") is is_sealed


def test_poison_comes_before_stings():
    assert place("Z3", "ZOA", toxin=2, sting=3) == "in its own sealed liner"


def test_boxes_are_filled_from_the_bottom_up():
    kinds = [("MANG", 0), ("ZOA", 2), ("SPS", 0), ("CLAM", 0), ("SOFT", 1)]
    ranked = sorted(kinds, key=lambda kind: place_rank(strain_class=kind[0], toxin=kind[1]))
    assert ranked == [("CLAM", 0), ("SPS", 0), ("SOFT", 1), ("ZOA", 2), ("MANG", 0)]


@pytest.mark.parametrize(
    ("order", "bags", "water_l"),
    [
        *[(4901, 41, 10.56), (4902, 49, 13.70), (4903, 30, 8.20), (4904, 49, 14.75)],
        *[(4905, 25, 8.10), (4906, 48, 9.80), (4907, 31, 6.95), (4908, 54, 15.08)],
        *[(4909, 26, 7.20), (4910, 84, 21.00), (4911, 22, 6.60), (4912, 24, 4.80)],
        *[(4913, 29, 10.15), (4914, 18, 11.65)],
    ],
)
def test_an_orders_bags_come_to_the_farms_worked_figures(order, bags, water_l):
    rows = bags_of(WEEK[order][2])
    assert len(rows) == bags
    assert sum(bag.water_ml for bag in rows) == round(water_l * 1000)


def test_4902_is_31_8_litres_and_17_2_kilograms():
    rows = bags_of(WEEK[4902][2])
    assert sum(bag.packed_ml for bag in rows) == 31_800
    assert sum(bag.mass_g for bag in rows) == 17_200


def test_the_farms_own_bag_rows_are_these():
    with (FIXTURES / "bags.csv").open(encoding="utf-8", newline="") as file:
        rows = {
            row["bag"]: (
                int(row["water_ml"]),
                round(float(row["packed_l"]) * 1000),
                round(float(row["mass_kg"]) * 1000),
            )
            for row in csv.DictReader(file)
        }
    assert rows == {**BAGS, "MC": (900, 2000, 1150)}
