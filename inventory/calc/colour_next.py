"""What one more look would do to a strain's colour, in numbers and in a sentence."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from inventory.calc.colour import ColourRule, ColourStep, Look, Word, run_looks

HALF_STEPS = tuple(step / 2 for step in range(9))


@dataclass(frozen=True, slots=True)
class NextLook:
    """The state that one more look with a grade would lead to."""

    grade: float
    step: ColourStep
    words: str


def next_looks(
    *,
    looks: Sequence[Look],
    on: date,
    rule: ColourRule | None = None,
    words: Sequence[Word] = (),
) -> list[NextLook]:
    """What each grade would do if it were looked at on a day. One row a half step, 0 to 4.

    Parameters
    ----------
    looks : sequence of Look
        Every look so far, in any order.
    on : date
        The day of the look to come.
    rule : ColourRule, optional
        The lines; the farm's own by default.
    words : sequence of Word, optional
        What people signed whatever the grades say.

    Returns
    -------
    list of NextLook
        Nine rows, lowest grade first.

    Source
    ------
    None, chosen by the farm.
    """
    rule = rule or ColourRule()
    rows = []
    for grade in HALF_STEPS:
        steps = run_looks(looks=[*looks, Look(on, grade)], rule=rule, words=words)
        # A word of the same day stands over its looks.
        step = [row for row in steps if row.on == on][-1]
        rows.append(NextLook(grade, step, step_words(step=step, rule=rule)))
    return rows


def step_words(*, step: ColourStep, rule: ColourRule) -> str:
    """A sentence for a state: how far it is from resting or from returning."""
    value = f"smoothed {step.value:.2f}"
    if step.is_word:
        return f"{value}: today's signed word stands, {step.state}"
    if step.has_rested:
        return f"{value}: this look rests the listing"
    if step.has_returned:
        return f"{value}: this look returns the listing"
    if step.state == "fading":
        return f"{value}: one more low look rests the listing"
    if step.state == "in colour":
        return f"{value}: the listing stays on"
    if not step.good_days:
        return f"{value}: it still rests; {rule.return_from:g} and more counts towards a return"
    return f"{value}: {return_words(step=step, rule=rule)}"


def return_words(*, step: ColourStep, rule: ColourRule) -> str:
    """How many good looks are missing to a return, and the earliest day of it."""
    missing = max(1, rule.good_looks - len(step.good_days))
    earliest = earliest_return_on(step=step, rule=rule)
    looks = "one look" if missing == 1 else f"{missing} looks"
    return f"{looks} from returning, earliest {earliest:%-d %b}"


def earliest_return_on(*, step: ColourStep, rule: ColourRule) -> date:
    """The first day on which a resting strain could return if every look from here is good.

    Source: none, chosen by the farm.
    """
    missing = max(1, rule.good_looks - len(step.good_days))
    first_good = step.good_days[0] if step.good_days else step.on + timedelta(days=1)
    rested_on = step.rested_on or step.on
    return max(
        step.on + timedelta(days=missing),
        first_good + timedelta(days=rule.good_span_days),
        rested_on + timedelta(days=rule.least_rest_days),
    )
