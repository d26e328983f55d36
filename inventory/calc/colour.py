"""Colour season: the smoothed grade with its two lines, and the forecast of a return."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import exp

from inventory.calc.daylight import day_length_h, day_of_year

FRIDAY = 4
RESTING = ("resting", "returning")
# A strain never looked at counts as its reference photo; the first look sets its value.
NEVER_LOOKED_AT = 4.0


@dataclass(frozen=True, slots=True)
class ColourRule:
    """The two lines and how long each must be kept. Chosen by the farm."""

    rest_below: float = 2.0
    return_from: float = 3.0
    low_looks: int = 2
    good_looks: int = 3
    good_span_days: int = 7
    least_rest_days: int = 14
    smoothing: float = 0.5


@dataclass(frozen=True, slots=True)
class Look:
    """One graded look. ``is_signed`` is a grade of 1 or less that a lead put a name to.

    ``grade`` is the one used, less the grader's offset; ``as_given`` is what the grader said.
    """

    on: date
    grade: float
    is_signed: bool = False
    as_given: float | None = None

    @property
    def is_signed_low(self) -> bool:
        given = self.grade if self.as_given is None else self.as_given
        return self.is_signed and given <= 1


@dataclass(frozen=True, slots=True)
class Word:
    """A person's signed word that a strain rests, or is back, whatever its grades say.

    ``order`` counts the words of a strain as they were signed.
    """

    on: date
    is_rest: bool
    order: int = 0


@dataclass(frozen=True, slots=True)
class ColourStep:
    """The state after one look-day, or after a person's word on that day."""

    on: date
    value: float
    state: str
    has_rested: bool
    has_returned: bool
    rested_on: date | None
    good_days: tuple[date, ...]
    is_word: bool = False


@dataclass(frozen=True, slots=True)
class SeasonCurve:
    """Grade as a function of day length: 4 / (1 + exp(-sign k (N(d - lag) - n50)))."""

    n50_h: float
    k_per_h: float
    lag_days: int
    sign: int
    latitude_deg: float


@dataclass(frozen=True, slots=True)
class ReturnForecast:
    """When a resting strain is likely to be listed again. It never acts by itself."""

    likely_on: date
    from_on: date
    to_on: date


def run_looks(
    *, looks: Iterable[Look], rule: ColourRule | None = None, words: Iterable[Word] = ()
) -> list[ColourStep]:
    """The colour state after each look-day, whatever order the looks arrived in.

    C <- 0.5 C + 0.5 grade, one step a look-day; looks of one day are averaged first; the first
    look sets C. Rests when C < 2.0 on two look-days running, or on one signed grade of 1 or less.
    Returns when C >= 3.0 on an unbroken run of three look-days that spans a week, and not before
    a fortnight of rest. In between it keeps its state, so that no single look toggles a listing.

    A person's word sets the state after the looks of its day. The value goes on, the counting
    starts anew: only looks of later days may rest or return the strain again, by the same lines.

    Parameters
    ----------
    looks : iterable of Look
        Grades 0 to 4, in any order.
    rule : ColourRule, optional
        The lines; the farm's own by default.
    words : iterable of Word, optional
        In the order in which they were signed.

    Returns
    -------
    list of ColourStep
        One a look-day and one a word, in day order.

    Raises
    ------
    ValueError
        If a grade lies outside 0 to 4.

    Source
    ------
    None, chosen by the farm.
    """
    rule = rule or ColourRule()
    by_day: dict[date, list[Look]] = {}
    for look in looks:
        if not 0 <= look.grade <= 4:
            raise ValueError(f"A grade lies between 0 and 4, not {look.grade}")
        by_day.setdefault(look.on, []).append(look)
    said: dict[date, list[Word]] = {}
    for word in words:
        said.setdefault(word.on, []).append(word)
    steps: list[ColourStep] = []
    for on in sorted(by_day.keys() | said.keys()):
        if on in by_day:
            steps.append(_step(on, by_day[on], steps, rule))
        for word in said.get(on, ()):
            steps.append(_word_step(word, steps[-1] if steps else None))
    return steps


def _word_step(word: Word, last: ColourStep | None) -> ColourStep:
    was_resting = last is not None and last.state in RESTING
    rested_on = last.rested_on if last else None
    return ColourStep(
        on=word.on,
        value=last.value if last else NEVER_LOOKED_AT,
        state="resting" if word.is_rest else "in colour",
        has_rested=word.is_rest and not was_resting,
        has_returned=was_resting and not word.is_rest,
        rested_on=word.on if word.is_rest and not was_resting else rested_on,
        good_days=(),
        is_word=True,
    )


