"""The heat of a packed box: the farm's worked figures, published boxes, exact solutions."""

from dataclasses import replace
from math import atan, exp, hypot, log, pi

import numpy as np
import pytest

from shipping.calc.heat import (
    Case,
    HeatSettings,
    air_cap_w,
    exact_steps,
    heat_j_per_k,
    loss_w_per_k,
    outside_steps,
    simulate,
)
from shipping.calc.weather import Met
from tests.calc.pack_cases import L, M, S, tenths

FARM = HeatSettings()
# No packs' rules, no start of the farm's: a bare stepper for other people's bodies.
AT_ONCE = {"pack_wait_h": 0.0, "pack_ramp_h": 1e-9}


def loss_of(size):
    return loss_w_per_k(inner_area_m2=size.inner_area_m2, foam_m=size.foam_cm / 100, settings=FARM)


def run(air, *, loss_w_k, heat_j_k, settings=FARM, **packs):
    """Water at every step, for air given as (hours, deg C) legs."""
    legs = [Met("leg", hours, outside_c) for hours, outside_c in air]
    case = Case(outside_steps(legs=legs, settings=settings), **packs)
    return simulate(cases=[case], loss_w_k=loss_w_k, heat_j_k=heat_j_k, settings=settings)[0]


def run_box(size, water_l, air, **packs):
    heat_j_k = heat_j_per_k(water_l=water_l, settings=FARM)
    return run(air, loss_w_k=loss_of(size), heat_j_k=heat_j_k, **packs)


# The farm's boxes


@pytest.mark.parametrize(("size", "loss"), [(S, 0.384), (M, 0.524), (L, 0.806)])
def test_a_box_loses_as_the_farm_worked_out(size, loss):
    assert loss_of(size) == pytest.approx(loss, abs=5e-4)  # three decimals given


def test_the_medium_box_by_hand():
    # Inner faces 2 (0.4 x 0.3 + 0.4 x 0.3 + 0.3 x 0.3) = 0.66 m2;
    # 0.038 / 0.036 + 0.33 = 1.385556 m2 K/W; 1.1 x 0.66 / 1.385556 = 0.523977 W/K.
    assert M.inner_area_m2 == pytest.approx(0.66)
    assert loss_of(M) == pytest.approx(0.523977, abs=1e-6)
    # 4093 x 10 + 900.
    assert heat_j_per_k(water_l=10, settings=FARM) == pytest.approx(41_830)


@pytest.mark.parametrize(
    ("size", "water_l", "hours"), [(S, 4.8, 14.9), (M, 10, 22.2), (L, 14, 20.1)]
)
def test_time_constants_of_the_farms_boxes(size, water_l, hours):
    found = heat_j_per_k(water_l=water_l, settings=FARM) / loss_of(size) / 3600
    assert tenths(found) == (hours,)


@pytest.mark.parametrize(("size", "kelvin"), [(S, 7.3), (M, 5.3), (L, 3.5)])
def test_a_long_pack_lifts_a_box_in_the_end(size, kelvin):
    # 60 h at the air's own 25.5 C: start and air stay, what is left is the pack's lift.
    water = run_box(size, 2, [(60, FARM.start_c)], heat_packs=1)
    assert water[-1] - FARM.start_c == pytest.approx(kelvin, abs=0.06)


@pytest.mark.parametrize(
    ("air_c", "packs", "end_c"),
    [(10, {}, 17.5), (10, {"heat_packs": 1}, 20.1), (35, {"gel_packs": 1}, 28.1)],
)
def test_ten_litres_in_a_medium_box_after_sixteen_hours(air_c, packs, end_c):
    assert tenths(run_box(M, 10, [(16, air_c)], **packs)[-1]) == (end_c,)


def test_the_curve_begins_with_the_start():
    water = run_box(M, 10, [(1, 40)])

    assert len(water) == 13  # twelve steps of five minutes, and the start
    assert water[0] == water.min() == 25.5


def test_one_step_by_hand():
    # 25.5 + 0.523977 x (10 - 25.5) x 300 / 41830 = 25.441752.
    assert run_box(M, 10, [(1, 10)])[1] == pytest.approx(25.441752, abs=1e-6)


@pytest.mark.parametrize(("area", "foam"), [(0, 0.03), (0.5, 0), (-1, 0.03)])
def test_a_wall_without_area_or_foam_is_refused(area, foam):
    with pytest.raises(ValueError, match=f"Area {area} and foam {foam} must be over zero"):
        loss_w_per_k(inner_area_m2=area, foam_m=foam, settings=FARM)


