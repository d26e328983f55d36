"""A what-if in words: what each week's list gains and loses, and what each plan would cost.

Call from: config/what_if.py.
"""

from collections.abc import Sequence

from config.what_if_rows import Change, PlanChange

NUMBER_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def sentence_of(
    *, words: str, stop: str, changes: Sequence[Change], plans: Sequence[PlanChange], needs: str
) -> str:
    """If this hold lifts on Fri 11 Dec: W51 gains 72 Penny Row, ...; and what it needs.

    ``stop`` is the one the act takes away: what rested for it stands here, the rest in besides_of.
    """
    parts = [part for part in (_gains(changes, stop), _losses(changes), _priced(changes)) if part]
    if plans:
        parts.append("; ".join(_plan_words(row) for row in plans))
    if not parts:
        parts = ["the lists stay as they are" if changes else "no list and no plan changes"]
    return f"If {words}: {'; '.join(parts)}. {needs}".strip()


def besides_of(*, stop: str, changes: Sequence[Change]) -> str:
    """What else changes where an act takes a stop away: other returns, and more of the rest."""
    if not stop:
        return ""
    words = []
    for week, rows in _by_week(changes):
        back = [row for row in rows if row.is_back_from_nothing and row.was_stop != stop]
        more = [row for row in rows if row.was_units and row.gain_units > 0]
        if back:
            freed = "is no longer kept back as mothers" if len(back) == 1 else "are no longer"
            kept = "" if len(back) == 1 else " kept back as mothers"
            words.append(f"In {week} {_names(back)} {freed}{kept}.")
        if more:
            number = _count(len(more)).capitalize()
            noun = "listing has" if len(more) == 1 else "listings have"
            words.append(f"{number} {noun} more in {week}: {_names(more)}.")
    return " ".join(words)


def _gains(changes: Sequence[Change], stop: str) -> str:
    words = []
    for week, rows in _by_week(changes):
        back = [
            row for row in rows if row.is_back_from_nothing and (not stop or row.was_stop == stop)
        ]
        more = [row for row in rows if row.was_units and row.gain_units > 0]
        if back:
            noun = "listing comes" if len(back) == 1 else "listings come"
            words.append(f"{week} gains {_names(back)}")
            words.append(f"{_count(len(back))} {noun} back from nothing")
        if more and not stop:
            words.append(f"{week} has more of {_names(more)}")
    return "; ".join(words)


def _losses(changes: Sequence[Change]) -> str:
    words = []
    for week, rows in _by_week(changes):
        less = [row for row in rows if row.gain_units < 0]
        if less:
            words.append(f"{week} loses {_names(less)}")
    return "; ".join(words)


def _by_week(changes: Sequence[Change]) -> list[tuple[str, list[Change]]]:
    weeks = sorted({row.week for row in changes})
    return [(week.split("-", 1)[1], [row for row in changes if row.week == week]) for week in weeks]


def _names(rows: Sequence[Change]) -> str:
    """72 Penny Row, 28 Bell Rope; with the form where a strain stands there twice."""
    strains = [row.strain for row in rows]
    return ", ".join(
        f"{abs(row.gain_units)} {row.strain}"
        + (f" {row.form}" if strains.count(row.strain) > 1 else "")
        for row in rows
    )


def _count(number: int) -> str:
    return NUMBER_WORDS[number] if number < len(NUMBER_WORDS) else str(number)


def _priced(changes: Sequence[Change]) -> str:
    rows = [row for row in changes if row.was_prices != row.now_prices and row.was_prices[0]]
    return "; ".join(
        f"{week} lists {row.listing} at {row.now_prices[0]} instead of {row.was_prices[0]}"
        for week, of_week in _by_week(rows)
        for row in of_week
    )


def _plan_words(row: PlanChange) -> str:
    if row.now is None:
        return f"order {row.order} has no plan any more"
    if row.was is None:
        return f"order {row.order} would be {row.now.verdict}, freight {row.now.freight}"
    verdict = (
        f"stays {row.now.verdict}"
        if row.was.verdict == row.now.verdict
        else f"goes from {row.was.verdict} to {row.now.verdict}"
    )
    return f"order {row.order} {verdict}, freight {row.was.freight} to {row.now.freight}"
