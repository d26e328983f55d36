"""A phone's batch: each note answered by name, acts done once, nothing lost and nothing twice."""

import json
from datetime import timedelta
from decimal import Decimal

import pytest
from django.test import Client
from tests_support import farm_time

from inventory.carrying import carry_tray
from inventory.errors import NotAllowed
from inventory.ledger import verify_ledger
from inventory.models import (
    Alarm,
    Balance,
    ColourState,
    Count,
    Happening,
    Hold,
    KeptAside,
    Movement,
    ShadeLog,
    Strain,
    Tray,
    TrayMove,
    Trough,
    WalkNote,
)
from inventory.walk_rows import looked_by, walk_troughs
from inventory.walk_sync import BatchTooLong, settle_kept_note, take_batch

NINE = farm_time("2026-11-25 09:00")
AT = "2026-11-25T08:30:00-06:00"


def sent(client_id, place="H4", **more):
    return {"client_id": client_id, "looked_at": AT, "place": place, **more}


@pytest.fixture
def send(farm, person):
    """Send notes as a grower at nine: send(note, note, who="G1")."""

    def act(*raws, who="G1", at=NINE, phone_now=None):
        batch = take_batch(
            raws=list(raws), received_at=at, user=person(who), phone_now=phone_now
        )  # fmt: skip
        return batch.taken

    return act


@pytest.fixture
def door(person):
    def open_door(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return open_door


def post(browser, notes, **more):
    body = {"notes": notes, "phone_now": NINE.isoformat(), **more}
    return browser.post("/walk/notes/", json.dumps(body), content_type="application/json")


def pieces(tray):
    return Balance.objects.get(tray__code=tray).pieces


def test_a2_seven_bad_notes_come_back_by_name_and_three_are_stored(farm, door):
    notes = [
        sent("good-1", strain="TLW", flow="right"),
        sent("grade-5", "A1", kind="grade", strain="KLN", grade="5"),
        sent("grade-2.25", "A1", kind="grade", strain="KLN", grade=2.25),
        sent("count-3", "T2.1", kind="count", pieces=-3),
        sent("good-2", "A1", kind="grade", strain="KLN", grade="1.5"),
        sent("count-80", "T2.1", kind="count", pieces=80),
        sent("ahead") | {"looked_at": "2026-11-25T11:00:00-06:00"},
        sent("nowhere", "A9.9"),
        sent("not-there", "T2.1", kind="grade", strain="KLN", grade="3"),
        sent("good-3", "T2.1", kind="count", pieces=33),
    ]
    answer = post(door("G1"), notes)
    rows = {row["client_id"]: row for row in answer.json()["answers"]}

    assert answer.status_code == 200
    assert [name for name, row in rows.items() if row["outcome"] == "stored"] == [
        "good-1", "good-2", "good-3",
    ]  # fmt: skip
    assert {name: row["code"] for name, row in rows.items() if row["outcome"] == "problem"} == {
        "grade-5": "grade_unreadable",
        "grade-2.25": "grade_unreadable",
        "count-3": "count_unbelievable",
        "count-80": "count_unbelievable",
        "ahead": "looked_in_future",
        "nowhere": "unknown",
        "not-there": "strain_not_there",
    }
    assert all(row["sentence"] for row in rows.values())
    assert WalkNote.objects.filter(received_at=NINE).count() == 2
    assert Count.objects.count() == 1 and pieces("T2.1") == 33


def test_a1_a_late_note_keeps_its_place_and_coverage_counts_the_trough_once(send):
    early = sent("N1", strain="TLW", light="right", flow="low") | {
        "looked_at": "2026-11-25T07:05:00-06:00"
    }
    late = sent("N2", strain="TLW", flow="right") | {"looked_at": "2026-11-25T08:55:00-06:00"}
    outcomes = [
        send(late)[0].outcome,
        send(early, at=farm_time("2026-11-25 10:50"), who="G2")[0].outcome,
        send(early, at=farm_time("2026-11-25 10:51"), who="G2")[0].outcome,
    ]

    assert outcomes == ["stored", "stored", "already have it"]
    newest = WalkNote.objects.filter(trough__code="H4").order_by("-looked_at", "-id")[0]
    assert newest.client_id == "N2"
    assert looked_by(on=NINE.date())["H4"] == "Gita Sorrel, 08:55"


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ("not a note", "send an object"),
        ({"place": "H4", "looked_at": AT}, "give each note an id of its own"),
        (sent("x", kind="sing"), "use one of bleach, count"),
        (sent("x") | {"looked_at": "yesterday"}, "send it as 2026-11-25T08:30"),
        (sent("x") | {"looked_at": None}, "send it as 2026-11-25T08:30"),
        (sent("x") | {"looked_at": "0001-01-01T00:00:00Z"}, "send it as"),
        (sent("x", kind="count"), "type a whole number"),
        (sent("x", kind="count", pieces="3.5"), "type a whole number"),
        (sent("x", kind="count", pieces=True), "type a number"),
        (sent("x", kind="grade", grade="NaN"), "type a number"),
        (sent("x", kind="grade", grade=[1]), "type a number"),
        (sent("x", kind="dead", dead=0), "from 1 to"),
        (sent("x", kind="shade", shade="1.5", days=7), "a share from 0 to 1"),
        (sent("x", light="blinding"), "use one of low, right, too much"),
        (sent("x", text="a\x00b"), "type at most"),
        (sent("x" * 61), "type at most 60 letters"),
        (sent("x", text=7), "type at most"),
    ],
)
def test_a_note_that_cannot_be_read_says_which_field_and_what_to_do(send, raw, words):
    good, bad = send(sent("good"), raw)

    assert (good.outcome, bad.outcome, bad.code) == ("stored", "problem", "note_unreadable")
    assert words in bad.sentence


