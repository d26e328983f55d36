"""What losses on the road say: the share that dies as known so far, and how sure that is."""

from dataclasses import dataclass

MONTHS = ("Dec to Feb", "Mar to May", "Jun to Aug", "Sep to Nov")


@dataclass(frozen=True, slots=True)
class LossRule:
    """When losses ask for a tighter rule.

    The farm begins by believing one dead in fifty: ``prior_dead`` of ``prior_dead + prior_alive``.
    ``line`` is the share that is too much, ``sure`` how probable it must be that it is passed,
    ``least_pieces`` from how many shipped pieces on anything is proposed. Chosen by the farm.
    """

    prior_dead: float = 1.0
    prior_alive: float = 49.0
    line: float = 0.05
    sure: float = 0.90
    least_pieces: int = 60


@dataclass(frozen=True, slots=True)
class LossJudged:
    """The mean share that dies, the band that holds it in 8 of 10 cases, and what follows.

    ``chance`` is the probability that more than the rule's line dies. ``verdict`` is "tighten"
    where that is sure enough, "watch" where the mean passes the line, else "fine".
    """

    mean: float
    low: float
    high: float
    chance: float
    verdict: str


def judge_losses(*, pieces: int, dead: int, rule: LossRule | None = None) -> LossJudged:
    """Weigh what was shipped and what died of it.

    Parameters
    ----------
    pieces, dead : int
        Shipped, and dead of them. [pieces]
    rule : LossRule, optional
        The farm's own by default.

    Returns
    -------
    LossJudged

    Raises
    ------
    ValueError
        Where more are dead than were shipped, or fewer than none.

    Source
    ------
    The conjugate prior of a binomial share: Beta(a + dead, b + alive). Its tail is SciPy's
    regularised incomplete beta function, NIST DLMF 8.17.
    """
    if not 0 <= dead <= pieces:
        raise ValueError(f"{dead} dead of {pieces} cannot be")
    # Loaded when it is asked for: most processes never judge a loss.
    from scipy.special import betaincc, betaincinv

    rule = rule or LossRule()
    a, b = rule.prior_dead + dead, rule.prior_alive + pieces - dead
    mean, chance = a / (a + b), float(betaincc(a, b, rule.line))
    low, high = float(betaincinv(a, b, 0.1)), float(betaincinv(a, b, 0.9))
    if pieces >= rule.least_pieces and chance > rule.sure:
        return LossJudged(mean, low, high, chance, "tighten")
    return LossJudged(mean, low, high, chance, "watch" if mean > rule.line else "fine")


def months_of(*, month: int) -> str:
    """The group of months a shipment is counted in, since cold and heat kill differently."""
    return MONTHS[month % 12 // 3]
