"""Day length and sunlight at the top of the air, from latitude and day of the year."""

from datetime import date
from math import acos, cos, pi, radians, sin, tan

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820


def _sunset_angle_rad(latitude_rad: float, declination_rad: float) -> float:
    # Beyond the polar circles the sun does not set, or does not rise.
    return acos(min(1.0, max(-1.0, -tan(latitude_rad) * tan(declination_rad))))


def _declination_rad(day_of_year: float) -> float:
    return 0.409 * sin(2 * pi * day_of_year / 365 - 1.39)


def day_length_h(*, latitude_deg: float, day_of_year: float) -> float:
    """Hours from sunrise to sunset.

    Parameters
    ----------
    latitude_deg : float
        North is positive. [degree, -90 to 90]
    day_of_year : float
        1 for 1 January. [day]

    Returns
    -------
    float
        [h]

    Source
    ------
    Allen, Pereira, Raes, Smith, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56,
    1998, equations 24, 25 and 34.
    """
    angle = _sunset_angle_rad(radians(latitude_deg), _declination_rad(day_of_year))
    return 24 * angle / pi


def extraterrestrial_radiation_mj_m2(*, latitude_deg: float, day_of_year: float) -> float:
    """Sunlight on a level square metre outside the air, for one day.

    Parameters
    ----------
    latitude_deg : float
        North is positive. [degree, -90 to 90]
    day_of_year : float
        1 for 1 January. [day]

    Returns
    -------
    float
        [MJ/m2/day]

    Source
    ------
    As `day_length_h`, equations 21 and 23.
    """
    latitude, declination = radians(latitude_deg), _declination_rad(day_of_year)
    angle = _sunset_angle_rad(latitude, declination)
    distance = 1 + 0.033 * cos(2 * pi * day_of_year / 365)
    height = angle * sin(latitude) * sin(declination)
    height += cos(latitude) * cos(declination) * sin(angle)
    return 24 * 60 / pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * height


def day_of_year(*, on: date) -> int:
    """1 for 1 January. [day]"""
    return on.timetuple().tm_yday