def test_one_thing_twice_in_a_batch_and_a_batch_sent_again_change_nothing(send):
    notes = [sent("n"), sent("n"), sent("d", "T2.1", kind="dead", dead=2)]
    first, again = send(*notes), send(*notes)

    assert [row.outcome for row in first] == ["stored", "already have it", "stored"]
    assert {row.outcome for row in again} == {"already have it"}
    assert pieces("T2.1") == 32 and Movement.objects.filter(client_key="dead:d").count() == 1


def test_too_many_notes_are_refused_whole(send):
    with pytest.raises(BatchTooLong, match="at most 500"):
        send(*[sent(f"n{n}") for n in range(501)])
    assert not WalkNote.objects.filter(client_id="n0").exists()


def test_a_phones_clock_a_day_off_is_set_right_and_what_it_sent_is_kept(farm, person):
    note = sent("n") | {"looked_at": "2026-11-26T08:30:00-06:00"}
    batch = take_batch(
        raws=[note], received_at=NINE, user=person("G1"), phone_now=NINE + timedelta(days=1)
    )  # fmt: skip
    row = WalkNote.objects.get(client_id="n")

    assert batch.taken[0].outcome == "stored"
    assert "1 day fast" in batch.clock_words
    assert row.looked_at == farm_time("2026-11-25 08:30")
    assert row.sent_looked_at == farm_time("2026-11-26 08:30")


def test_a_very_old_look_is_kept_aside_and_the_lead_stores_it_or_leaves_it_out(send, person):
    old = sent("old", strain="TLW") | {"looked_at": "2020-01-01T00:00:00Z"}
    other = sent("other", strain="TLW") | {"looked_at": "2020-01-01T00:00:00Z"}
    answers = send(old, other)
    kept = {row.client_id: row for row in KeptAside.objects.all()}

    assert {row.outcome for row in answers} == {"kept aside"}
    assert "kept aside for the office" in answers[0].sentence
    settle_kept_note(kept_id=kept["old"].pk, is_wanted=True, user=person("OF"), at=NINE)
    settle_kept_note(kept_id=kept["other"].pk, is_wanted=False, user=person("OF"), at=NINE)
    stored = WalkNote.objects.get(client_id="old")
    assert (stored.user.code, stored.keyed_by.code) == ("G1", "OF")
    assert [row.outcome for row in send(old, other)] == ["already have it", "already have it"]
    assert KeptAside.objects.get(client_id="other").outcome == "left out"


