"""Pack plans: the farm's worked week, cold snap, desert wind, August; guards, lines, the choice."""

import math
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shipping.calc.boxes import BoxLimits
from shipping.calc.heat import HeatSettings
from shipping.calc.plans import curves_of, model_act
from shipping.calc.verdicts import thumb_rule
from tests.calc.pack_cases import (
    FLESHY,
    SOFT,
    STONY,
    WEEK,
    L,
    M,
    S,
    bags_of,
    bench_money,
    one_bag,
    option,
    overnight,
    plan,
    pounds,
    road_money,
    tenths,
)

# Order -> delivery; each box: size, bags, water L, gross kg, billable lb, heat packs, base min and
# max, lowest of the cold and highest of the warm case, late min and max; freight, box and packs.
WORKED = {
    4901: ("depot", ["M 41 10.56 15.7 37 2 23.6 25.6 23.2 25.8 18.4 25.6"], "113.34", "13.50"),
    4902: ("door", ["L 49 13.70 19.7 61 3 22.3 25.6 21.5 25.8 19.7 25.6"], "156.35", "19.75"),
    4903: ("door", ["M 30 8.20 11.9 37 2 22.9 25.7 22.0 25.9 20.5 25.7"], "89.32", "13.50"),
    4904: ("door", ["L 49 14.75 21.2 61 1 21.6 25.5 21.2 25.5 20.8 25.5"], "122.92", "15.25"),
    4905: ("depot", ["M 25 8.10 11.7 37 1 22.4 25.5 22.0 25.5 22.4 25.6"], "113.34", "11.25"),
    4906: ("door", ["L 48 9.80 20.8 61 2 22.3 25.5 21.9 25.5 22.3 25.5"], "92.34", "17.50"),
    4907: ("door", ["M 31 6.95 10.6 37 2 24.4 25.8 23.4 26.0 23.8 25.8"], "129.86", "13.50"),
    4908: (
        "door",
        [
            "M 36 9.58 15.3 37 1 21.5 25.5 20.7 25.5 19.1 25.5",
            "S 18 5.50 8.3 19 1 22.1 25.5 21.2 25.5 20.5 25.5",
        ],
        "153.44",
        "19.50",
    ),
    4909: ("depot", ["M 26 7.20 10.6 37 1 22.3 25.5 22.0 25.5 22.3 25.6"], "169.90", "11.25"),
    4910: ("door", ["M 42 10.50 14.9 37 1 22.0 25.5 21.2 25.5 20.7 25.5"] * 2, "133.62", "22.50"),
    4911: ("door", ["M 22 6.60 9.6 37 2 21.4 25.7 20.4 25.9 18.6 25.7"], "89.32", "13.50"),
    4912: ("door", ["S 24 4.80 7.2 19 1 22.0 25.5 21.0 25.5 21.5 25.5"], "64.12", "8.25"),
    4913: ("door", ["M 29 10.15 15.5 37 2 23.0 25.6 22.2 25.8 20.7 25.6"], "182.17", "13.50"),
    4914: ("door", ["M 18 11.65 16.2 37 0 20.9 25.5 20.5 25.5 19.5 25.5"], "89.32", "9.00"),
}


def told(box):
    """A packed box as the worked table prints it."""
    row, inside = box.option, box.filled
    bands = " ".join(f"{value:.1f}" for value in (*row.base, *row.shifted, *row.late))
    return (
        f"{inside.size.code} {len(inside.bags)} {inside.water_l:.2f} "
        f"{inside.gross_kg(BoxLimits()):.1f} {pounds(inside)} {row.heat_packs} {bands}"
    )


@pytest.mark.parametrize("order", WORKED)
def test_the_worked_week_is_planned_to_the_tenth_and_the_cent(order):
    delivery, boxes, road, bench = WORKED[order]
    choice = plan(order).choice

    assert (choice.delivery, choice.verdict) == (delivery, "clear")
    assert [told(box) for box in choice.boxes] == boxes
    assert all(box.option.gel_packs == 0 for box in choice.boxes)
    filled = [box.filled for box in choice.boxes]
    packs = sum(box.option.heat_packs for box in choice.boxes)
    assert road_money(WEEK[order][0], filled) == Decimal(road)
    assert bench_money(filled, packs, 0) == Decimal(bench)
    assert choice.money == Decimal(road) + Decimal(bench)


# Duluth, -18 to -13, in a medium box