def test_a_content_without_heat_is_refused():
    with pytest.raises(ValueError, match="0 J/K holds nothing"):
        run([(1, 10)], loss_w_k=1, heat_j_k=0)


def test_cases_run_together_as_they_run_alone():
    airs = [[(18, 4)], [(42, -3)], [(17.5, 30)], [(18, 4)]]
    packs = [{"heat_packs": 2}, {}, {"gel_packs": 2}, {"heat_packs": 2, "has_holes": False}]
    boxes = [(S, 4.8), (M, 10), (L, 14), (M, 6)]
    cases = [
        Case(outside_steps(legs=[Met("leg", *air[0])], settings=FARM), **chosen)
        for air, chosen in zip(airs, packs, strict=True)
    ]

    together = simulate(
        cases=cases,
        loss_w_k=np.array([loss_of(size) for size, _ in boxes]),
        heat_j_k=np.array([heat_j_per_k(water_l=w, settings=FARM) for _, w in boxes]),
        settings=FARM,
    )

    for found, (size, water_l), air, chosen in zip(together, boxes, airs, packs, strict=True):
        assert np.array_equal(found, run_box(size, water_l, air, **chosen))
    assert [len(found) for found in together] == [217, 505, 211, 217]


def test_no_cases_give_no_curves():
    assert simulate(cases=[], loss_w_k=1, heat_j_k=1, settings=FARM) == []


# Packs


def joules(hours, **packs):
    """Heat given by packs in all: a body that loses nothing shows it as warmth."""
    water = run([(hours, 0)], loss_w_k=0.0, heat_j_k=1000.0, **packs)
    return (water[-1] - water[0]) * 1000


def test_a_pack_waits_half_an_hour_and_comes_up_in_one_more():
    assert joules(0.5 + 1 / 12, heat_packs=1) == 0
    # Steps begin at 0, 1/12 ... 11/12 of full power: 5.5 steps x 300 s x 2.8 W.
    assert joules(1.5, heat_packs=1) == pytest.approx(4620)
    # And one full step more: 840 J.
    assert joules(1.5 + 1 / 12, heat_packs=1) == pytest.approx(5460)


@pytest.mark.parametrize(
    ("pack", "life_h", "life_j"),
    [
        # 72 h = 864 steps, 18 before full power: (846 + 5.5) x 300 s x 2.8 W.
        ("heat_packs", 72, 715_260),
        # 40 h = 480 steps: (462 + 5.5) x 300 s x 4.0 W.
        ("short_packs", 40, 561_000),
    ],
)
def test_a_pack_gives_its_life_and_no_more(pack, life_h, life_j):
    assert joules(life_h, **{pack: 1}) == pytest.approx(life_j)
    assert joules(life_h + 12, **{pack: 1}) == pytest.approx(life_j)


def test_air_caps_what_all_packs_of_a_box_give():
    # 8 x 4.705 / 3.6 = 10.456 W; 0.5 x 4.705 / 3.6 = 0.653 W.
    assert air_cap_w(has_holes=True, settings=FARM) == pytest.approx(10.456, abs=1e-3)
    assert air_cap_w(has_holes=False, settings=FARM) == pytest.approx(0.653, abs=1e-3)
    for packs in (2, 3):
        hour_j = joules(5, heat_packs=packs, has_holes=False)
        hour_j -= joules(4, heat_packs=packs, has_holes=False)
        assert hour_j == pytest.approx(0.5 * 4705)


def test_long_and_short_packs_share_the_same_air():
    full_w = (
        joules(6, heat_packs=3, short_packs=1) - joules(5, heat_packs=3, short_packs=1)
    ) / 3600
    assert full_w == pytest.approx(8 * 4.705 / 3.6)  # not 3 x 2.8 + 4.0 = 12.4 W


def test_packs_give_no_more_than_the_air_that_reaches_them():
    # 4 Fe + 3 O2 -> 2 Fe2O3, -1648.4 kJ (formation -824.2 kJ/mol): 549.5 kJ a mole of O2;
    # at 25 C and 1 atm 24.465 L a mole, 20.95 % of air: 4.705 kJ a litre of air.
    litre_kj = 1648.4 / 3 / 24.465 * 0.2095
    assert FARM.air_heat_kj_l == pytest.approx(litre_kj, rel=1e-3)
    for has_holes, air_l_h in ((True, 8), (False, 0.5)):
        given_kj = joules(24, heat_packs=9, has_holes=has_holes) / 1000
        assert 0 < given_kj <= 24 * air_l_h * litre_kj * 1.001