def test_two_counts_of_one_tray_within_two_hours_ask_whether_it_was_the_same(send):
    send(sent("one", "T2.1", kind="count", pieces=33))
    second = sent("two", "T2.1", kind="count", pieces=31)
    asked = send(second, who="G2")[0]

    assert (asked.outcome, asked.code) == ("asked", "counted_just_now")
    assert "counted 33 by Gita Sorrel at 08:30; this count says 31" in asked.sentence
    assert pieces("T2.1") == 33
    assert send(second, who="G2")[0].outcome == "asked"
    assert send(second | {"sure": True}, who="G2")[0].outcome == "stored"
    assert pieces("T2.1") == 31
    assert KeptAside.objects.get(client_id="two").outcome == "stored"
    assert not verify_ledger()


def test_a_second_look_at_a_large_rise_is_not_asked_about(send):
    first = send(sent("one", "T2.1", kind="count", pieces=44))[0]
    second = send(sent("two", "T2.1", kind="count", pieces=44), who="G2")[0]

    assert "waits for a second look" in first.sentence
    assert second.outcome == "stored" and pieces("T2.1") == 44


def test_a_carried_tray_takes_its_pieces_to_the_other_water_and_its_notes_stay(send):
    tray = Tray.objects.get(code="T2.1")
    answers = send(
        sent("move", "T2.1", kind="move", to_trough="A3"),
        sent("late", "T2.1", kind="look") | {"looked_at": "2026-11-25T07:00:00-06:00"},
        sent("after", "T2.1", kind="look") | {"looked_at": "2026-11-25T08:45:00-06:00"},
    )
    tray.refresh_from_db()

    assert [row.outcome for row in answers] == ["stored"] * 3
    assert tray.trough.code == "A3" and not verify_ledger()
    assert WalkNote.objects.get(client_id="late").trough.code == "T2"
    assert WalkNote.objects.get(client_id="after").trough.code == "A3"
    assert Happening.objects.filter(kind="tray.shifted", facts__tray="T2.1").count() == 1


def test_moving_the_last_clean_mothers_into_the_sick_system_is_asked_about_first(send):
    mothers = Balance.objects.filter(lot__state="kept", strain_form__strain__key="PLT")
    trays = list(mothers.values_list("tray__code", "tray__trough__system__code"))
    clean = [tray for tray, system in trays if system != "P"]
    for tray in clean[1:]:
        assert send(sent(f"m-{tray}", tray, kind="move", to_trough="P7"))[0].outcome == "stored"
    last = sent("last", clean[0], kind="move", to_trough="P7")
    asked = send(last)[0]

    assert (asked.outcome, asked.code) == ("asked", "spread_at_risk")
    assert "No mother of PLT would be left in clean water" in asked.sentence
    assert Tray.objects.get(code=clean[0]).trough.system.code != "P"
    assert send(last | {"sure": True})[0].outcome == "stored"
    assert not verify_ledger()


def test_nothing_is_carried_out_of_held_water_into_another_system(send):
    answer = send(sent("out", "P2.3", kind="move", to_trough="A3"))[0]

    assert answer.code == "tray_under_hold" and "hold HD-1" in answer.sentence
    assert not TrayMove.objects.exists()


@pytest.mark.parametrize(
    ("note", "code"),
    [
        (sent("x", "T2", kind="move", to_trough="A3"), "tray_needed"),
        (sent("x", "T2.1", kind="move", to_trough="T2"), "tray_stands_there"),
        (sent("x", "T2.1", kind="move", to_trough="Z9"), "unknown"),
        (sent("x", "T2.1", kind="dead", dead=99), "not_enough_in_tray"),
        (sent("x", kind="undo", undoes="nothing"), "nothing_to_take_back"),
        (sent("x", "T2.1", kind="ready"), "forbidden_move"),
        (sent("x", cohort="BM-1", sampled=10, rooted=12), "sample_unbelievable"),
        (sent("x", cohort="ZZ-1"), "unknown"),
    ],
)
def test_an_act_that_is_refused_leaves_neither_note_nor_deed(send, note, code):
    answer = send(note)[0]

    assert (answer.outcome, answer.code) == ("problem", code)
    assert not WalkNote.objects.filter(client_id="x").exists() and not verify_ledger()


def test_a_full_trough_takes_no_further_tray(send):
    Trough.objects.filter(code="A3").update(slots=Tray.objects.filter(trough__code="A3").count())

    assert send(sent("x", "T2.1", kind="move", to_trough="A3"))[0].code == "trough_is_full"