@pytest.mark.parametrize(
    ("delivery", "packs", "verdict", "low", "late"),
    [
        ("door", 0, "stop", 15.5, None),
        ("door", 1, "stop", 18.2, None),
        ("door", 2, "care", 21.0, 16.2),
        ("depot", 1, "care", 20.9, 14.1),
        ("depot", 2, "clear", 23.6, 18.4),
    ],
)
def test_what_was_tried_for_duluth(delivery, packs, verdict, low, late):
    row = option(plan(4901), delivery, packs)

    assert (row.verdict, round(row.base[0], 1)) == (verdict, low)
    assert late is None or round(row.late[0], 1) == late


def test_a_cold_snap_leaves_only_care():
    snap = overnight("Tue", -27, -20, is_depot_allowed=True)
    choice = plan(4901, day=snap).choice
    (box,) = choice.boxes

    assert (choice.verdict, choice.delivery, box.filled.size.code) == ("care", "depot", "M")
    assert (box.option.heat_packs, round(box.option.late[0], 1)) == (2, 16.2)


def test_the_day_after_the_snap_is_clear_to_the_door():
    choice = plan(4901, day=overnight("Wed", -9, -5, is_depot_allowed=True)).choice
    (box,) = choice.boxes

    assert (choice.verdict, choice.delivery, box.filled.size.code) == ("clear", "door", "M")
    assert box.option.heat_packs == 2
    assert tenths(box.option.base[0], box.option.late[0]) == (22.5, 19.3)


def test_holes_forgotten_stop_the_box():
    outcome = plan(4901, has_holes=False)

    assert outcome.choice.verdict == "stop"
    assert {row.verdict for row in outcome.options} == {"stop"}
    assert tenths(outcome.choice.boxes[0].option.base[0]) == (18.8,)


# Buffalo, -6 to -2: fewest billable pounds is not cheapest


def test_two_boxes_to_buffalo_are_lighter_dearer_and_only_care():
    outcome = plan(4902)
    pair = next(
        choice
        for choice in outcome.tried
        if [box.filled.size.code for box in choice.boxes] == ["M", "S"]
        and choice.delivery == "depot"
    )
    late = {box.filled.size.code: round(box.option.late[0], 1) for box in pair.boxes}

    assert (pair.verdict, pair.money, late["S"]) == ("care", Decimal("216.18"), 17.5)
    assert sum(pounds(box.filled) for box in pair.boxes) == 56
    assert outcome.choice.money == Decimal("176.10")
    assert [pounds(box.filled) for box in outcome.choice.boxes] == [61]


# Riverside, 17 to 34 and sunny, through a hub at -6


def test_a_hot_lane_with_a_cold_hub():
    outcome = plan(4905)
    cool, bare = option(outcome, "door", gel=1), option(outcome, "door")
    barred, chosen = option(outcome, "door", 1), option(outcome, "depot", 1)

    assert (cool.verdict, round(cool.base[0], 1)) == ("stop", 16.8)
    assert cool.barred == "no cool pack through a hub at -6 °C"
    assert (bare.verdict, round(bare.base[0], 1)) == ("stop", 19.6)
    # The model alone would pass it.
    assert (barred.verdict, barred.barred) == ("clear", "no heat pack to a door at 34 °C midday")
    assert (chosen.verdict, chosen.barred, tenths(*chosen.base)) == ("clear", "", (22.4, 25.5))


def test_the_rule_of_thumb_differs_on_the_hot_lane():
    thumb = thumb_rule(day=WEEK[4905][1])

    assert (thumb.act, thumb.sentence) == ("cool", "cool pack: 34 °C at midday")
    assert model_act(choice=plan(4905).choice) == "heat"


# August: Tempe 32 to 44 and sunny, origin 33, hub 26


AUGUST = overnight("Aug", 32, 44, is_sunny=True, is_depot_allowed=True)


def test_august_in_a_small_box():
    outcome = plan(day=AUGUST, bags=one_bag(water_l=4), sizes=[S])
    door, gel = option(outcome, "door"), option(outcome, "door", gel=1)
    depot = option(outcome, "depot")

    assert (door.verdict, tenths(*door.base)) == ("care", (21.5, 28.9))
    assert tenths(door.shifted[1], door.late[1]) == (30.0, 31.6)
    assert (gel.verdict, tenths(gel.base[0])) == ("stop", (16.2,))
    assert (depot.verdict, tenths(*depot.base)) == ("clear", (21.5, 25.5))
    assert (outcome.choice.delivery, outcome.choice.verdict) == ("depot", "clear")
    assert outcome.choice.boxes[0].option.packs == 0


