"""A strain whose water systems differ is run for each by itself; a grader's offset is taken off.

Smoothed grades are worked by hand: C <- 0.5 C + 0.5 grade, one step a look-day.
"""

import io
import json
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.core.management import call_command
from tests_support import farm_time

from config.ticking import tick
from inventory.carrying import carry_tray
from inventory.clock import farm_now, move_clock
from inventory.colour_pages import record_sentence
from inventory.models import (
    Balance,
    ColourInSystem,
    ColourState,
    Happening,
    ReturnSaid,
    Strain,
    Tray,
    WalkNote,
)
from inventory.walking import Note, take_note
from orders.listing import draft_list
from orders.weeks import week_named
from shipping.models import PickSheet, Shortfall


@pytest.fixture
def look(farm, person):
    """Fen Kiln with no look yet, one of its two ready trays (22 pieces) carried into system T."""
    move_clock(to=farm_time("2026-11-25 09:00"))
    carry_tray(
        tray=Tray.objects.get(code="A2.1"),
        to_code="T5",
        at=farm_time("2026-10-01 08:00"),
        user=person("LD"),
        is_sure=True,
    )
    WalkNote.objects.filter(strain__key="KLN").delete()
    ColourState.objects.all().delete()
    ReturnSaid.objects.all().delete()
    Happening.objects.all().delete()
    taken = []

    def take(day, place, grade, who="G1"):
        at = farm_time(f"2026-{day} 07:{len(taken) % 60:02d}")
        taken.append(day)
        note = Note(
            client_id=f"look-{len(taken)}",
            looked_at=at,
            place=place,
            strain="KLN",
            grade=Decimal(grade),
        )
        take_note(note=note, received_at=at + timedelta(minutes=1), user=person(who))
        return ColourState.objects.get(strain__key="KLN")

    return take


def kiln_line():
    rows = draft_list(week=week_named(name="2026-W49"), now=farm_now())
    return {row.listing.name: row for row in rows}["KLN plug"]


def part(look):
    for day in ("11-01", "11-08", "11-15"):
        look(day, "A1", "3.5")
        look(day, "A2.1", "1.5")
    return ColourState.objects.get(strain__key="KLN")


def test_while_they_differ_only_the_good_system_sells(look):
    look("11-01", "A1", "3.5")
    state = look("11-01", "A2.1", "1.5")
    # One run: both looks of a day are averaged.
    assert (state.value, state.split_since) == (2.5, None)
    # 46 and 22 less 0.5 % a day for 7 d are 44 and 21; two are kept back for the floor of 20.
    assert kiln_line().total == 44 + 21 - 2

    state = part_rest = None
    for day in ("11-08", "11-15"):
        look(day, "A1", "3.5")
        part_rest = look(day, "A2.1", "1.5")
    state = part_rest
    assert (state.value, state.state, state.split_since) == (3.5, "in colour", date(2026, 11, 15))
    rows = {
        row.system.code: (row.value, row.state, row.rested_on)
        for row in ColourInSystem.objects.select_related("system")
    }
    assert rows == {
        "A": (3.5, "in colour", None),
        "T": (1.5, "resting", date(2026, 11, 8)),
    }
    line = kiln_line()
    terms = {term.tray: (term.why, term.pieces) for term in line.terms}
    assert line.status == "offered"
    assert terms["A1.1"] == ("ready", 44)
    assert terms["A2.1"] == ("pale", 0)
    assert "out of colour in system T since 8 Nov" in str(line.terms)
    told = Happening.objects.get(kind="colour.split").facts
    assert told["trays"] == ["A2.1"]
    assert not Happening.objects.filter(kind="line.rested").exists()


def test_the_record_and_the_page_name_both_systems(look, client, person):
    part(look)
    out = io.StringIO()
    call_command("growing", "--json", stdout=out)
    record = json.loads(out.getvalue())
    assert record["colour"]["KLN"]["systems"]["T"]["state"] == "resting"
    assert record["colour"]["KLN"]["state"] == "in colour"
    assert record["lots"]["A2.1"]["sellable"]["2026-W49"] == 0
    assert record["lots"]["A2.1"]["countable"]["2026-W49"] > 0
    assert "systems" not in record["colour"]["CPA"]

    client.force_login(person("LD"))
    page = client.get("/seasons/").content.decode()
    assert "Its systems differ since 15 Nov" in page
    assert "its trays are not sold" in page


def test_a_fortnight_together_makes_them_one_again(look):
    part(look)
    for day in ("11-17", "11-24"):
        look(day, "A1", "3")
        look(day, "A2.1", "3")
    state = look("12-01", "A2.1", "3")
    assert state.split_since is None
    assert not ColourInSystem.objects.exists()
    # (3.5 + 1.5) / 2 = 2.5 three times, then 3: 2.75, 2.875, 2.9375
    assert (state.value, state.state) == (2.9375, "in colour")
    assert Happening.objects.filter(kind="colour.split").count() == 2
    assert kiln_line().total > 60