def smoothed(level: float, newest: float, *, share: float = 0.5) -> float:
    """One step of simple exponential smoothing: the newest value weighs ``share``. [0 to 1]

    Source: the textbook recursion; published series are in its test.
    """
    return (1 - share) * level + share * newest


def _step(
    on: date, looks: Sequence[Look], before: Sequence[ColourStep], rule: ColourRule
) -> ColourStep:
    grade = sum(look.grade for look in looks) / len(looks)
    last = before[-1] if before else None
    is_first = all(step.is_word for step in before)
    value = grade if last is None or is_first else smoothed(last.value, grade, share=rule.smoothing)
    is_signed_low = any(look.is_signed_low for look in looks)
    if last is not None and last.state in RESTING:
        return _resting_step(on, value, last, rule)
    recent = [value, *_values_since_word(before, rule.low_looks - 1)]
    is_low = len(recent) >= rule.low_looks and all(step < rule.rest_below for step in recent)
    if is_low or is_signed_low:
        return ColourStep(on, value, "resting", True, False, on, ())
    state = "fading" if value < rule.rest_below else "in colour"
    return ColourStep(on, value, state, False, False, last.rested_on if last else None, ())


def _values_since_word(before: Sequence[ColourStep], most: int) -> list[float]:
    """The newest values, newest first; looks before a person's word count no more."""
    found: list[float] = []
    for step in reversed(before):
        if step.is_word or len(found) == most:
            break
        found.append(step.value)
    return found


def _resting_step(on: date, value: float, last: ColourStep, rule: ColourRule) -> ColourStep:
    good = (*last.good_days, on) if value >= rule.return_from else ()
    rested_on = last.rested_on or on
    is_back = (
        len(good) >= rule.good_looks
        and (good[-1] - good[0]).days >= rule.good_span_days
        and (on - rested_on).days >= rule.least_rest_days
    )
    if is_back:
        return ColourStep(on, value, "in colour", False, True, rested_on, ())
    state = "returning" if good else "resting"
    return ColourStep(on, value, state, False, False, rested_on, good)


def season_grade(*, on: date, curve: SeasonCurve) -> float:
    """The grade that the strain's season curve gives for a day. [0 to 4]

    Day length is used because it can be computed; the true cause is not known.

    Source: none, fitted by the farm.
    """
    day = on - timedelta(days=curve.lag_days)
    length_h = day_length_h(latitude_deg=curve.latitude_deg, day_of_year=day_of_year(on=day))
    return 4 / (1 + exp(-curve.sign * curve.k_per_h * (length_h - curve.n50_h)))


def crossing_on(
    *,
    after: date,
    line: float,
    is_rising: bool,
    curve: SeasonCurve,
    gap: float = 0.0,
    gap_on: date | None = None,
    horizon_days: int = 400,
) -> date | None:
    """The first day after which the curve has crossed a line; None within the horizon.

    ``gap`` is the present difference between what was looked at and the curve; it halves every
    21 days.

    Source: none, chosen by the farm.
    """
    before = None
    for ahead in range(horizon_days):
        on = after + timedelta(days=ahead)
        fade = 0.5 ** ((on - (gap_on or after)).days / 21)
        grade = season_grade(on=on, curve=curve) + gap * fade
        if before is not None and (before < line <= grade if is_rising else before >= line > grade):
            return on
        before = grade
    return None


def forecast_return(
    *,
    value: float,
    on: date,
    curve: SeasonCurve,
    band_days: int = 14,
    line: float = 3.0,
    looks_days: int = 7,
    good_since: date | None = None,
    not_before: date | None = None,
) -> ReturnForecast | None:
    """When a resting strain is likely back on the list: the curve's rise, a week of looks, and the
    next Friday list, with a band.

    Parameters
    ----------
    value : float
        The smoothed grade now. [0 to 4]
    on : date
        The day of that grade.
    curve : SeasonCurve
        The strain's season.
    band_days : int
        To each side. [day]
    good_since : date, optional
        The first day of the good looks that run now: the line has been crossed on it.
    not_before : date, optional
        The end of the least rest.

    Returns
    -------
    ReturnForecast or None
        None where the curve does not rise through the line within 400 days.

    Source
    ------
    None, chosen by the farm.
    """
    if value >= line:
        rises_on: date | None = good_since or on
    else:
        gap = value - season_grade(on=on, curve=curve)
        rises_on = crossing_on(after=on, line=line, is_rising=True, curve=curve, gap=gap, gap_on=on)
    if rises_on is None:
        return None
    looked_on = max(rises_on + timedelta(days=looks_days), not_before or on)
    likely_on = looked_on + timedelta(days=(FRIDAY - looked_on.weekday()) % 7)
    band = timedelta(days=band_days)
    from_on = max(likely_on - band, not_before or on)
    return ReturnForecast(likely_on, from_on, likely_on + band)