def test_a_gel_pack_takes_its_store_and_stops():
    # In a body of 25.5 C that hardly cools: 0.25 x 25.5 = 6.4 W, spent after about 7.2 h.
    water = run([(24, 0)], loss_w_k=0.0, heat_j_k=1e7, gel_packs=2)
    taken_kj = (water[0] - water[-1]) * 1e4
    one_step_kj = 2 * 0.25 * 25.5 * 0.3
    assert 330 <= taken_kj <= 330 + one_step_kj
    assert water[-1] == water[12 * 8]


def test_a_gel_pack_holds_no_more_than_ice_of_its_mass():
    # Ice at 0 C to water at 25 C takes 438.28 kJ/kg (IAPWS-06 and IAPWS-95); the pack is 450 g.
    assert FARM.gel_kj <= 0.450 * 438.28


# Published materials


def test_seawater_and_foam_are_as_published():
    # TEOS-10, 35 g/kg at 25 C and 1 atm: 4.0926 MJ/(m3 K).
    assert FARM.water_heat_j_l_k == pytest.approx(4092.6, rel=2e-4)
    # Expanded polystyrene at 75 F as tested, ASTM C578 IX to I: 0.23 to 0.26 Btu in/(h ft2 F).
    assert 0.23 * 0.1442279 < FARM.foam_k_w_m_k < 0.26 * 0.1442279


# Published boxes


def test_froese_foam_box():
    """R. Froese 1998, Insulating properties of styrofoam boxes used for transporting live fish,
    Aquaculture 159:283-292: I = 0.11 for a 2.5 cm wall and about 8 L of water. The unit of time is
    not printed; hours make 0.11 cm/h x 4.18 J/(cm3 K) = 1.277 W/(m2 K)."""
    published = 0.11 * 4.18 * 1e4 / 3600
    bare_wall = replace(FARM, area_factor=1.0, foam_k_w_m_k=0.0375, film_r_m2_k_w=1 / 8)
    found = loss_w_per_k(inner_area_m2=1.0, foam_m=0.025, settings=bare_wall)
    # The film of 8 W/(m2 K) is assumed, 6 to 10 is possible: hence 10 %.
    assert found == pytest.approx(published, rel=0.10)


@pytest.mark.parametrize(("hours", "end_c"), [(1, 24.328), (6, 21.394), (12, 18.654), (24, 14.993)])
def test_froese_cooling_from_25_in_air_of_10(hours, end_c):
    # W_s = 2 x 40 x 30 + 2 x 8000 / 30 + 2 x 8000 / 40 = 3333.33 cm2; 8000 / (0.11 x W_s) h.
    time_constant_h = 8000 / (0.11 * (2400 + 16000 / 30 + 16000 / 40))
    assert time_constant_h == pytest.approx(21.818, abs=5e-4)
    exact = exact_steps(start_c=25, legs=[Met("air", hours, 10)], time_constant_h=time_constant_h)
    stepped = run(
        [(hours, 10)],
        loss_w_k=1.0,
        heat_j_k=time_constant_h * 3600,
        settings=replace(FARM, start_c=25.0),
    )
    assert exact[-1] == pytest.approx(end_c, abs=1e-3)
    # Five-minute steps run ahead by half a step in 22 h at most.
    assert stepped[-1] == pytest.approx(end_c, abs=0.015)


def test_froese_time_to_eighteen_degrees():
    # 25 C in air of 5 C: 16.539 C at 12 h, 18 C at 9.399 h.
    settings = replace(FARM, start_c=25.0, step_s=10.0)
    water = run([(12, 5)], loss_w_k=1.0, heat_j_k=21.8182 * 3600, settings=settings)
    assert water[-1] == pytest.approx(16.539, abs=2e-3)
    assert np.argmax(water <= 18) * 10 / 3600 == pytest.approx(9.399, abs=0.005)


