"""Looks and counts: each lands once, ordered by its look, and a bad one comes back alone."""

from datetime import timedelta
from decimal import Decimal

import pytest
from tests_support import farm_time

from inventory.clock import farm_now
from inventory.models import Balance, Count, Movement, WalkNote
from inventory.walking import (
    CountUnbelievable,
    Note,
    count_tray,
    newest_note,
    record_deaths,
    take_note,
    take_notes,
)


def look(client_id, at, place="H4", **more):
    return Note(client_id=client_id, looked_at=farm_time(at), place=place, **more)


def test_a_late_note_keeps_its_place_and_a_second_send_changes_nothing(farm, person):
    grower = person("G2")
    early = look("N1", "2026-11-25 07:05", strain="TLW", light="right", flow="low")
    late = look("N2", "2026-11-25 08:55", strain="TLW", flow="right")
    take_note(note=late, received_at=farm_time("2026-11-25 08:56"), user=grower)
    first, already = take_note(
        note=early, received_at=farm_time("2026-11-25 10:50"), user=grower
    )  # fmt: skip
    again, already_again = take_note(
        note=early, received_at=farm_time("2026-11-25 10:51"), user=grower
    )  # fmt: skip

    assert (already, already_again) == (False, True)
    assert first == again
    assert newest_note(trough_code="H4", strain_key="TLW").client_id == "N2"
    assert WalkNote.objects.filter(client_id__in=["N1", "N2"]).count() == 2


def test_seven_bad_notes_come_back_each_with_its_own_problem_and_three_are_stored(farm, person):
    at = "2026-11-25 08:30"
    notes = [
        look("good-1", at, strain="TLW", flow="right"),
        look("grade-5", at, place="A1", strain="KLN", grade=Decimal(5)),
        look("grade-2.25", at, place="A1", strain="KLN", grade=Decimal("2.25")),
        look("count-3", at, place="T2.1", pieces=-3),
        look("good-2", at, place="A1", strain="KLN", grade=Decimal("1.5")),
        look("count-80", at, place="T2.1", pieces=80),
        look("ahead", "2026-11-25 11:00", light="right"),
        look("nowhere", at, place="A9.9"),
        look("not-there", at, place="T2.1", strain="KLN", grade=Decimal(3)),
        look("good-3", at, place="T2.1", pieces=33),
    ]
    taken = take_notes(notes=notes, received_at=farm_time("2026-11-25 09:00"), user=person("G1"))
    outcome = {row.client_id: row for row in taken}

    assert [row.client_id for row in taken if row.outcome == "stored"] == [
        "good-1", "good-2", "good-3",
    ]  # fmt: skip
    assert {row.client_id: row.code for row in taken if row.outcome == "problem"} == {
        "grade-5": "grade_unreadable",
        "grade-2.25": "grade_unreadable",
        "count-3": "count_unbelievable",
        "count-80": "count_unbelievable",
        "ahead": "looked_in_future",
        "nowhere": "unknown",
        "not-there": "strain_not_there",
    }
    assert "it has 72 positions" in outcome["count-80"].sentence
    assert Balance.objects.get(tray__code="T2.1").pieces == 33


def count(tray, pieces, person, code="G1", minutes=0, key=None):
    at = farm_now() + timedelta(minutes=minutes)
    return count_tray(
        tray_code=tray, pieces=pieces, looked_at=at, received_at=at, user=person(code),
        client_id=key or f"{tray}-{pieces}-{code}-{minutes}",
    )  # fmt: skip


def test_a_large_rise_waits_for_a_second_pair_of_eyes(farm, person):
    first = count("T2.1", 44, person)
    alone = count("T2.1", 44, person, minutes=1)
    assert first.is_waiting and alone.is_waiting
    assert Balance.objects.get(tray__code="T2.1").pieces == 34

    second = count("T2.1", 44, person, code="G2", minutes=2)
    assert not second.is_waiting
    assert Balance.objects.get(tray__code="T2.1").pieces == 44


def test_a_fall_acts_at_once_and_a_late_count_changes_nothing(farm, person):
    count("T2.1", 20, person)
    late = count("T2.1", 30, person, code="G2", minutes=-30)

    assert late.movement is None
    assert Balance.objects.get(tray__code="T2.1").pieces == 20


def test_a_count_sent_twice_lands_once(farm, person):
    first = count("T2.1", 30, person, key="once")
    again = count("T2.1", 30, person, key="once")

    assert first == again and Count.objects.filter(client_id="once").count() == 1
    assert Movement.objects.filter(client_key="count:once").count() == 1


def test_a_count_above_the_trays_places_is_refused(farm, person):
    with pytest.raises(CountUnbelievable, match="73 in tray T2.1: it has 72 positions"):
        count("T2.1", 73, person)


def test_dead_pieces_leave_their_tray_and_its_count_keeps_its_day(farm, person):
    before = Balance.objects.get(tray__code="T2.1")
    record_deaths(
        tray_code="T2.1", pieces=3, at=farm_now(), user=person("G1"), client_key="dead-1"
    )  # fmt: skip
    after = Balance.objects.get(tray__code="T2.1")

    assert (after.pieces, after.counted_on) == (before.pieces - 3, before.counted_on)
