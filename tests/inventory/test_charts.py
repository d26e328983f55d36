"""What a chart says stands where it can be read, on a desk and on a phone."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.charts import apart, ask_chart
from shipping.pictures import heat_picture

LIMITS = {"caution_low_c": 20.0, "caution_high_c": 29.0, "stop_low_c": 18.0}


def test_words_that_stand_clear_are_not_moved():
    assert apart([1.0, 9.0, 5.0], least=2) == [1.0, 9.0, 5.0]


def test_a_crowd_is_spread_about_its_middle_in_its_order():
    assert apart([5.0, 5.0, 4.0], least=1) == pytest.approx([14 / 3, 17 / 3, 11 / 3])


@given(st.lists(st.floats(0, 100), min_size=1, max_size=12))
def test_neighbours_are_apart_and_none_overtakes_another(values):
    placed = apart(values, least=3)
    assert sum(placed) == pytest.approx(sum(values))
    order = sorted(range(len(values)), key=lambda at: values[at])
    gaps = [placed[above] - placed[below] for below, above in zip(order, order[1:], strict=False)]
    assert all(gap >= 3 - 1e-6 for gap in gaps)


def test_a_chart_is_drawn_for_a_desk_and_for_a_phone():
    drawing = ask_chart(rows=[("C02 Buffalo", 49, 41, 46)])
    widths = [
        int(width)
        for width in re.findall(r'<svg class="chart drawn-\w+" [^>]*width="(\d+)"', drawing)
    ]
    assert len(widths) == 2 and widths[0] < 400 < widths[1]


def box(legs):
    line = [25.0, 24.5, 24.0, 23.0]
    curve = {"step_h": 6, "base": line, "cold": line, "hot": line, "late": [*line, 21.0, 19.0],
             "legs": legs}  # fmt: skip
    return {"base": [23.0, 25.0], "curve": curve}


@pytest.mark.parametrize("which", [0, 1])
def test_the_names_of_short_legs_hang_under_each_other(which):
    legs = [["dock", 0, 1], ["first flight", 1, 2], ["night sort hub", 2, 3], ["depot", 3, 18]]
    svg = heat_picture(box=box(legs), limits=LIMITS).split("<svg")[1:][which]
    places = {
        name: (float(x), float(y))
        for x, y, name in re.findall(
            r'<text x="([\d.]+)" y="([\d.]+)" fill="currentColor">([^<]+)', svg
        )
    }
    names = [name for name, *_ in legs]
    for left, right in zip(names, names[1:], strict=False):
        touches = places[left][0] + 7.2 * len(left) > places[right][0]
        assert not touches or places[left][1] > places[right][1]


def test_a_plan_without_a_curve_has_no_picture():
    assert heat_picture(box={}, limits=LIMITS) == ""