def test_august_in_a_medium_box():
    outcome = plan(day=AUGUST, bags=one_bag(water_l=10), sizes=[M])
    depot, gel = option(outcome, "depot"), option(outcome, "depot", gel=1)

    assert (depot.verdict, tenths(*depot.base)) == ("clear", (22.9, 25.5))
    assert (gel.verdict, tenths(gel.base[0], gel.shifted[0])) == ("care", (20.2, 19.9))


@pytest.mark.parametrize("water_l", [4, 10])
def test_a_door_barred_by_the_heat_stops_where_there_is_no_depot(water_l):
    # Ten litres stay within every line, so the model alone would send them.
    barred = replace(AUGUST, is_depot_allowed=False)
    outcome = plan(day=barred, bags=one_bag(water_l=water_l), sizes=[S, M])

    assert outcome.choice.verdict == "stop" and outcome.choice.is_barred
    assert {row.barred for row in outcome.options} == {"no door delivery below -30 or above 43 °C"}
    assert model_act(choice=outcome.choice) == "hold"


# What is tried


def test_packs_are_never_mixed_and_never_more_than_a_box_takes():
    for size, most in ((S, 1), (M, 2), (L, 3)):
        outcome = plan(day=WEEK[4902][1], bags=one_bag(water_l=5), sizes=[size])
        packings = {(row.heat_packs, row.gel_packs) for row in outcome.options}
        assert packings == {(n, 0) for n in range(most + 1)} | {(0, 1), (0, 2)}


def test_a_barred_packing_is_never_taken_while_another_stands():
    # Riverside without its depot: a heat pack to the door is clear by the model, but barred.
    outcome = plan(4905, day=replace(WEEK[4905][1], is_depot_allowed=False))

    assert option(outcome, "door", 1).verdict == "clear"
    assert (outcome.choice.verdict, outcome.choice.is_barred) == ("stop", False)
    assert {box.option.packs for box in outcome.choice.boxes} == {0}


def test_a_depot_is_tried_only_where_it_is_allowed():
    assert {row.delivery for row in plan(4903).tried} == {"door"}
    assert {row.delivery for row in plan(4902).tried} == {"door", "depot"}
    assert {row.delivery for row in plan(4909).tried} == {"depot"}


def test_a_box_is_held_to_the_strictest_of_what_lies_in_it():
    # 4912 is fleshy only, 4913 has no stony coral: their boxes may go lower than 20 C.
    assert plan(4901).choice.boxes[0].limits == STONY
    assert plan(4912).choice.boxes[0].limits == FLESHY
    assert plan(4913).choice.boxes[0].limits == SOFT


# The choice

RANK = {"clear": 0, "care": 1, "stop": 2}


def worth(choice):
    """How good a set is, written as it is said: guard, worst box, no depot, money."""
    return (choice.is_barred, RANK[choice.verdict], choice.delivery == "depot", choice.money)


def check_choice(outcome):
    best = outcome.choice
    if best.verdict == "stop":
        open_sets = [row for row in outcome.tried if row.is_barred == best.is_barred]
        assert all(row.verdict == "stop" for row in outcome.tried)
        assert best.late_margin == max(row.late_margin for row in open_sets)
    else:
        assert not best.is_barred
        assert worth(best) == min(worth(row) for row in outcome.tried)
    for row in outcome.tried:
        assert {box.option.delivery for box in row.boxes} == {row.delivery}
        worst = max(RANK[box.option.verdict] for box in row.boxes)
        assert RANK[row.verdict] == (2 if row.is_barred else worst)


@pytest.mark.parametrize("order", [4901, 4902, 4905, 4908, 4911])
def test_no_set_that_was_tried_beats_the_chosen_one(order):
    check_choice(plan(order))


@settings(max_examples=25, deadline=None)
@given(
    morning=st.integers(-40, 40),
    rise=st.integers(0, 12),
    is_sunny=st.booleans(),
    is_depot_allowed=st.booleans(),
    order=st.sampled_from([4903, 4908, 4912, 4914]),
)
def test_the_choice_holds_in_any_weather(morning, rise, is_sunny, is_depot_allowed, order):
    season = "Tue" if morning < 20 else "Aug"
    day = overnight(
        season, morning, morning + rise, is_sunny=is_sunny, is_depot_allowed=is_depot_allowed
    )
    check_choice(plan(order, day=day))


