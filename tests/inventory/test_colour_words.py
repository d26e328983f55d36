"""A rest or a return by hand: it acts as any other, stands, is seen, and ends by its own rule."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from tests_support import farm_time

from config.ticking import tick
from inventory.carrying import carry_tray
from inventory.clock import farm_now, move_clock
from inventory.colour_words import ColourWordNotPossible, say_colour, settle_word
from inventory.errors import NotAllowed, ReasonMissing, Unknown
from inventory.models import (
    ColourInSystem,
    ColourState,
    ColourWord,
    Happening,
    ReturnSaid,
    Strain,
    Tray,
    WalkNote,
)
from inventory.walking import Note, take_note
from orders.listing import draft_list, newest_version
from orders.models import FeedEvent
from orders.weeks import week_named

NINE = farm_time("2026-11-25 09:00")


@pytest.fixture
def say(farm, person):
    move_clock(to=NINE)

    def act(*, who="LD", is_rest=False, at=NINE, strain="KLN", **more):
        more = {"reason": "the shops like it", **more}
        return say_colour(strain_key=strain, is_rest=is_rest, user=person(who), at=at, **more)

    return act


def look(person, on, place, grade):
    at = farm_time(f"{on} 07:00")
    note = Note(f"{on} {place}", at, place, strain="KLN", grade=Decimal(grade))
    take_note(note=note, received_at=at + timedelta(minutes=1), user=person("G1"))
    return ColourState.objects.get(strain__key="KLN")


def line(name="KLN plug"):
    rows = draft_list(week=week_named(name="2026-W49"), now=farm_now())
    return {row.listing.name: row for row in rows}.get(name)


def test_a_return_by_hand_goes_the_way_of_any_other_return(say, client, person):
    client.force_login(person("OF"))
    assert line().status == "resting"
    word = say()
    state = ColourState.objects.get(strain__key="KLN")
    assert (word.signed_on, word.settled_by.code) == (date(2026, 11, 25), "LD")
    assert (state.state, state.returned_on) == ("in colour", date(2026, 11, 25))
    assert state.value < 2, "what the looks say is left as it is"
    assert line().status == "offered" and line().total > 0
    assert line("KLN winter tan") is None
    told = Happening.objects.get(kind="line.returned", at=NINE)
    assert told.facts["reason"] == "back in colour since 25 Nov"
    # Every forecast of that rest is judged.
    said = ReturnSaid.objects.filter(strain__key="KLN").latest("said_on")
    assert said.returned_on == date(2026, 11, 25)
    week = week_named(name="2026-W49")
    tick(NINE)
    if newest_version(week=week) is not None:
        assert FeedEvent.objects.filter(kind="line.returned", listing="KLN plug").exists()


def test_the_next_low_look_does_not_turn_it_round_and_the_second_does(say, person):
    say()
    assert look(person, "2026-11-26", "A1", "1").state == "fading"
    assert look(person, "2026-11-27", "A1", "1").state == "resting"
    assert Happening.objects.filter(kind="line.rested", at__gt=NINE).count() == 1


def test_a_late_look_from_before_it_leaves_it_as_it_stands(say, person):
    say()
    assert look(person, "2026-11-24", "A1", "0").state == "in colour"


def test_a_rest_by_hand_stands_against_good_looks_for_a_fortnight(say, person):
    WalkNote.objects.filter(strain__key="KLN").delete()
    ColourState.objects.all().delete()
    for day in ("11-20", "11-22", "11-24"):
        look(person, f"2026-{day}", "A1", "3.5")
    say(is_rest=True, reason="brown tips that no grade shows")
    state = ColourState.objects.get(strain__key="KLN")
    assert (state.state, state.rested_on) == ("resting", date(2026, 11, 25))
    assert line().status == "resting" and line("KLN winter tan").status == "offered"
    for day in ("11-26", "11-30", "12-06"):
        assert look(person, f"2026-{day}", "A1", "4").is_resting
    assert not look(person, "2026-12-09", "A1", "4").is_resting


def test_one_system_rests_by_hand_and_comes_back_by_hand(say, person):
    WalkNote.objects.filter(strain__key="KLN").delete()
    ColourState.objects.all().delete()
    carry_tray(
        tray=Tray.objects.get(code="A2.1"), to_code="T5", at=NINE, user=person("LD"), is_sure=True
    )
    look(person, "2026-11-24", "A1", "3.5")
    whole = line().total
    say(is_rest=True, system_code="T", reason="T stands in the shade")
    rows = dict(ColourInSystem.objects.values_list("system__code", "state"))
    assert rows == {"A": "in colour", "T": "resting"}
    terms = {term.tray: (term.why, term.pieces) for term in line().terms}
    assert terms["A2.1"] == ("pale", 0) and line().total < whole
    # A look in A says nothing of T; good ones in T alone bring it back, after the least rest.
    look(person, "2026-11-26", "A1", "3.5")
    assert ColourInSystem.objects.get(system__code="T").is_resting
    with pytest.raises(ColourWordNotPossible, match="it rests already"):
        say(is_rest=True, system_code="T")
    say(system_code="T", at=NINE + timedelta(days=2))
    assert not ColourInSystem.objects.exists()
    assert line().total == whole
    told = Happening.objects.filter(kind="colour.split").order_by("id")
    assert [row.facts["trays"] for row in told] == [["A2.1"], []]


def test_one_system_comes_back_while_the_strain_rests(say, person):
    carry_tray(
        tray=Tray.objects.get(code="A2.1"), to_code="T5", at=NINE, user=person("LD"), is_sure=True
    )
    say(system_code="T")
    rows = dict(ColourInSystem.objects.values_list("system__code", "state"))
    assert (rows["A"], rows["T"]) == ("resting", "in colour")
    terms = {term.tray: term.why for term in line().terms}
    assert (line().status, terms["A2.1"], terms["A1.1"]) == ("offered", "ready", "pale")
    # A newer word on the whole strain ends it.
    say(is_rest=True, at=NINE + timedelta(hours=1))
    assert not ColourInSystem.objects.exists()
    assert line().status == "resting"


def test_a_grower_and_the_office_propose_and_a_lead_signs_or_leaves_it(say, person):
    for who in ("G1", "OF"):
        assert say(who=who).is_waiting
    assert ColourState.objects.get(strain__key="KLN").is_resting
    first, second = ColourWord.objects.order_by("id")
    with pytest.raises(NotAllowed):
        settle_word(word_id=first.pk, is_signed=True, user=person("OF"), at=NINE)
    left = settle_word(word_id=first.pk, is_signed=False, user=person("LD"), at=NINE)
    assert (left.signed_on, left.settled_by.code) == (None, "LD")
    assert ColourState.objects.get(strain__key="KLN").is_resting
    settle_word(word_id=second.pk, is_signed=True, user=person("OW"), at=NINE)
    assert not ColourState.objects.get(strain__key="KLN").is_resting
    assert settle_word(word_id=first.pk, is_signed=True, user=person("OW"), at=NINE) == left


@pytest.mark.parametrize(
    "facts, refusal",
    [
        ({"reason": " "}, ReasonMissing),
        ({"strain": "ZZZ"}, Unknown),
        ({"system_code": "Q9"}, Unknown),
        ({"system_code": "H"}, ColourWordNotPossible),
        ({"is_rest": True}, ColourWordNotPossible),
        ({"strain": "PLT"}, ColourWordNotPossible),
        ({"who": "PK1"}, NotAllowed),
    ],
)
def test_what_cannot_be_said_is_refused_and_leaves_nothing(say, facts, refusal):
    with pytest.raises(refusal):
        say(**facts)
    assert not ColourWord.objects.exists()


def test_the_colour_page_takes_and_shows_it(say, client, person):
    client.force_login(person("OF"))
    sent = {"strain": "KLN", "act": "return", "reason": "looks good at noon", "system": ""}
    page = client.post(reverse("seasons"), sent, follow=True).content.decode()
    assert "KLN is back: proposed. It acts when a lead or the owner signs it." in page
    assert "looks good at noon" in page and ">Sign<" not in page
    client.force_login(person("OW"))
    word = ColourWord.objects.get()
    sent = {"word": word.pk, "act": "sign"}
    page = client.post(reverse("seasons"), sent, follow=True).content.decode()
    assert "KLN is back: signed." in page
    assert f"Signed by {person('OW').name}" in page
    assert "in colour, by a signed word" in page
    assert client.post(reverse("seasons"), {"word": "x", "act": "sign"}).status_code == 404


def test_a_strain_without_a_curve_is_forecast_by_its_own_looks_within_a_wide_band(
    say, client, person
):
    Strain.objects.filter(key="KLN").update(
        colour_n50_h=None, colour_k_per_h=None, colour_lag_days=None
    )
    state = look(person, "2026-11-25", "A1", "1")
    assert state.is_resting
    # The owner's own curve says 23 Apr 2027; one autumn of looks comes within its band.
    assert abs((state.back_likely_on - date(2027, 4, 23)).days) <= 28
    assert (state.back_to_on - state.back_likely_on).days == 28
    client.force_login(person("OF"))
    page = client.get(reverse("seasons")).content.decode()
    assert "No curve was loaded: this one is fitted to its own looks" in page
    assert "a return is said within 28 days to each side" in page
