"""How sure a share is that was seen in few cases."""

from math import sqrt
from statistics import NormalDist


def share_interval(*, came: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """The range in which the true share of a yes-or-no record is likely to lie.

    Parameters
    ----------
    came, of : int
        How often it came true, of how many. ``of`` is at least 1.
    confidence : float
        How sure the range shall be. [0 to 1]

    Returns
    -------
    tuple of float
        Lowest and highest share. [0 to 1]

    Raises
    ------
    ValueError
        If ``came`` does not lie within 0 and ``of``, or ``of`` is none.

    Source
    ------
    Wilson's score interval; worked values after Newcombe 1998, Statistics in Medicine 17:857-872.
    """
    if of < 1 or not 0 <= came <= of:
        raise ValueError(f"{came} of {of} is no share")
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share = came / of
    middle = share + z * z / (2 * of)
    reach = z * sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    return max(0.0, (middle - reach) / scale), min(1.0, (middle + reach) / scale)
