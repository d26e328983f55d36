"""The mother reserve: how many pieces are missing below a strain's floor."""


def gap_pieces(
    *,
    floor_pieces: int,
    kept_clean_pieces: int,
    kept_suspected_pieces: int = 0,
    kept_confirmed_pieces: int = 0,
) -> int:
    """Pieces to keep back from sale so that the reserve reaches its floor.

    Kept pieces under a suspected hold count half, rounded down; under a confirmed hold not at all.
    A hold therefore raises the burden on the clean systems.

    Parameters
    ----------
    floor_pieces : int
        Mother pieces the farm wants to keep. Zero or more. [pieces]
    kept_clean_pieces, kept_suspected_pieces, kept_confirmed_pieces : int
        Pieces kept, by the hold on them. Zero or more. [pieces]

    Returns
    -------
    int
        Zero or more. [pieces]

    Raises
    ------
    ValueError
        If any number is below zero.

    Source
    ------
    None, chosen by the farm.
    """
    numbers = (floor_pieces, kept_clean_pieces, kept_suspected_pieces, kept_confirmed_pieces)
    if min(numbers) < 0:
        raise ValueError(f"No number of pieces may be below zero: {numbers}")
    return max(0, floor_pieces - kept_clean_pieces - kept_suspected_pieces // 2)


def spread_share(*, kept_pieces: dict[str, int]) -> tuple[str, float]:
    """The system that holds most of a pool of mothers, and its share of the pool.

    Parameters
    ----------
    kept_pieces : dict
        Pieces kept by system. [pieces]

    Returns
    -------
    tuple of (str, float)
        The system, of equal ones the first by name, and a share from 0 to 1; ("", 0) for none.

    Source
    ------
    None, chosen by the farm: at least two systems, none with more than 65 % of the pool.
    """
    total = sum(kept_pieces.values())
    if not total:
        return "", 0.0
    system = min(kept_pieces, key=lambda name: (-kept_pieces[name], name))
    return system, kept_pieces[system] / total


def move_pieces(*, pool_pieces: int, hard_floor_pieces: int, most_share: float) -> int:
    """How many mothers to move out of the one system that holds them all.

    The hard floor, so that the line outlives either system, but no fewer than bring the old one
    to ``most_share`` and no more than leave the new one there.

    Parameters
    ----------
    pool_pieces, hard_floor_pieces : int
        Zero or more. [pieces]
    most_share : float
        The largest share of a pool that one system may hold, from 0.5 to 1.

    Returns
    -------
    int
        Zero where the pool is too small to be split so. [pieces]

    Source
    ------
    None, chosen by the farm.
    """
    most = int(most_share * pool_pieces + 1e-9)
    least = pool_pieces - most
    return min(max(hard_floor_pieces, least), most) if least <= most else 0