def test_all_systems_out_of_colour_rest_the_strain_and_its_winter_look_takes_every_tray(look):
    part(look)
    for day in ("11-18", "11-20", "11-23", "11-25"):
        state = look(day, "A1", "1")
        look(day, "A2.1", "0")
    # A: 2.25, 1.625, 1.3125: two low looks running rest it too.
    assert state.is_resting and state.split_since == date(2026, 11, 15)
    rows = {
        row.listing.name: row
        for row in draft_list(week=week_named(name="2026-W49"), now=farm_now())
    }
    assert rows["KLN plug"].status == "resting"
    assert {term.tray for term in rows["KLN winter tan"].terms if term.pieces > 0} == {
        "A1.1",
        "A2.1",
    }
    assert [row.facts["listing"] for row in Happening.objects.filter(kind="line.rested")] == [
        "KLN plug"
    ]


def test_a_promise_on_trays_that_turned_pale_is_told_to_the_sheets(drawn_farm, person):
    """Plum Trellis as a colour strain: 31 promised from T2.1, 6 from A5.5, which turns pale."""
    Strain.objects.filter(key="PLT").update(colour="winter-out")
    for day in ("10", "17", "24"):
        for place, grade in (("A5.5", "1.5"), ("T2.1", "3.5")):
            note = Note(
                client_id=f"plum-{day}-{place}",
                looked_at=farm_time(f"2026-11-{day} 07:00"),
                place=place,
                strain="PLT",
                grade=Decimal(grade),
            )
            take_note(note=note, received_at=farm_now(), user=person("G1"))
    tick(farm_now())

    sheets = {
        row.system.code: row.state
        for row in PickSheet.objects.filter(ship_on="2026-12-01", is_toxin=False)
    }
    assert (sheets["A"], sheets["T"]) == ("stale", "drawn")
    # T2.1 holds 34, four are kept back, 56 are promised in the week.
    assert Shortfall.objects.get(strain_form__strain__key="PLT").pieces == 56 - (34 - 4)


# ---- graders


def test_a_stricter_eye_is_met_half_way(look):
    """Ten double looks a grade apart: half of the half grade to the mean is believed."""
    for week in range(10):
        day = f"{10 if week < 4 else 11}-{1 + 7 * (week % 4) if week < 4 else 1 + 2 * week}"
        day = f"{day.split('-')[0]}-{int(day.split('-')[1]):02d}"
        look(day, "A1.1", "4", who="G1")
        look(day, "A1.1", "3", who="G2")
    value = ColourState.objects.get(strain__key="KLN").value
    state = look("11-24", "A1.1", "2", who="G1")

    # offset of G1: 10 / 20 x 0.5 = 0.25, so the grade used is 1.75
    assert state.value == pytest.approx(0.5 * value + 0.5 * 1.75)
    assert WalkNote.objects.filter(strain__key="KLN").last().grade == Decimal("2.0")
    out = io.StringIO()
    call_command("growing", "--json", stdout=out)
    assert json.loads(out.getvalue())["graders"] == {
        "G1": {"double_looks": 10, "offset": 0.25},
        "G2": {"double_looks": 10, "offset": -0.25},
    }


def test_two_graders_at_a_trough_are_no_double_look(look):
    look("11-01", "A1", "4", who="G1")
    look("11-01", "A1", "2", who="G2")
    out = io.StringIO()
    call_command("growing", "--json", stdout=out)
    assert "graders" not in json.loads(out.getvalue())


# ---- what was said of returns


def said(strain, likely, back):
    return ReturnSaid(
        strain=strain,
        rested_on=date(2026, 11, 9),
        said_on=date(2026, 11, 9),
        likely_on=likely,
        from_on=likely - timedelta(days=14),
        to_on=likely + timedelta(days=14),
        returned_on=back,
    )


def test_each_new_forecast_of_a_rest_is_kept_and_judged_on_the_return(look):
    for day, grade in (("10-05", "2"), ("10-12", "1.5"), ("10-19", "1")):
        look(day, "A1", grade)
    rows = list(ReturnSaid.objects.all())
    assert rows
    assert all(row.came_true is None for row in rows)
    for day in ("11-02", "11-04", "11-07", "11-10", "11-14", "11-20"):
        state = look(day, "A1", "4")
    assert state.state == "in colour" and state.returned_on is not None
    assert {row.returned_on for row in ReturnSaid.objects.all()} == {state.returned_on}
    # April was said in October: it missed. Once it was above the line the next week was said.
    assert [row.came_true for row in ReturnSaid.objects.all()] == [False, True]


def test_the_record_of_forecasts_says_how_few_cases_it_has(farm):
    strain = Balance.objects.filter(strain_form__strain__key="KLN").first().strain_form.strain
    likely = date(2027, 4, 23)
    waiting = said(strain, likely, None)
    assert "1 strain rests now" in record_sentence([waiting])
    rows = [
        said(strain, likely, date(2027, 5, 7)),
        said(strain, likely, date(2027, 5, 8)),
        said(strain, likely, likely),
        waiting,
    ]
    # Wilson for 2 of 3: 0.2077 to 0.9385
    assert record_sentence(rows) == (
        "“Back about” came true 2 of 3 times; so few cases put the true share between 21% and 94%."
    )
