"""How many of the pieces that are cut live: learned at the check after three weeks, and later."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

# What the present share weighs, in pieces: it moves slowly.
PRIOR_PIECES = 40
HEALED_AFTER_DAYS = 14


def learned_heal_share(
    *, heal_share: float, cut: Sequence[int], alive: Sequence[int], prior_pieces: float = 40
) -> float:
    """The share of cut pieces that heal, moved towards what the checks have seen.

    Parameters
    ----------
    heal_share : float
        As set now. [0 to 1]
    cut, alive : sequence of int, one each a check
        Pieces cut, and those alive some three weeks later. [pieces]
    prior_pieces : float
        How many pieces the present share weighs. [pieces]

    Returns
    -------
    float
        (heal x prior + alive) / (prior + cut). [0 to 1]

    Raises
    ------
    ValueError
        If more are alive than were cut, or a number is below zero.

    Source
    ------
    The mean of a beta distribution after yes-or-no cases; its weight is chosen by the farm.
    """
    for number, living in zip(cut, alive, strict=True):
        if not 0 <= living <= number:
            raise ValueError(f"{living} alive of {number} cut cannot be")
    return (heal_share * prior_pieces + sum(alive)) / (prior_pieces + sum(cut))


def expected_pieces(
    *, cut: float, heal_share: float, mortality_per_30_days: float, days: float
) -> float:
    """Pieces expected alive some days after the cut. [pieces]

    cut x heal x exp(-m x max(0, days - 14) / 30); deaths of the first fortnight are the healing.

    Source: none, chosen by the farm.
    """
    later = max(0.0, days - HEALED_AFTER_DAYS)
    return cut * heal_share * exp(-mortality_per_30_days * later / 30)


@dataclass(frozen=True, slots=True)
class SurvivalStep:
    """A day on which pieces died: how many stood till then, how many died, the share left."""

    day: float
    at_risk: int
    died: int
    share: float


def survival_curve(
    *, days: Sequence[float], is_death: Sequence[bool], pieces: Sequence[int] | None = None
) -> list[SurvivalStep]:
    """The share of pieces alive by age, from pieces that died and pieces that left alive.

    What was sold or still stands says only that it lived so long: it counts up to that day.

    Parameters
    ----------
    days : sequence of float
        Age at which pieces died, left or were last seen. [day]
    is_death : sequence of bool
        Whether they died then.
    pieces : sequence of int, optional
        How many; one each by default. [pieces]

    Returns
    -------
    list of SurvivalStep
        One for each age at which pieces died, youngest first.

    Source
    ------
    Kaplan and Meier, Journal of the American Statistical Association 53, 1958, page 457: the
    product-limit estimate.
    """
    numbers = list(pieces) if pieces is not None else [1] * len(days)
    rows = sorted(zip(days, is_death, numbers, strict=True))
    at_risk, share = sum(numbers), 1.0
    steps = []
    for day in sorted({day for day, died, number in rows if died and number}):
        gone = sum(number for when, _, number in rows if when < day)
        dead = sum(number for when, died, number in rows if died and when == day)
        standing = at_risk - gone
        share *= 1 - dead / standing
        steps.append(SurvivalStep(day, standing, dead, share))
    return steps


def median_day(steps: Sequence[SurvivalStep]) -> float | None:
    """The first age by which half have died; None while more than half live. [day]"""
    return next((step.day for step in steps if step.share <= 0.5), None)