def test_a_pest_on_the_walk_holds_the_system_at_once_and_calls(send):
    answer = send(sent("pest", "T2.1", kind="pest", strain="PLT", scope="system"))[0]
    hold = Hold.objects.get(system__code="T")

    assert "acts now" in answer.sentence and hold.state == "raised" and hold.raised_at == NINE
    assert Alarm.objects.get().note.client_id == "pest"
    again = send(sent("again", "T3", kind="pest", scope="system"), who="G2")[0]
    assert again.outcome == "stored" and Hold.objects.filter(system__code="T").count() == 1
    assert Alarm.objects.count() == 2
    assert Happening.objects.filter(kind="alarm.raised").count() == 2


@pytest.mark.parametrize(("minutes", "holds"), [(12, 0), (30, 0), (31, 1), (None, 1)])
def test_a_surge_holds_only_when_it_stalled_more_than_half_an_hour(send, minutes, holds):
    send(sent("surge", "A5", kind="surge", scope="trough", stalled_min=minutes))

    assert Hold.objects.filter(trough__code="A5").count() == holds
    assert Alarm.objects.count() == holds


def test_every_note_can_be_taken_back_by_a_counter_note(send):
    before = (pieces("T2.1"), Balance.objects.get(tray__code="T2.1").counted_on)
    value = ColourState.objects.get(strain__key="KLN").value
    lot = Balance.objects.get(tray__code="T2.2").lot
    notes = [
        sent("grade", "A1", kind="grade", strain="KLN", grade="4"),
        sent("count", "T2.1", kind="count", pieces=30),
        sent("dead", "T2.1", kind="dead", dead=2),
        sent("move", "T2.1", kind="move", to_trough="A3"),
        sent("shade", "T2", kind="shade", shade="0.40", days=28),
        sent("ready", "T2.2", kind="ready"),
    ]
    assert {row.outcome for row in send(*notes)} == {"stored"}
    assert pieces("T2.1") == 28 and ColourState.objects.get(strain__key="KLN").value != value
    assert ShadeLog.objects.get(trough__code="T2").fraction == Decimal("0.40")
    undoings = [
        sent(f"undo-{note['client_id']}", note["place"], kind="undo", undoes=note["client_id"])
        for note in reversed(notes)
    ]
    answers = send(*undoings)
    lot.refresh_from_db()

    assert [row.sentence for row in answers if row.outcome != "stored"] == []
    assert (pieces("T2.1"), Balance.objects.get(tray__code="T2.1").counted_on) == before
    assert ColourState.objects.get(strain__key="KLN").value == value
    assert Tray.objects.get(code="T2.1").trough.code == "T2" and lot.state == "growing"
    assert ShadeLog.objects.get(trough__code="T2").fraction == 0
    assert WalkNote.objects.filter(client_id__in=[n["client_id"] for n in notes]).count() == 5
    assert not verify_ledger()
    assert send(sent("twice", kind="undo", undoes="dead"))[0].code == "nothing_to_take_back"


def test_the_only_look_taken_back_leaves_a_strain_in_colour_and_tells_the_list(send):
    strain = Strain.objects.exclude(colour="none").exclude(notes__grade__isnull=False).first()
    tray = Balance.objects.filter(strain_form__strain=strain, pieces__gt=0)[0].tray.code
    graded = sent("low", tray, kind="grade", strain=strain.key, grade="1", signed=True)
    send(graded, who="LD")
    assert ColourState.objects.get(strain=strain).is_resting
    send(sent("undo", tray, kind="undo", undoes="low"), who="LD")

    assert not ColourState.objects.filter(strain=strain).exists()
    kinds = Happening.objects.filter(facts__strain=strain.key).order_by("id")
    assert [row.kind for row in kinds][-1] == "line.returned"


def test_a_hold_is_not_taken_back_with_its_note_and_others_notes_are_left_alone(send):
    send(sent("pest", "T2.1", kind="pest", scope="system"))
    other = send(sent("not-mine", kind="undo", undoes="pest"), who="G2")[0]
    mine = send(sent("mine", kind="undo", undoes="pest"))[0]

    assert other.code == "nothing_to_take_back" and "Gita Sorrel noted it" in other.sentence
    assert mine.outcome == "stored" and "stands until the lead" in mine.sentence
    assert Hold.objects.get(system__code="T").is_open