def test_among_clear_packings_the_fewest_packs_are_taken():
    outcome = plan(4904)
    clear = {row.heat_packs for row in outcome.options if row.verdict == "clear"}

    assert clear == {1, 2, 3}
    assert outcome.choice.boxes[0].option.heat_packs == 1


def test_among_care_packings_the_largest_late_margin_is_taken():
    snap = plan(4901, day=overnight("Tue", -27, -20, is_depot_allowed=True))
    margins = {row.heat_packs: row.late_margin for row in snap.options if row.verdict == "care"}

    assert margins.keys() == {1, 2} and margins[2] > margins[1]
    assert snap.choice.boxes[0].option.heat_packs == 2


def test_the_late_margin_is_the_nearer_of_two_stop_lines():
    row = option(plan(4901), "depot", 2)
    # Late 18.387 to 25.626 between 18 and 31.
    assert row.late_margin == pytest.approx(0.387, abs=1e-3)


def test_no_depot_needed_comes_before_money():
    # One degree about zero: the door takes two packs, the depot one, 2.25 cheaper.
    outcome = plan(4901, day=overnight("Tue", -2, 1, is_depot_allowed=True))
    clear = [row for row in outcome.tried if row.verdict == "clear"]

    assert outcome.choice.delivery == "door"
    by_depot = min(row.money for row in clear if row.delivery == "depot")
    assert outcome.choice.money - by_depot == Decimal("2.25")


def test_money_decides_among_equals():
    # Were boxes paid to the buyer, three would be taken.
    outcome = plan(4904, cost_of=lambda filled, heat, gel: Decimal(-len(filled)))
    assert len(outcome.choice.boxes) == 3 and outcome.choice.verdict == "clear"


def test_where_every_set_stops_the_largest_late_margin_is_shown():
    outcome = plan(4911, day=overnight("Tue", -29, -25))

    assert {row.verdict for row in outcome.tried} == {"stop"}
    check_choice(outcome)


# What cannot be planned


def test_a_forecast_that_lacks_a_temperature_gives_no_plan():
    day = replace(WEEK[4902][1], points={"evening": 18, "morning": -6})
    outcome = plan(4902, day=day)

    assert outcome.choice is None and outcome.tried == ()
    assert outcome.reason == "The forecast has no hub and no midday."


def test_bags_that_fit_no_box_give_no_plan():
    outcome = plan(
        day=WEEK[4902][1], bags=one_bag(water_l=5), sizes=[replace(S, inner_cm=(9, 9, 9))]
    )

    assert outcome.choice is None
    assert outcome.reason == "No set of boxes carries these bags."


def test_an_order_without_bags_is_refused():
    with pytest.raises(ValueError, match="without bags needs no boxes"):
        plan(4902, bags=[])


def test_a_large_order_is_split_over_as_many_boxes_as_it_takes():
    # 400 plugs are 180 L and 100 kg: a large box takes 53.9 L but only 20.2 kg, so five.
    outcome = plan(day=WEEK[4904][1], bags=bags_of("PLT 400"))

    assert len(outcome.choice.boxes) == 5
    assert sum(len(box.filled.bags) for box in outcome.choice.boxes) == 400


# Drawing


def test_curves_are_drawn_over_their_legs():
    (box,) = plan(4902).choice.boxes
    drawn = curves_of(box=box, day=WEEK[4902][1], heat=HeatSettings(), shift_c=3.0, has_holes=True)

    assert drawn["step_h"] == 0.25
    assert [leg[1:] for leg in drawn["legs"]] == [
        *[[0.0, 3.0], [3.0, 6.5], [6.5, 10.0], [10.0, 12.5], [12.5, 14.5]],
        *[[14.5, 17.5], [17.5, 18.0]],
    ]
    assert [len(drawn[name]) for name in ("base", "cold", "hot", "late")] == [73, 73, 73, 169]
    assert drawn["base"][0] == 25.5
    # The curve ends where the box is coldest, at the counter of a cold town.
    assert drawn["base"][-1] == min(drawn["base"]) == pytest.approx(22.3, abs=0.05)
    assert all(math.isfinite(value) for value in drawn["late"])
