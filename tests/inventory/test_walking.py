"""Looks and counts: each lands once, ordered by its look, and a bad one comes back alone."""

from datetime import timedelta
from decimal import Decimal

import pytest
from tests_support import farm_time

from inventory.clock import farm_now
from inventory.errors import ForbiddenMove, NotAllowed
from inventory.models import Balance, Count, Lot, Movement, StockTotal, Tray, WalkNote
from inventory.walk_sync import take_notes
from inventory.walking import (
    CountUnbelievable,
    Note,
    count_tray,
    grade_ready,
    record_deaths,
    take_note,
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
    newest = WalkNote.objects.filter(trough__code="H4", strain__key="TLW").latest("looked_at", "pk")
    assert newest.client_id == "N2"
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


def ready_plugs(key):
    rows = StockTotal.objects.filter(strain_form__strain__key=key, standing="ready")
    return sum(rows.filter(strain_form__form__key="plug").values_list("pieces", flat=True))


def test_a_growers_grade_makes_a_growing_lot_ready(farm, person):
    before = ready_plugs("PLT")
    standing = Balance.objects.get(tray__code="T2.2").pieces
    with pytest.raises(NotAllowed):
        grade_ready(tray_code="T2.2", user=person("OF"), at=farm_now())
    lot = grade_ready(tray_code="T2.2", user=person("G1"), at=farm_now())

    assert lot.state == "ready"
    assert ready_plugs("PLT") == before + standing


@pytest.mark.parametrize("state", ["kept", "spent", "ready", "lost", "cut", "healing"])
def test_no_grade_releases_a_lot_that_is_not_growing(farm, person, state):
    """Mothers go back on sale by a release that leaves their floor whole, never by a grade."""
    lot = Balance.objects.get(tray__code="T2.2").lot
    Lot.objects.filter(pk=lot.pk).update(state=state)

    with pytest.raises(ForbiddenMove, match=f"is {state} and cannot become ready: only a growing"):
        grade_ready(tray_code="T2.2", user=person("G1"), at=farm_now())
    lot.refresh_from_db()
    assert lot.state == state


# In binary 100 x 1.15 is a hair below 115.
@pytest.mark.parametrize(
    ("before", "pieces", "waits"),
    [(20, 23, False), (20, 24, True), (100, 115, False), (100, 116, True)],
)
def test_fifteen_in_a_hundred_more_acts_at_once(farm, person, before, pieces, waits):
    Tray.objects.filter(code="T2.1").update(positions=120)
    count("T2.1", before, person)
    count("T2.1", before, person, code="G2", minutes=1)

    assert count("T2.1", pieces, person, minutes=2).is_waiting is waits
    standing = Balance.objects.get(tray__code="T2.1").pieces
    assert standing == (before if waits else pieces)


def test_a_second_look_that_saw_fewer_is_no_second_look(farm, person):
    # 34 stand there; 40 and 44 are both more than 15 in a hundred above.
    count("T2.1", 40, person)
    assert count("T2.1", 44, person, code="G2", minutes=1).is_waiting
    # The first grower looks again: somebody else has now seen as many.
    assert not count("T2.1", 44, person, minutes=2).is_waiting
    assert Balance.objects.get(tray__code="T2.1").pieces == 44
    assert not Count.objects.filter(is_waiting=True).exists()


def test_a_batch_sent_again_answers_for_each_note_that_it_is_there(farm, person):
    notes = [
        look("good-1", "2026-11-25 08:30", strain="TLW", flow="right"),
        look("bad", "2026-11-25 08:30", place="A9.9"),
        look("counted", "2026-11-25 08:30", place="T2.1", pieces=33),
    ]
    sent = [
        [row.outcome for row in take_notes(notes=notes, received_at=farm_now(), user=person("G1"))]
        for _ in range(2)
    ]

    assert sent == [
        ["stored", "problem", "stored"],
        ["already have it", "problem", "already have it"],
    ]
    assert Movement.objects.filter(client_key="count:counted").count() == 1