def test_a_count_is_not_taken_back_once_the_tray_was_counted_again(send):
    send(sent("one", "T2.1", kind="count", pieces=33))
    later = sent("two", "T2.1", kind="count", pieces=32, sure=True)
    send(later | {"looked_at": "2026-11-25T08:50:00-06:00"})
    answer = send(sent("undo", kind="undo", undoes="one"))[0]

    assert "counted again since" in answer.sentence and pieces("T2.1") == 32


def test_the_walk_goes_from_the_cleanest_system_to_the_held_one(farm):
    order = [row.code for row in walk_troughs()]

    # Clean ranks of the farm's table: A 1, T 2, H 3, K 4; P is on hold.
    assert list(dict.fromkeys(code[0] for code in order)) == ["A", "T", "H", "K", "P"]
    assert order[:8] == ["A1", "A2", "A3", "A4", "A5", "A6", "A7", "AS"]
    assert len(order) == 34


def test_carrying_asks_for_the_right_to_walk(farm, person):
    with pytest.raises(NotAllowed):
        carry_tray(
            tray=Tray.objects.get(code="T2.1"), to_code="A3", at=NINE, user=person("OF")
        )  # fmt: skip


@pytest.mark.parametrize(
    ("body", "kind", "code"),
    [
        ("{}", "text/plain", "batch_unreadable"),
        ("{", "application/json", "batch_unreadable"),
        ("[]", "application/json", "batch_unreadable"),
        ('{"notes": 3}', "application/json", "batch_unreadable"),
    ],
)
def test_a_batch_that_is_none_is_refused_with_a_sentence(farm, door, body, kind, code):
    answer = door("G1").post("/walk/notes/", body, content_type=kind)

    assert (answer.status_code, answer.json()["code"]) == (400, code)
    assert "stay on the phone" in answer.json()["detail"]


def test_without_a_key_or_a_log_in_nothing_is_taken_and_the_sentence_says_so(farm, client):
    answer = post(client, [sent("n")])

    assert (answer.status_code, answer.json()["code"]) == (401, "phone_not_known")
    assert "stay on it" in answer.json()["detail"]


def test_people_who_do_not_walk_are_told(farm, door):
    answer = post(door("OF"), [sent("n")])

    assert (answer.status_code, answer.json()["code"]) == (403, "not_allowed")


def test_every_note_can_be_taken_by_a_plain_form(farm, door):
    grower = door("G1")
    page = grower.get("/walk/T2.1/").content.decode()
    answer = grower.post(
        "/walk/note/",
        {"kind": "count", "place": "T2.1", "rows": "4", "columns": "8", "loose": "1", "token": "t"},
        follow=True,
    )

    assert "Store the count of T2.1" in page
    assert pieces("T2.1") == 33 and "T2.1: 33 counted, 34 before" in answer.content.decode()


def test_a_question_to_a_plain_form_is_answered_by_its_button(farm, door):
    form = {"kind": "count", "place": "T2.1", "pieces": "33", "token": "a", "next": "T2.1"}
    door("G1").post("/walk/note/", form)
    second = door("G2")
    page = second.post("/walk/note/", form | {"pieces": "32", "token": "b"}, follow=True)
    assert "Is it the same" in page.content.decode() and "Yes, store it" in page.content.decode()
    assert pieces("T2.1") == 33
    second.post("/walk/note/", form | {"pieces": "32", "token": "b", "sure": "yes"})

    assert pieces("T2.1") == 32


def test_the_walk_says_what_each_grade_would_do_and_opens_at_a_trays_mark(farm, door):
    grower = door("G1")
    page = grower.get("/walk/A1/").content.decode()

    assert "A1: looked, all well" in page and "not looked at today" in page
    # KLN rests at C 1.18 after 11-24: 0.5 x 1.1836 + 0.5 x 4 = 2.59.
    assert "smoothed 2.59: it still rests" in page
    assert grower.get("/t/t2.1/", follow=True).redirect_chain[-1][0] == "/walk/T2.1/"
    assert grower.get("/walk/").status_code == 200
    assert grower.get("/walk/Z9/").status_code == 404
