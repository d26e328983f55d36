"""Where a strain does best: the mean of its looks in a place, held back while they are few."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlaceRule:
    """When a better place is said. Chosen by the farm, no source.

    ``prior_looks`` is how many looks the strain's own mean over all places counts for.
    """

    prior_looks: float = 4.0
    least_gain: float = 0.5
    least_looks: int = 6
    most_share: float = 0.60


@dataclass(frozen=True, slots=True)
class PlaceScore:
    """What is known of one strain in one place. ``mean`` is of its looks alone."""

    place: str
    looks: int
    mean: float
    score: float


def place_scores(
    *, values: Mapping[str, Sequence[float]], rule: PlaceRule | None = None
) -> dict[str, PlaceScore]:
    """Score every place of one strain by its grades, or by its growth.

    Parameters
    ----------
    values : mapping of str to sequence of float
        What was noted in each place; a place without looks may be left out.
    rule : PlaceRule, optional
        The farm's own by default.

    Returns
    -------
    dict of str to PlaceScore
        (n x mean + 4 x prior) / (n + 4); the prior is the mean of all looks of the strain.

    Source
    ------
    None, chosen by the farm; the usual shrinkage of a mean towards that of all.
    """
    rule = rule or PlaceRule()
    every = [value for rows in values.values() for value in rows]
    if not every:
        return {}
    prior = sum(every) / len(every)
    return {
        place: PlaceScore(
            place,
            len(rows),
            sum(rows) / len(rows),
            (sum(rows) + rule.prior_looks * prior) / (len(rows) + rule.prior_looks),
        )
        for place, rows in values.items()
        if rows
    }


def better_places(
    *, present: str, scores: Mapping[str, PlaceScore], rule: PlaceRule | None = None
) -> list[PlaceScore]:
    """Places that beat the present one by enough and on enough looks, the best first.

    A place that was never looked at for the strain scores its mean over all places.
    """
    rule = rule or PlaceRule()
    if not scores:
        return []
    total = sum(row.looks for row in scores.values())
    prior = sum(row.looks * row.mean for row in scores.values()) / total
    here = scores[present].score if present in scores else prior
    found = [
        row
        for row in scores.values()
        if row.place != present
        and row.looks >= rule.least_looks
        # Sums of halves and shares: what is half a grade better is not lost to a rounding.
        and row.score - here >= rule.least_gain - 1e-9
    ]
    return sorted(found, key=lambda row: (-row.score, row.place))


def share_after(
    *, pieces: Mapping[str, int], from_system: str, to_system: str, moved: int
) -> float:
    """The share of a strain's pieces that stands in a system after a move into it. [0 to 1]"""
    total = sum(pieces.values())
    if not total:
        return 0.0
    there = pieces.get(to_system, 0) + (moved if from_system != to_system else 0)
    return there / total
