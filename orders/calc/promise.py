"""Can-promise by week: supply less what is promised, now and in later weeks that rely on it."""

from collections.abc import Mapping
from datetime import date


def promisable_pieces(
    *,
    supply_pieces: Mapping[date, int],
    promised_pieces: Mapping[date, int],
    week: date,
) -> int:
    """Pieces that can still be promised in a week without shorting any promise already made.

    A(w) = max(0, min over v in {w} and every later week v with promises of
    (S(v) - promises in weeks up to v)).

    Parameters
    ----------
    supply_pieces : mapping of date to int
        All pieces there will be by a week's Monday, nothing subtracted: for ``week`` and every
        later week that has promises. [pieces]
    promised_pieces : mapping of date to int
        Pieces promised for each week and not shipped yet. [pieces]
    week : date
        The Monday asked about.

    Returns
    -------
    int
        Zero or more. [pieces]

    Raises
    ------
    KeyError
        If the supply of ``week`` or of a later week with promises is missing.

    Source
    ------
    Cumulative available-to-promise with look-ahead, as in the glossary of the Association for
    Supply Chain Management (APICS Dictionary), here with growing stock in place of planned
    receipts.
    """
    bearing = [
        week,
        *(later for later, pieces in promised_pieces.items() if later > week and pieces),
    ]
    least = min(
        supply_pieces[later]
        - sum(pieces for earlier, pieces in promised_pieces.items() if earlier <= later)
        for later in bearing
    )
    return max(0, least)
