"""A person's word in a run of looks, and the forecast of a return. Worked by hand from the rule."""

from datetime import date, timedelta

from inventory.calc.colour import (
    ColourRule,
    Look,
    SeasonCurve,
    Word,
    forecast_return,
    run_looks,
)
from inventory.calc.colour_next import next_looks

FIRST = date(2026, 11, 1)
KILN = SeasonCurve(n50_h=11.40, k_per_h=2.2, lag_days=25, sign=1, latitude_deg=27.55)


def day(number):
    return FIRST + timedelta(days=number)


def looks(*pairs):
    return [Look(day(number), grade) for number, grade in pairs]


def states(rows, words):
    return [step.state for step in run_looks(looks=rows, words=words)]


def test_a_return_by_hand_is_not_turned_round_by_the_next_look_alone():
    rows = looks((0, 3), (1, 1), (2, 1))
    # 3, 2.0, 1.5, then 1.25: low on two look-days running.
    assert run_looks(looks=[*rows, *looks((3, 1))])[-1].state == "resting"
    words = [Word(day(3), is_rest=False)]
    first, second = looks((4, 1)), looks((4, 1), (5, 1))
    before = looks((0, 3), (1, 1), (2, 1), (3, 1))
    step = run_looks(looks=before, words=words)[-1]
    assert (step.state, step.is_word, step.has_returned, step.value) == (
        "in colour",
        True,
        True,
        1.25,
    )
    # One low look after the word is the first of two, whatever was looked at before it.
    assert states([*before, *first], words)[-1] == "fading"
    assert states([*before, *second], words)[-1] == "resting"


def test_a_rest_by_hand_ends_by_three_good_looks_over_a_week_after_a_fortnight():
    rows = looks(*[(number, 3.5) for number in range(8)])
    words = [Word(day(7), is_rest=True)]
    step = run_looks(looks=rows, words=words)[-1]
    assert (step.state, step.has_rested, step.rested_on, step.value) == (
        "resting",
        True,
        day(7),
        3.5,
    )
    # The eight good looks before the word count no more.
    later = [*rows, *looks((8, 3.5), (12, 3.5), (16, 3.5))]
    assert states(later, words)[-1] == "returning", "nine days of rest are less than fourteen"
    assert states([*later, *looks((21, 3.5))], words)[-1] == "in colour"
    last = run_looks(looks=[*later, *looks((21, 3.5))], words=words)[-1]
    assert last.has_returned and not last.is_word


def test_a_grade_that_a_lead_signs_stands_over_an_earlier_word():
    rows = [*looks((0, 1), (1, 1)), Look(day(5), 1, is_signed=True)]
    assert states(rows, [Word(day(2), is_rest=False)])[-1] == "resting"


def test_a_strain_never_looked_at_takes_its_first_look_as_its_value():
    words = [Word(day(0), is_rest=True)]
    assert run_looks(looks=[], words=words)[-1].state == "resting"
    step = run_looks(looks=looks((1, 2.5)), words=words)[-1]
    assert (step.value, step.state) == (2.5, "resting")


def test_the_newest_of_two_words_of_a_day_stands():
    words = [Word(day(1), is_rest=True), Word(day(1), is_rest=False, order=1)]
    assert states(looks((0, 3)), words) == ["in colour", "resting", "in colour"]
    assert states(looks((0, 3)), words[::-1])[-1] == "resting"


def test_the_walk_says_that_todays_word_stands():
    rows = next_looks(looks=looks((0, 1), (1, 1)), on=day(2), words=[Word(day(2), is_rest=False)])
    assert rows[0].words == "smoothed 0.50: today's signed word stands, in colour"


def test_a_returning_strain_is_not_forecast_a_year_ahead():
    """Above the line already: a week of looks from the first good one, then the next Friday."""
    on = date(2027, 4, 19)
    found = forecast_return(value=3.25, on=on, curve=KILN, good_since=date(2027, 4, 15))
    # 15 Apr and a week is Thu 22 Apr; the next Friday list is the 23rd.
    assert found is not None and found.likely_on == date(2027, 4, 23)
    late = forecast_return(value=3.25, on=on, curve=KILN, not_before=date(2027, 5, 3))
    # Not before the least rest is over, however wide the band.
    assert late is not None
    assert (late.likely_on, late.from_on) == (date(2027, 5, 7), date(2027, 5, 3))


def test_words_change_nothing_where_nobody_said_any():
    rows = looks((0, 3.5), (1, 1), (2, 1), (9, 2.5), (20, 4), (27, 4), (28, 4))
    assert run_looks(looks=rows) == run_looks(looks=rows, words=(), rule=ColourRule())
