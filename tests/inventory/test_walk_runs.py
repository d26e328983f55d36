"""A walk's run is weighed in memory and written at once: as if each note had come by itself."""

import random
from datetime import timedelta

import pytest
from django.db import transaction
from tests_support import farm_time

from inventory import walk_bulk
from inventory.ledger import verify_ledger
from inventory.models import Balance, Count, Happening, KeptAside, Movement, StockTotal, WalkNote
from inventory.walk_sync import take_batch

NINE = farm_time("2026-11-25 09:00")
EIGHT = farm_time("2026-11-25 08:00")


def note(client_id, place, minutes=0, **more):
    at = EIGHT + timedelta(minutes=minutes)
    return {"client_id": client_id, "looked_at": at.isoformat(), "place": place, **more}


@pytest.fixture
def send(farm, person):
    def act(*raws, who="G1"):
        return take_batch(raws=list(raws), received_at=NINE, user=person(who)).taken

    return act


def outcomes(taken):
    return [row.outcome for row in taken]


def pieces(tray):
    return Balance.objects.get(tray__code=tray).pieces


WALK = [
    note("look", "H4", 1, flow="right"),
    note("grade", "A1", 2, kind="grade", strain="KLN", grade=1),
    note("dead", "T2.1", 3, kind="dead", dead=2),
    note("count", "T2.1", 4, kind="count", pieces=31),
    note("other", "A5.5", 5, kind="count", pieces=29),
]


def test_deaths_and_counts_of_one_tray_follow_each_other(send):
    taken = send(*reversed(WALK))
    assert set(outcomes(taken)) == {"stored"}
    assert (pieces("T2.1"), pieces("A5.5")) == (31, 29)
    dead = WalkNote.objects.get(client_id="dead")
    assert (dead.movement.pieces, dead.movement.reason) == (2, "death")
    count = Count.objects.get(client_id="count")
    # 34 stood there; two died before the count, which found one less than that.
    assert (count.pieces_before, count.movement.pieces, count.movement.to_place.code) == (
        32,
        1,
        "lost",
    )
    told = Happening.objects.filter(kind__in=["stock.died", "stock.counted"], at__gte=EIGHT)
    assert [row.facts["tray"] for row in told.order_by("id")] == ["T2.1", "T2.1", "A5.5"]
    assert verify_ledger() == []


def test_half_a_walk_and_then_the_whole_of_it_is_there_once(send):
    assert outcomes(send(*WALK[:3])) == ["stored"] * 3
    assert outcomes(send(*WALK)) == ["already have it"] * 3 + ["stored"] * 2
    assert pieces("T2.1") == 31
    assert verify_ledger() == []


def test_a_batch_that_breaks_half_way_has_stored_nothing(send, monkeypatch):
    def broken(**_):
        raise RuntimeError("the power went")

    before = pieces("T2.1"), Movement.objects.count(), Happening.objects.count()
    with monkeypatch.context() as patch:
        patch.setattr(walk_bulk, "follow_grade", broken)
        with pytest.raises(RuntimeError), transaction.atomic():
            send(*WALK)
    assert (pieces("T2.1"), Movement.objects.count(), Happening.objects.count()) == before
    assert not WalkNote.objects.filter(client_id="look").exists()
    assert outcomes(send(*WALK)) == ["stored"] * 5


def test_more_dead_than_stand_there_is_refused_alone(send):
    taken = send(
        note("many", "T2.1", 1, kind="dead", dead=35), note("few", "T2.1", 2, kind="dead", dead=4)
    )
    assert outcomes(taken) == ["problem", "stored"]
    assert taken[0].code == "not_enough_in_tray" and "34" in taken[0].sentence
    assert pieces("T2.1") == 30
    assert not Movement.objects.filter(client_key="dead:many").exists()


def test_deaths_need_a_tray_with_pieces(send):
    taken = send(note("trough", "T2", 1, kind="dead", dead=1))
    assert taken[0].code == "tray_needed"


def test_two_counts_in_one_batch_ask_whether_it_was_the_same_tray(send):
    one = note("one", "T2.1", 1, kind="count", pieces=33)
    two = note("two", "T2.1", 20, kind="count", pieces=30)
    assert outcomes(send(one, two)) == ["stored", "asked"]
    assert pieces("T2.1") == 33 and KeptAside.objects.get(client_id="two").is_waiting
    assert outcomes(send(two | {"sure": True})) == ["stored"]
    assert pieces("T2.1") == 30
    # Three hours apart nobody asks.
    far = note("far", "T2.1", -180, kind="count", pieces=32)
    assert outcomes(send(far)) == ["stored"]
    assert pieces("T2.1") == 30


def test_a_large_rise_in_a_batch_waits_for_somebody_else(send):
    rise = note("rise", "T2.1", 1, kind="count", pieces=44, sure=True)
    again = note("again", "T2.1", 2, kind="count", pieces=44, sure=True)
    taken = send(rise, again)
    assert all("second look" in row.sentence for row in taken)
    assert pieces("T2.1") == 34
    assert (
        "second look"
        not in send(note("seen", "T2.1", 3, kind="count", pieces=44), who="G2")[0].sentence
    )
    assert pieces("T2.1") == 44
    assert not Count.objects.filter(is_waiting=True).exists()


def after():
    """All that a walk leads to, whatever its rows are called."""
    return (
        sorted(Balance.objects.values_list("tray__code", "pieces", "counted_on", "is_sample")),
        sorted(StockTotal.objects.values_list("strain_form", "system", "standing", "pieces")),
        sorted(
            Count.objects.values_list("client_id", "pieces", "pieces_before", "is_waiting"),
        ),
        sorted(
            (key, number)
            for key, number in Movement.objects.values_list("client_key", "pieces")
            if key
        ),
        sorted(WalkNote.objects.values_list("client_id", "movement__pieces", "kind")),
        Happening.objects.count(),
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_batch_leads_to_what_its_notes_one_by_one_lead_to(send, seed):
    chance = random.Random(seed)
    trays = list(
        Balance.objects.filter(pieces__gt=5, lot__state="ready")
        .exclude(tray__trough__system__code="P")
        .order_by("tray__code")
        .values_list("tray__code", "pieces")[:6]
    )
    notes = []
    for index in range(40):
        tray, there = chance.choice(trays)
        kind = chance.choice(["look", "count", "count", "dead"])
        more = {
            "look": {"kind": "look"},
            "dead": {"kind": "dead", "dead": chance.randint(1, 4)},
            "count": {
                "kind": "count",
                "pieces": max(0, there + chance.randint(-6, 8)),
                "sure": chance.random() < 0.5,
            },
        }[kind]
        notes.append(note(f"{index}", tray, index, **more))

    def by(act):
        with transaction.atomic():
            answers = act()
            found = after()
            transaction.set_rollback(True)
        return [(row.outcome, row.code) for row in answers], found

    together = by(lambda: send(*notes))
    apart = by(lambda: [row for one in notes for row in send(one)])
    assert together[0] == apart[0]
    assert together[1] == apart[1]
