"""A strain rests on its second low look and returns on a week of good ones, told once each.

Smoothed grades are worked figures of the farm: C <- 0.5 C + 0.5 grade, one step a look-day.
"""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from tests_support import farm_time

from inventory.models import ColourState, Happening, Strain, WalkNote
from inventory.walking import Note, take_note

AUTUMN = [
    # month-day, grade, C, state after it
    ("10-05", "3.5", 3.5, "in colour"),
    ("10-19", "3", 3.25, "in colour"),
    ("10-26", "2.5", 2.875, "in colour"),
    ("11-02", "2", 2.4375, "in colour"),
    ("11-06", "1.5", 1.969, "fading"),
    ("11-09", "1.5", 1.734, "resting"),
]
SPRING = [
    ("03-29", "2", 1.5, "resting"),
    ("04-05", "2.5", 2.0, "resting"),
    ("04-12", "3", 2.5, "resting"),
    ("04-15", "3.5", 3.0, "returning"),
    ("04-19", "3.5", 3.25, "returning"),
    ("04-22", "3.5", 3.375, "in colour"),
]


@pytest.fixture
def bare_kiln(farm):
    """The farm with no look at Fen Kiln yet and nothing told of it."""
    WalkNote.objects.filter(strain__key="KLN").delete()
    ColourState.objects.all().delete()
    Happening.objects.all().delete()


@pytest.fixture
def look(bare_kiln, person):
    """Take one graded look at Fen Kiln, by farm day and grade."""
    taken = []

    def take(day, grade, *, who="G1", hour="07:40", later=timedelta(minutes=2), is_signed=False):
        looked_at = farm_time(f"{day} {hour}")
        taken.append(day)
        take_note(
            note=Note(
                client_id=f"look-{len(taken)}",
                looked_at=looked_at,
                place="A1",
                strain="KLN",
                grade=Decimal(grade),
                is_signed=is_signed,
            ),
            received_at=looked_at + later,
            user=person(who),
        )
        return ColourState.objects.get(strain__key="KLN")

    return take


def told(kind):
    return [row.facts["listing"] for row in Happening.objects.filter(kind=kind).order_by("id")]


def rest_in_autumn(look):
    for day, grade, *_ in AUTUMN:
        state = look(f"2026-{day}", grade)
    return state


def test_the_autumn_rests_on_the_second_low_look(look):
    for day, grade, value, words in AUTUMN:
        state = look(f"2026-{day}", grade)
        assert (day, round(state.value, 3), state.state) == (day, round(value, 3), words)
        assert told("line.rested") == (["KLN plug"] if words == "resting" else [])

    assert state.rested_on == date(2026, 11, 9)
    assert Happening.objects.get(kind="line.rested").facts["reason"] == "out of colour since 9 Nov"


def test_lower_looks_afterwards_are_told_to_nobody(look):
    rest_in_autumn(look)
    look("2026-11-16", "1")
    state = look("2026-11-24", "1")

    # 1.734 -> 1.367 -> 1.184, and the season's curve with that gap gives the return.
    assert round(state.value, 3) == 1.184
    assert (state.back_from_on, state.back_likely_on, state.back_to_on) == (
        date(2027, 4, 9),
        date(2027, 4, 23),
        date(2027, 5, 7),
    )
    assert told("line.rested") == ["KLN plug"]


def test_two_looks_of_one_day_are_one_step(look):
    look("2026-10-05", "3.5")
    state = look("2026-10-19", "4", hour="07:00")
    assert state.value == 3.75
    state = look("2026-10-19", "2", hour="16:00", who="G2")

    # (4 + 2) / 2 = 3, and 3.5 / 2 + 3 / 2 = 3.25
    assert (state.value, state.state) == (3.25, "in colour")


def test_one_grade_of_one_rests_at_once_only_when_the_lead_signed_it(look):
    look("2026-10-05", "3.5")
    assert look("2026-10-19", "1", is_signed=True, who="G1").state == "in colour"
    # (3.5 + 1) / 2 = 2.25, then 1.625: low for the first time, but a lead's name stands to it.
    state = look("2026-10-26", "1", is_signed=True, who="LD")

    assert (state.value, state.state, state.rested_on) == (1.625, "resting", date(2026, 10, 26))
    assert told("line.rested") == ["KLN plug"]


def test_one_good_look_does_not_bring_it_back(look):
    look("2027-02-10", "1", who="LD", is_signed=True)
    state = look("2027-03-24", "4")

    assert (state.value, state.state) == (2.5, "resting")
    assert told("line.returned") == []


def test_a_week_of_good_looks_does(look):
    look("2027-02-10", "1", who="LD", is_signed=True)
    for day, grade, value, words in SPRING:
        state = look(f"2027-{day}", grade)
        assert (day, state.value, state.state) == (day, value, words)
        assert told("line.returned") == (["KLN plug"] if words == "in colour" else [])

    assert state.returned_on == date(2027, 4, 22)
    assert (state.back_likely_on, state.back_from_on, state.back_to_on) == (None, None, None)
    assert told("line.rested") == ["KLN plug"]


def test_a_late_look_is_put_in_its_place(look):
    """The look of 6 Nov comes off a phone on 10 Nov: state and value are as if it had not."""
    for day, grade, *_ in AUTUMN:
        if day != "11-06":
            state = look(f"2026-{day}", grade)
    # Without it 2.4375 -> 1.969 is one low look only.
    assert (round(state.value, 3), state.state, told("line.rested")) == (1.969, "fading", [])

    state = look("2026-11-06", "1.5", later=timedelta(days=4))

    assert (round(state.value, 3), state.state) == (1.734, "resting")
    assert (state.rested_on, state.looked_on) == (date(2026, 11, 9), date(2026, 11, 9))
    assert told("line.rested") == ["KLN plug"]


def test_a_late_look_that_changes_nothing_tells_nothing_twice(look):
    rest_in_autumn(look)
    state = look("2026-10-30", "2.5", later=timedelta(days=11))

    # 2.875 -> 2.6875 -> 2.34375 -> 1.921875 -> 1.7109375: it rests all the same.
    assert (state.value, state.state) == (1.7109375, "resting")
    assert state.rested_on == date(2026, 11, 9)
    assert told("line.rested") == ["KLN plug"]
    assert told("line.returned") == []


def test_looks_at_a_strain_of_one_colour_keep_no_state(bare_kiln, person):
    assert Strain.objects.get(key="LMS").colour == "none"
    note = Note(
        client_id="loom",
        looked_at=farm_time("2026-11-24 08:00"),
        place="A1",
        strain="LMS",
        grade=Decimal("0.5"),
    )
    take_note(note=note, received_at=farm_time("2026-11-24 08:02"), user=person("LD"))

    assert not ColourState.objects.filter(strain__key="LMS").exists()
    assert told("line.rested") == []