def test_the_foam_ice_chest_of_the_textbook():
    """Y. Cengel, Heat and Mass Transfer, problem 3-162 / 10-103 as printed: A_i 0.5708, A_o 0.74,
    1.6678 C/W, 16.79 W, 50 kg of ice in 9.937e5 s."""
    film = replace(FARM, area_factor=1.0, foam_k_w_m_k=0.033, film_r_m2_k_w=0.5708 / (18 * 0.74))
    loss = loss_w_per_k(inner_area_m2=0.5708, foam_m=0.03, settings=film)
    assert 1 / loss == pytest.approx(1.6678, abs=1e-4)
    assert 28 * loss == pytest.approx(16.79, abs=0.005)
    assert 50 * 333_700 / (28 * loss) == pytest.approx(9.937e5, rel=2e-4)


def test_the_foam_cube_of_the_textbook():
    """NCERT Physics XI, exercise 11.19: a 30 cm cube, 5 cm of foam with k 0.01, 45 C outside, 4 kg
    of ice, six hours: 104,976 J, 3.687 kg left."""
    bare = replace(FARM, area_factor=1.0, foam_k_w_m_k=0.01, film_r_m2_k_w=0.0)
    heat_j = loss_w_per_k(inner_area_m2=6 * 0.30**2, foam_m=0.05, settings=bare) * 45 * 6 * 3600
    assert heat_j == pytest.approx(104_976, abs=0.5)
    assert 4.0 - heat_j / 335_000 == pytest.approx(3.687, abs=5e-4)


# Published lumped bodies


def test_the_thermocouple_reads_within_a_hundredth_after_ten_seconds():
    """Cengel, example 4.1: D 1 mm, rho 8500, cp 320, h 210: 99 % in 10 s (9.9413 by hand)."""
    loss_w_k = 210 * 6 / 0.001  # for each cubic metre of bead
    settings = replace(FARM, start_c=0.0, step_s=0.002)
    water = run([(12 / 3600, 100)], loss_w_k=loss_w_k, heat_j_k=8500 * 320, settings=settings)
    assert loss_w_k / (8500 * 320) == pytest.approx(0.4632, abs=5e-5)
    assert np.argmax(water >= 99) * 0.002 == pytest.approx(9.9413, abs=0.01)


def test_the_time_of_death():
    """Cengel, example 4.2: 37 to 25 C in air of 20 C, h 8, a cylinder of 0.15 x 1.7 m, rho 996,
    cp 4178: 12.2 h. Biot number 0.89, so the book itself calls it rough."""
    length_m = 0.15 * 1.7 / (2 * (0.15 + 1.7))
    settings = replace(FARM, start_c=37.0, step_s=10.0)
    water = run([(14, 20)], loss_w_k=8, heat_j_k=996 * 4178 * length_m, settings=settings)
    assert length_m == pytest.approx(0.068919, abs=1e-6)
    assert np.argmax(water <= 25) * 10 / 3600 == pytest.approx(12.19, abs=0.01)


def test_the_fast_thermocouple():
    """Incropera and DeWitt, example 5.1: h 400, c 400, rho 8500, time constant 1 s: a bead of
    7.06e-4 m, 25 to 199 C in gas of 200 C after 5.2 s."""
    diameter_m = 6 * 400 * 1.0 / (8500 * 400)
    assert diameter_m == pytest.approx(7.06e-4, abs=1e-6)
    legs = [Met("gas", 5.165 / 3600, 200)]
    ends = exact_steps(start_c=25, legs=legs, time_constant_h=1 / 3600)
    assert ends[-1] == pytest.approx(199, abs=0.005)


# Exact solutions of the first-order equation

SMALL_W_K, SMALL_J_K = 0.85183, 4 * 3999.8


@pytest.mark.parametrize(("hours", "end_c"), [(6, 8.074), (12, 2.556), (18, 0.809), (24, 0.256)])
def test_four_kilograms_of_seawater_in_air_of_zero(hours, end_c):
    time_constant_h = SMALL_J_K / SMALL_W_K / 3600
    exact = exact_steps(start_c=25.5, legs=[Met("air", hours, 0)], time_constant_h=time_constant_h)
    settings = replace(FARM, step_s=1.0)
    water = run([(hours, 0)], loss_w_k=SMALL_W_K, heat_j_k=SMALL_J_K, settings=settings)
    assert exact[-1] == pytest.approx(end_c, abs=1e-3)
    assert water[-1] == pytest.approx(end_c, abs=1e-3)


