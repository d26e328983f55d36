import json
import os
import random
import time
from itertools import permutations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shipping.calc.route import (
    Stop,
    shortest_walk,
    slot_distance_m,
    walk_minutes,
)

CHECKS = os.environ.get("FARM_CHECKS")

# aisles, aisle length, pitch, depot aisle, stops (aisle, y), shortest length.
# Source: check set 06_picker_routes, optimum by Held-Karp and by an independent dynamic programme
# after Ratliff and Rosenthal, Operations Research 31(3), 507-521, 1983.
# The first by hand: up aisle 0 (10), back cross aisle (3), down aisle 1 (10), front (3), 2 in and
# 2 out of aisle 2, back to the depot (6): 36. The second: 1 in and out twice, 2 each way: 8.
PUBLISHED = [
    (3, 10, 3, 0, [(0, 4), (1, 7), (2, 2)], 36),
    (2, 10, 2, 0, [(0, 1), (1, 1)], 8),
    (4, 20, 5, 0, [(0, 18), (1, 1), (2, 19), (3, 10)], 74),
]


def make_stops(places):
    return [
        Stop(f"S{number}", aisle, y, walk_order=2 * aisle, slot=number)
        for number, (aisle, y) in enumerate(places)
    ]


def distance(one, two, length, pitch):
    if one[0] == two[0]:
        return abs(one[1] - two[1])
    ends = one[1] + two[1]
    return abs(one[0] - two[0]) * pitch + min(ends, 2 * length - ends)


def measure(places, length, pitch, depot):
    legs = [(depot, 0), *places, (depot, 0)]
    return sum(distance(a, b, length, pitch) for a, b in zip(legs, legs[1:], strict=False))


@pytest.mark.parametrize(("aisles", "length", "pitch", "depot", "places", "shortest"), PUBLISHED)
def test_published_blocks_have_the_published_shortest_walk(
    aisles, length, pitch, depot, places, shortest
):
    walk = shortest_walk(
        stops=make_stops(places), aisle_length_m=length, aisle_pitch_m=pitch, depot_aisle=depot
    )

    assert walk.metres == pytest.approx(shortest, abs=1e-9)
    order = [(stop.aisle, stop.y_m) for stop in walk.order]
    assert measure(order, length, pitch, depot) == pytest.approx(shortest, abs=1e-9)


@pytest.mark.skipif(
    not CHECKS, reason="FARM_CHECKS is not set: 12 of the 15 blocks of 06_picker_routes left out"
)
def test_every_block_of_the_check_set():
    cases = json.loads((Path(CHECKS or "") / "06_picker_routes.json").read_text())["cases"]

    assert len(cases) == 15
    for case in cases:
        given_block = case["inputs"]
        walk = shortest_walk(
            stops=make_stops(given_block["picks"]),
            aisle_length_m=given_block["aisle_length"],
            aisle_pitch_m=given_block["aisle_pitch"],
            depot_aisle=given_block["depot_aisle"],
        )
        assert walk.metres == pytest.approx(case["expected"]["optimal"], abs=1e-9), case["id"]
        order = [(stop.aisle, stop.y_m) for stop in walk.order]
        assert measure(
            order,
            given_block["aisle_length"],
            given_block["aisle_pitch"],
            given_block["depot_aisle"],
        ) == pytest.approx(case["expected"]["optimal"], abs=1e-9), case["id"]


@settings(max_examples=200, deadline=None)
@given(
    places=st.lists(
        st.tuples(st.integers(0, 3), st.integers(1, 10)), min_size=1, max_size=6, unique=True
    ),
    pitch=st.integers(1, 9),
    depot=st.integers(0, 3),
)
def test_walk_is_the_first_of_all_shortest_orders(places, pitch, depot):
    walk = shortest_walk(
        stops=make_stops(places), aisle_length_m=10, aisle_pitch_m=pitch, depot_aisle=depot
    )

    # every order tried; whole numbers, so lengths compare exactly
    tried = [(measure(order, 10, pitch, depot), order) for order in permutations(places)]
    shortest = min(length for length, _ in tried)
    by_rank = {place: (2 * place[0], number) for number, place in enumerate(places)}
    first = min(
        (order for length, order in tried if length == shortest),
        key=lambda order: [by_rank[place] for place in order],
    )
    assert walk.metres == pytest.approx(shortest, abs=1e-9)
    assert [(stop.aisle, stop.y_m) for stop in walk.order] == list(first)


def test_order_of_the_stops_given_changes_nothing():
    stops = make_stops([(0, 4.2), (1, 7.8), (2, 2.4), (2, 9.6), (3, 14.4), (0, 0.6)])

    walks = {shortest_walk(stops=random.Random(seed).sample(stops, 6)) for seed in range(8)}

    assert len(walks) == 1


def test_both_troughs_of_an_aisle_are_walked_in_order_of_trough():
    # one aisle, both at equal cost: in along trough 1, out along trough 2
    stops = [
        Stop("T2.2", 1, 0.6, walk_order=2, slot=2),
        Stop("T1.9", 1, 3.0, walk_order=1, slot=9),
        Stop("T1.1", 1, 0.6, walk_order=1, slot=1),
    ]

    walk = shortest_walk(stops=stops, depot_aisle=1)

    assert [stop.code for stop in walk.order] == ["T1.1", "T1.9", "T2.2"]
    assert walk.metres == pytest.approx(6.0)


def test_no_stops_is_no_walk():
    assert shortest_walk(stops=[]).metres == 0.0


def test_a_stop_beyond_its_aisle_is_refused():
    with pytest.raises(ValueError, match=r"K2.24 stands 14.4 m into an aisle of 7.2 m"):
        shortest_walk(stops=[Stop("K2.24", 0, 14.4)], aisle_length_m=7.2)


@pytest.mark.parametrize(("slot", "metres"), [(1, 0.6), (2, 0.6), (3, 1.2), (5, 1.8), (48, 14.4)])
def test_slots_stand_in_two_rows(slot, metres):
    assert slot_distance_m(slot=slot) == pytest.approx(metres)


def test_walk_minutes_by_hand():
    # 60 m / 1.2 m/s = 50 s; 3 trays x 25 s = 75 s; 10 pieces x 8 s = 80 s; 205 s
    pace = {"walk_m_s": 1.2, "tray_s": 25, "piece_s": 8}
    assert walk_minutes(metres=60, trays=3, pieces=10, **pace) == pytest.approx(205 / 60)


def test_hundreds_of_stops_are_walked_and_never_longer_than_up_and_down():
    places = [(aisle, slot_distance_m(slot=slot)) for aisle in range(4) for slot in range(1, 49)]
    started = time.perf_counter()

    walk = shortest_walk(stops=make_stops(places * 2))

    print(f"384 stops in {time.perf_counter() - started:.2f} s")
    # all four aisles full to the back: up and down each once, three pitches out and back
    assert walk.metres == pytest.approx(4 * 14.4 + 2 * 3 * 2.4)
    assert len(walk.order) == 384
