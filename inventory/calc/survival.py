"""How many pieces of a count can still be relied on some days later."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

# A product that should be whole can fall a hair below it in binary; floor must not lose a piece.
DUST = 1e-9


def _whole(pieces: Any) -> Any:
    floored = np.floor(np.asarray(pieces, dtype=float) + DUST).astype(int)
    return int(floored) if floored.ndim == 0 else floored


def countable_pieces(
    *,
    pieces: ArrayLike,
    days_since_count: ArrayLike,
    decay_per_day: ArrayLike,
    is_sample: ArrayLike = False,
    decay_cap: float = 0.15,
    sample_cut: float = 0.02,
) -> Any:
    """Pieces of a tray that can be counted on some days after its count.

    The count is cut by a share that grows with each day up to a cap; a count of a sample only is
    cut by a further share. Rounded down per tray.

    Parameters
    ----------
    pieces : int or array, shape (n_trays,)
        The newest count. Zero or more. [pieces]
    days_since_count : int or array, shape (n_trays,)
        From the day of the count to the ship day. Zero or more. [day]
    decay_per_day : float or array, shape (n_trays,)
        Share lost a day. [1/day]
    is_sample : bool or array, shape (n_trays,)
        Whether only a sample was counted.
    decay_cap : float
        Largest share that days alone can cut. [0 to 1]
    sample_cut : float
        Further share cut for a sample. [0 to 1]

    Returns
    -------
    int or array of int, shape (n_trays,)
        [pieces]

    Raises
    ------
    ValueError
        If a count or a number of days is below zero.

    Source
    ------
    None, chosen by the farm; to be learned from its own recounts.
    """
    count = np.asarray(pieces, dtype=float)
    days = np.asarray(days_since_count, dtype=float)
    if (count < 0).any() or (days < 0).any():
        raise ValueError(f"Neither {count} pieces nor {days} days may be below zero")
    cut = np.minimum(decay_cap, np.asarray(decay_per_day, dtype=float) * days)
    cut = cut + np.where(is_sample, sample_cut, 0.0)
    return _whole(count * (1.0 - cut))


def growing_pieces(*, countable: ArrayLike, growing_share: float = 0.85) -> Any:
    """Countable pieces of a lot that is not graded yet, of which some will not pass. [pieces]

    Source: none, chosen by the farm.
    """
    return _whole(np.asarray(countable, dtype=float) * growing_share)


def healed_pieces(*, pieces: ArrayLike, heal_share: ArrayLike) -> Any:
    """Pieces of an unrooted cohort that are expected to live. [pieces]

    Source: none, chosen by the farm.
    """
    return _whole(np.asarray(pieces, dtype=float) * np.asarray(heal_share, dtype=float))


def lot_countables(
    *,
    pieces: ArrayLike,
    days_since_count: ArrayLike,
    decay_per_day: ArrayLike,
    is_sample: ArrayLike,
    is_growing: ArrayLike,
    heal_share: ArrayLike = 1.0,
    growing_share: ArrayLike = 0.85,
    decay_cap: ArrayLike = 0.15,
    sample_cut: ArrayLike = 0.02,
) -> NDArray[np.int64]:
    """Countable pieces of many trays at once, as `countable_pieces` and the two after it give them.

    Parameters
    ----------
    pieces, days_since_count, decay_per_day, is_sample : array, shape (n_trays,)
        As for `countable_pieces`.
    is_growing : array of bool, shape (n_trays,)
        Whether the lot is not graded yet.
    heal_share : array, shape (n_trays,)
        Share of an unrooted cohort that is expected to live; 1 for all else. [0 to 1]
    growing_share, decay_cap, sample_cut : array, broadcast
        [0 to 1]

    Returns
    -------
    array of int, shape (n_trays,)
        [pieces]

    Raises
    ------
    ValueError
        If a count or a number of days is below zero.

    Source
    ------
    None, chosen by the farm; to be learned from its own recounts.
    """
    count = np.asarray(pieces, dtype=float)
    days = np.asarray(days_since_count, dtype=float)
    if count.size and (count.min() < 0 or days.min() < 0):
        raise ValueError("Neither pieces nor days may be below zero")
    base = np.floor(count * np.asarray(heal_share, dtype=float) + DUST)
    cut = np.minimum(decay_cap, np.asarray(decay_per_day, dtype=float) * days)
    cut += np.where(is_sample, sample_cut, 0.0)
    left = np.floor(base * (1.0 - cut) + DUST)
    growing = np.asarray(is_growing, dtype=bool)
    passing = np.floor(left * np.asarray(growing_share, dtype=float) + DUST)
    result: NDArray[np.int64] = np.where(growing, passing, left).astype(np.int64)
    return result


def week_supply(
    *, form: ArrayLike, countable: ArrayLike, is_counting: ArrayLike, gap_pieces: ArrayLike
) -> NDArray[np.int64]:
    """What each strain-form can give in a week: its counting trays less what mothers lack.

    Parameters
    ----------
    form : array of int, shape (n_trays,)
        Index of each tray's strain-form.
    countable : array of int, shape (n_trays,)
        [pieces]
    is_counting : array of bool, shape (n_trays,)
        Neither held nor pale, and ready or expected ready by that Monday.
    gap_pieces : array of int, shape (n_forms,)
        [pieces]

    Returns
    -------
    array of int, shape (n_forms,)
        [pieces]

    Source
    ------
    None, chosen by the farm.
    """
    gap = np.asarray(gap_pieces, dtype=np.int64)
    counted = np.where(is_counting, countable, 0)
    sums = np.bincount(np.asarray(form, dtype=np.int64), weights=counted, minlength=len(gap))
    result: NDArray[np.int64] = np.maximum(0, sums.astype(np.int64) - gap)
    return result