def test_a_steady_pack_moves_the_temperature_it_settles_at():
    # 3 / 0.85183 = 3.522 C; after 24 h 3.522 + (25.5 - 3.522) exp(-24 / 5.2160) = 3.743 C.
    settings = replace(FARM, step_s=1.0, pack_w=3.0, **AT_ONCE)
    water = run([(24, 0)], loss_w_k=SMALL_W_K, heat_j_k=SMALL_J_K, settings=settings, heat_packs=1)
    assert water[-1] == pytest.approx(3.743, abs=2e-3)


def test_a_daily_wave_arrives_smaller_and_later():
    # Amplitude 1 / sqrt(1 + (w tau)^2), lag atan(w tau) / w; for tau 5.217 h 0.5907 and 3.586 h.
    tau_h, step_h = 5.217, 1 / 60
    turn = 2 * pi / 24
    assert 1 / hypot(1, turn * tau_h) == pytest.approx(0.5907, abs=1e-4)  # 0.59075, cut off
    hours = np.arange(round(240 / step_h)) * step_h
    water = simulate(
        cases=[Case(np.sin(turn * hours))],
        loss_w_k=1.0,
        heat_j_k=tau_h * 3600,
        settings=replace(FARM, start_c=0.0, step_s=60.0),
    )[0]
    last_day = water[-round(24 / step_h) :]
    assert last_day.max() == pytest.approx(0.5907, abs=2e-3)
    # The air peaks 6 h into its day, the water atan(w tau) / w later.
    peak_h = (len(water) - len(last_day) + np.argmax(last_day)) * step_h % 24
    assert peak_h - 6 == pytest.approx(atan(turn * tau_h) / turn, abs=0.05)
    assert peak_h - 6 == pytest.approx(3.586, abs=0.05)


WINTER = [(4, 18), (2, -10), (12, 10), (2, -10), (4, 18)]
SUMMER = [(4, 22), (2, 35), (12, 30), (2, 35), (4, 22)]


@pytest.mark.parametrize(
    ("steps", "ends_c"),
    [
        (WINTER, [23.8274, 20.8645, 16.2683, 13.9674, 14.6429]),
        (SUMMER, [24.4975, 25.4174, 27.3561, 28.0256, 27.0163]),
    ],
)
def test_a_stepped_day_is_followed_exactly(steps, ends_c):
    """A generic stepped day, cold or hot, for a lump of 21.8182 h from 25 C: after 4, 6, 18, 20 and
    24 h, worked out by hand leg by leg."""
    legs = [Met("step", *step) for step in steps]
    halves = [Met("half", leg.hours / 2, leg.outside_c) for leg in legs for _ in (1, 2)]
    exact = exact_steps(start_c=25, legs=legs, time_constant_h=21.8182)
    split = exact_steps(start_c=25, legs=halves, time_constant_h=21.8182)
    settings = replace(FARM, start_c=25.0, step_s=5.0)
    water = run(steps, loss_w_k=1.0, heat_j_k=21.8182 * 3600, settings=settings)

    assert exact == pytest.approx(ends_c, abs=1e-3)
    assert split[1::2] == pytest.approx(exact, abs=1e-12)
    # Explicit steps: 5 s are short enough for a thousandth of a degree, 300 s for two hundredths.
    marks = [water[round(hours * 720)] for hours in (4, 6, 18, 20, 24)]
    assert marks == pytest.approx(ends_c, abs=1e-3)
    coarse = run(steps, loss_w_k=1.0, heat_j_k=21.8182 * 3600, settings=replace(FARM, start_c=25.0))
    assert coarse[[48, 72, 216, 240, 288]] == pytest.approx(np.array(ends_c), abs=0.02)


def test_the_coldest_moment_may_lie_before_the_end():
    water = run(WINTER, loss_w_k=1.0, heat_j_k=21.8182 * 3600)
    assert np.argmin(water) == 20 * 12
    assert water.min() < water[-1]


def test_the_exact_solution_by_hand():
    # (25.5 - 10) exp(-16 / 22.1755) + 10 = 17.534; steps of five minutes end 0.01 K lower.
    found = exact_steps(start_c=25.5, legs=[Met("air", 16, 10)], time_constant_h=22.1755)
    assert found[0] == pytest.approx(10 + 15.5 * exp(-16 / 22.1755))
    # And back: the time constant from the two temperatures.
    assert 16 / log(15.5 / (found[0] - 10)) == pytest.approx(22.1755)
