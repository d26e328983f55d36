"""Propagules: when a cohort opens, and which cohorts may share a pack."""

from collections.abc import Sequence
from datetime import date, timedelta


def is_open(
    *,
    rooted_pieces: int,
    sampled_pieces: int,
    least_sample_pieces: int = 20,
    open_root_share: float = 0.70,
) -> bool:
    """Whether a walk sample shows a cohort rooted well enough to be listed.

    Parameters
    ----------
    rooted_pieces : int
        Of the sample, those with roots of 2 cm or more. [pieces]
    sampled_pieces : int
        Pieces looked at. [pieces]
    least_sample_pieces : int
        A smaller sample opens nothing. [pieces]
    open_root_share : float
        Share that must have rooted. [0 to 1]

    Raises
    ------
    ValueError
        If more rooted than were looked at.

    Source
    ------
    None, chosen by the farm.
    """
    if rooted_pieces > sampled_pieces:
        raise ValueError(f"{rooted_pieces} rooted of {sampled_pieces} looked at cannot be")
    if sampled_pieces < least_sample_pieces:
        return False
    # Compared as products: 14 of 20 is exactly 70 %.
    return rooted_pieces >= open_root_share * sampled_pieces - 1e-9


def pack_groups(*, rooted_on: Sequence[date], window_days: int = 14) -> list[list[int]]:
    """Indexes of cohorts that may be mixed in a pack, from the oldest rooted on.

    All of a group rooted at most ``window_days`` after the group's oldest.

    Source: none, chosen by the farm.
    """
    order = sorted(range(len(rooted_on)), key=lambda index: (rooted_on[index], index))
    groups: list[list[int]] = []
    for index in order:
        oldest = rooted_on[groups[-1][0]] if groups else None
        if oldest is not None and rooted_on[index] - oldest <= timedelta(days=window_days):
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def usual_months(*, drop_season: str) -> tuple[int, ...]:
    """Months of a season as a strain keeps it, "Aug-Oct" or "Aug": (8, 9, 10). Empty for others.

    Source: the farm's own; they only warn, the observation opens a season.
    """
    names = [part.strip().title()[:3] for part in drop_season.replace("–", "-").split("-")]
    if not names or any(name not in MONTHS for name in names) or len(names) > 2:
        return ()
    first, last = MONTHS.index(names[0]), MONTHS.index(names[-1])
    return tuple((first + step) % 12 + 1 for step in range((last - first) % 12 + 1))


def closed_words(*, drop_season: str) -> str:
    """What the list says of a season that is over: when the next is usually seen to begin."""
    months = usual_months(drop_season=drop_season)
    usually = f", usually {MONTHS[months[0] - 1]}" if months else ""
    return f"closed until first drop{usually}"


def off_season_words(*, drop_season: str, month: int) -> str:
    """A warning for a first drop outside its usual months; nothing within them."""
    months = usual_months(drop_season=drop_season)
    if not months or month in months:
        return ""
    return f"That is outside its usual months ({drop_season}): look at it again."
