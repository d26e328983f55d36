"""The likely promise of a line while the list is open: the rule run on what is asked now."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from orders.calc.sharing import Ask, RuleSettings, share

OWN = "own edit"
LEAST_LISTS = 4
MOST_LISTS = 8


@dataclass(frozen=True, slots=True)
class Likely:
    """What one line would get: likely, and between low and high. [sale unit]"""

    asked: int
    low: int
    likely: int
    high: int

    @property
    def words(self) -> str:
        """As a buyer reads it; empty where nothing is asked."""
        if not self.asked:
            return ""
        if self.low == self.high == self.asked:
            return f"likely all {self.asked}"
        if self.low == self.high:
            return f"{self.asked} asked, likely {self.likely}"
        return f"{self.asked} asked, likely {self.likely} ({self.low}-{self.high})"


def likely_promise(
    *,
    rule: str,
    available: int,
    others: Sequence[Ask],
    own: Ask,
    settings: RuleSettings,
    growth_low: float = 1.5,
    growth_high: float = 1.0,
) -> Likely:
    """What a line would get if the list closed now, and if the others asked for more.

    Parameters
    ----------
    rule : str
        The listing's rule.
    available : int
        Sale units to share. [sale unit]
    others : sequence of Ask
        What everybody else asks now.
    own : Ask
        The line as edited.
    growth_low, growth_high : float
        How the others' asks may have grown by the cut-off, in a bad and in a good case: the 80th
        and the 20th percentile of earlier lists.

    Returns
    -------
    Likely
        Low is never above likely, likely never above high.

    Source
    ------
    None, chosen by the farm.
    """
    low, likely, high = (
        _share_of_own(rule, available, others, own, settings, growth)
        for growth in (growth_low, 1.0, growth_high)
    )
    return Likely(own.asked, min(low, likely, high), likely, max(low, likely, high))


def _share_of_own(
    rule: str,
    available: int,
    others: Sequence[Ask],
    own: Ask,
    settings: RuleSettings,
    growth: float,
) -> int:
    grown = [_grown(ask, growth) for ask in others]
    outcome = share(rule=rule, available=available, asks=[*grown, own], settings=settings)
    return int(outcome.promised[own.ref])


def _grown(ask: Ask, growth: float) -> Ask:
    """An ask grown by a factor, in whole units, never below one unit or its least."""
    units = max(1, round(ask.asked * growth / ask.unit))
    asked = units * ask.unit
    return replace(ask, asked=asked, least=min(ask.least, asked))


def ask_growth(*, ratios: Sequence[float]) -> tuple[float, float]:
    """Growth of asks up to the cut-off in a bad and a good case, from the last lists.

    Parameters
    ----------
    ratios : sequence of float
        Asks at the cut-off over asks at the same hour before it, oldest list first.

    Returns
    -------
    tuple of (float, float)
        80th and 20th percentile of the last eight; 1.5 and 1.0 until there are four.

    Source
    ------
    None, chosen by the farm.
    """
    known = list(ratios)[-MOST_LISTS:]
    if len(known) < LEAST_LISTS:
        return 1.5, 1.0
    high, low = np.percentile(np.asarray(known, dtype=float), [80, 20])
    return float(high), float(low)
