"""A season curve fitted to looks: a planted curve comes back, few looks stay near what was thought.

The planted curve is written out here by itself, with day lengths by the equations of FAO 56.
"""

from datetime import date, timedelta
from math import acos, exp, pi, radians, sin, tan

import numpy as np
import pytest

from inventory.calc.colour import Look, crossing_on, season_grade
from inventory.calc.colour_fit import SeasonPrior, fit_season, seasons_seen

LATITUDE = 27.55


def planted(on, n50_h, k_per_h, lag_days, sign):
    day = (on - timedelta(days=lag_days)).timetuple().tm_yday
    declination = 0.409 * sin(2 * pi * day / 365 - 1.39)
    hours = 24 / pi * acos(-tan(radians(LATITUDE)) * tan(declination))
    return 4 / (1 + exp(-sign * k_per_h * (hours - n50_h)))


def walk(n50_h, k_per_h, lag_days, sign, *, weeks=104, off=0.0, half_steps=False):
    chance = np.random.default_rng(7)
    found = []
    for week in range(weeks):
        on = date(2024, 7, 1) + timedelta(days=7 * week)
        grade = planted(on, n50_h, k_per_h, lag_days, sign) + off * chance.standard_normal()
        grade = round(grade * 2) / 2 if half_steps else grade
        found.append(Look(on, min(4.0, max(0.0, grade))))
    return found


# The farm's own two curves, winter-out and summer-out.
@pytest.mark.parametrize("curve", [(11.40, 2.2, 25, 1), (13.30, 2.6, 25, -1), (12.0, 1.4, 40, 1)])
def test_a_planted_curve_comes_back_from_two_seasons_of_looks(curve):
    found = fit_season(looks=walk(*curve), sign=curve[3], latitude_deg=LATITUDE)
    assert found.n50_h == pytest.approx(curve[0], abs=0.1)
    assert found.k_per_h == pytest.approx(curve[1], abs=0.2)
    assert abs(found.lag_days - curve[2]) <= 5


def test_grades_in_half_steps_by_an_uncertain_eye_still_tell_the_return_within_a_week():
    looks = walk(11.40, 2.2, 25, 1, off=0.4, half_steps=True)
    found = fit_season(looks=looks, sign=1, latitude_deg=LATITUDE)
    told = crossing_on(after=date(2026, 12, 1), line=3.0, is_rising=True, curve=found)
    day = date(2026, 12, 1)
    while planted(day, 11.40, 2.2, 25, 1) < 3:
        day += timedelta(days=1)
    # The worked example's model rises through 3.0 on 13 Apr 2027.
    assert day == date(2027, 4, 13)
    assert abs((told - day).days) <= 7


def test_two_looks_move_the_curve_and_do_not_make_it():
    prior = SeasonPrior()
    looks = [Look(date(2026, 11, 6), 1.5), Look(date(2026, 11, 9), 1.5)]
    found = fit_season(looks=looks, sign=1, latitude_deg=LATITUDE)
    assert abs(found.k_per_h - prior.k_per_h) <= 0.4
    assert abs(found.lag_days - prior.lag_days) <= 5
    for look in looks:
        assert season_grade(on=look.on, curve=found) == pytest.approx(1.5, abs=0.6)
    assert fit_season(looks=looks[::-1], sign=1, latitude_deg=LATITUDE) == found
    assert fit_season(looks=[], sign=1, latitude_deg=LATITUDE) is None


def test_a_season_is_one_that_was_followed_from_good_to_bad():
    def looks(*grades, year=2025):
        return [Look(date(year, 9, 1) + timedelta(days=20 * n), g) for n, g in enumerate(grades)]

    first = looks(4, 3, 2, 1, 1, 1)
    assert seasons_seen(looks=first, sign=1) == 1
    assert seasons_seen(looks=first[:5], sign=1) == 0, "five days are too few"
    assert seasons_seen(looks=looks(4, 4, 3, 3, 3, 3), sign=1) == 0, "it never went"
    assert seasons_seen(looks=looks(1, 1, 1, 2, 2, 2.5), sign=1) == 0, "it was never good"
    assert seasons_seen(looks=[*first, *looks(4, 3, 2, 1, 1, 1, year=2026)], sign=1) == 2
    # Where colour goes in winter New Year does not part a season; where in summer, it does.
    late = [Look(date(2025, 11, 1) + timedelta(days=20 * n), 4 - n / 2) for n in range(7)]
    assert [seasons_seen(looks=late, sign=sign) for sign in (1, -1)] == [1, 0]
