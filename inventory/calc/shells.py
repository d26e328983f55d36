"""Clams by shell size: how large each will be, and when it outgrows its size grade."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

DAYS_A_MONTH = 365.25 / 12


@dataclass(frozen=True, slots=True)
class Outgrown:
    """Days until a shell leaves its grade at a slow, likely and fast growth. [day]"""

    slow_days: int
    likely_days: int
    fast_days: int


def spread_shells(*, pieces: int, min_cm: float, max_cm: float) -> list[float]:
    """Shells of a tray as if spread evenly between its smallest and its largest. [cm]

    Source: none, chosen by the farm: only the two ends are measured.
    """
    if pieces < 1:
        return []
    if pieces == 1:
        return [max_cm]
    step = (max_cm - min_cm) / (pieces - 1)
    return [min_cm + step * index for index in range(pieces)]


def shell_cm_after(*, shell_cm: float, days: float, growth_mm_month: float) -> float:
    """A shell after some days of even growth. [cm]

    Parameters
    ----------
    shell_cm : float
        Now. [cm]
    days : float
        Ahead. [day]
    growth_mm_month : float
        [mm/month]

    Source
    ------
    None, chosen by the farm: giant clams in culture, 6.7 to 8.9 mm a month, common practice.
    Published curves of wild clams are slower.
    """
    return shell_cm + growth_mm_month / 10 * days / DAYS_A_MONTH


def outgrown_after(
    *, shell_cm: float, top_cm: float, slow_mm: float, likely_mm: float, fast_mm: float
) -> Outgrown:
    """Days until a shell reaches the top of its grade; 0 where it has.

    Parameters
    ----------
    shell_cm, top_cm : float
        Now, and the size at which the next grade begins. [cm]
    slow_mm, likely_mm, fast_mm : float
        Growth, above zero. [mm/month]

    Raises
    ------
    ValueError
        If a growth is not above zero.
    """
    if min(slow_mm, likely_mm, fast_mm) <= 0:
        raise ValueError("Growth must be above zero")
    missing_mm = max(0.0, (top_cm - shell_cm) * 10)
    slow, likely, fast = (
        round(missing_mm / rate * DAYS_A_MONTH) for rate in (slow_mm, likely_mm, fast_mm)
    )
    return Outgrown(slow, likely, fast)


def outgrown_pieces(
    *, shells_cm: Sequence[float], top_cm: float, days: float, growth_mm_month: float
) -> int:
    """How many shells of a tray reach the top of their grade within some days. [pieces]"""
    return sum(
        shell_cm_after(shell_cm=shell, days=days, growth_mm_month=growth_mm_month) >= top_cm - 1e-9
        for shell in shells_cm
    )


def wild_shell_cm(*, shell_cm: float, years: float, largest_cm: float, k_per_year: float) -> float:
    """A shell after some years on von Bertalanffy's curve, for comparison with wild clams. [cm]

    Parameters
    ----------
    shell_cm : float
        Now. [cm]
    years : float
        Ahead. [year]
    largest_cm, k_per_year : float
        The curve's asymptote [cm] and rate [1/year].

    Source
    ------
    L. von Bertalanffy, A quantitative theory of organic growth, Human Biology 10, 1938 (from
    memory); for Tridacna gigas 80 cm and 0.105 a year, Pearson and Munro, Aust. J. Mar. Freshw.
    Res. 42, 1991, page 241.
    """
    return largest_cm - (largest_cm - shell_cm) * exp(-k_per_year * years)
