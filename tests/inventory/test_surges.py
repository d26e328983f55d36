"""A surge that stands still has a clock: half an hour, then a hold and a call, unless it runs."""

from datetime import timedelta

import pytest
from tests_support import farm_time

from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import Alarm, Happening, Hold, SurgeStop
from inventory.surges import running_words
from inventory.walk_sync import take_batch

EIGHT = farm_time("2026-11-25 08:20")


@pytest.fixture
def surge(farm, person):
    def act(client_id, minutes_later, stalled_min):
        at = EIGHT + timedelta(minutes=minutes_later)
        raw = {
            "client_id": client_id,
            "looked_at": at.isoformat(),
            "place": "A5",
            "kind": "surge",
            "scope": "trough",
            "stalled_min": stalled_min,
        }
        move_clock(to=max(at, farm_time("2026-11-25 09:00")))
        (taken,) = take_batch(raws=[raw], received_at=at, user=person("G1")).taken
        assert taken.outcome == "stored", taken
        return taken.sentence

    return act


def later(minutes):
    return EIGHT + timedelta(minutes=minutes)


def test_the_clock_runs_and_the_hold_acts_after_half_an_hour(surge):
    assert "its clock runs" in surge("stop", 0, 0)
    assert not Hold.objects.filter(trough__code="A5").exists()
    assert running_words(now=later(12)) == [
        "A5: the surge stands since 08:20, 12 min; a hold acts at 08:50 unless it runs again."
    ]
    tick(later(30))
    assert not Hold.objects.filter(trough__code="A5").exists()

    tick(later(45))
    hold = Hold.objects.get(trough__code="A5")
    # Late or twice, it is the hold of 08:50 and one of it.
    assert (hold.raised_at, hold.reason) == (later(30), "surge stalled at A5 for more than 30 min")
    tick(later(46))
    assert Hold.objects.filter(trough__code="A5").count() == 1
    assert Alarm.objects.get().words.startswith(f"{hold}: surge stalled")
    assert Happening.objects.filter(kind="alarm.raised").count() == 1
    assert running_words(now=later(46)) == []


def test_a_surge_that_runs_again_in_time_holds_nothing(surge):
    surge("stop", 0, 0)
    surge("again", 10, 10)
    tick(later(60))
    assert not Hold.objects.filter(trough__code="A5").exists()
    assert SurgeStop.objects.get().ended_at == later(10)


def test_a_second_look_at_a_standing_surge_starts_no_second_clock(surge):
    surge("stop", 0, 0)
    surge("still", 20, 0)
    assert SurgeStop.objects.get().stopped_at == EIGHT


def test_a_longer_stall_holds_at_once_and_ends_the_clock(surge):
    surge("stop", 0, 0)
    surge("long", 20, 31)
    hold = Hold.objects.get(trough__code="A5")
    tick(later(60))
    assert Hold.objects.get(trough__code="A5") == hold
    assert SurgeStop.objects.get().ended_at == later(20)


def test_the_holds_page_shows_the_clock(surge, client, person):
    surge("stop", 0, 0)
    client.force_login(person("LD"))
    assert "the surge stands since 08:20" in client.get("/holds/").content.decode()
