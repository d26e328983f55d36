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
