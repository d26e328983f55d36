"""Advice where new cuts do best: from looks, with room, holds and the spread minded."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from tests_support import farm_time

from inventory.clock import move_clock
from inventory.holds import raise_hold
from inventory.models import Balance, ShadeLog, Trough, WalkNote
from inventory.placing import light_changes, placing_advice
from inventory.placing_pages import light_words
from inventory.setting_book import SettingBook

ON = date(2026, 11, 25)


@pytest.fixture
def noted(farm, person):
    """Moss Ledger's neighbours: Harrow Tine grows in A2 (64 pieces) and is sold from A2 and T1."""
    move_clock(to=farm_time("2026-11-25 09:00"))
    WalkNote.objects.all().delete()
    kept = []

    def note(place, *values, strain="HRT", days_ago=5, **more):
        for value in values:
            kept.append(value)
            at = farm_time("2026-11-25 07:00") - timedelta(days=days_ago, minutes=len(kept))
            trough = Trough.objects.get(code=place)
            row = Balance.objects.filter(strain_form__strain__key=strain).first()
            WalkNote.objects.create(
                client_id=f"place-{len(kept)}",
                trough=trough,
                strain=row.strain_form.strain,
                looked_at=at,
                received_at=at,
                user=person("G1"),
                **{more.get("measure", "growth"): value},
            )

    return note


def advice():
    found = placing_advice(on=ON, book=SettingBook.read(on=ON))
    return [row for row in found.advice if row.strain == "HRT"]


def test_growth_that_is_better_elsewhere_is_said_with_its_numbers(noted):
    noted("T1", 3, 3, 3, 3, 3, 3)
    noted("A2", 1, 1, 1, 1, 1, 1)
    [row] = advice()
    # 6 of 3 and 6 of 1, mean 2: (18 + 8) / 10 and (6 + 8) / 10.
    assert (row.tray, row.present, row.best.place) == ("A2.5", "A2", "T1")
    assert (row.best.score, row.here) == (2.6, 1.4)
    # T holds 20 + 9 of 155 pieces; with 64 more that is 60 % and not above it.
    assert row.stop == ""
    assert row.free_slots == 48 - Trough.objects.get(code="T1").trays.count()


def test_old_looks_few_looks_and_taken_back_ones_say_nothing(noted):
    noted("T1", 3, 3, 3, 3, 3, 3, days_ago=61)
    noted("A2", 1, 1, 1, 1, 1, 1)
    assert advice() == []
    noted("T1", 3, 3, 3, 3, 3)
    assert advice() == []


def test_it_stays_where_a_hold_is_open_or_the_spread_would_suffer(noted, person):
    noted("T1", 3, 3, 3, 3, 3, 3)
    noted("A2", 1, 1, 1, 1, 1, 1)
    Balance.objects.filter(tray__code="T1.1").update(pieces=24)
    [row] = advice()
    assert row.stop == "61% of it would stand in system T"
    raise_hold(
        scope_kind="trough",
        scope="T1",
        reason="flatworm",
        grade="suspected",
        at=farm_time("2026-11-25 08:00"),
        user=person("LD"),
    )
    assert advice()[0].stop.startswith("hold ")


def test_a_full_trough_is_no_advice(noted):
    noted("T1", 3, 3, 3, 3, 3, 3)
    noted("A2", 1, 1, 1, 1, 1, 1)
    Trough.objects.filter(code="T1").update(slots=Trough.objects.get(code="T1").trays.count())
    assert advice()[0].stop == "T1 has no free slot"


def test_next_months_light_is_that_of_the_worked_table(noted):
    found = light_changes(on=ON, book=SettingBook.read(on=ON))
    change, until = found["A1"]
    # The worked table: 14.6 on 21 Nov, 12.7 on 21 Dec: 13 % less.
    assert (round(change, 2), until) == (round(12.7 / 14.6 - 1, 2), date(2026, 12, 21))
    placing = placing_advice(on=ON, book=SettingBook.read(on=ON))
    assert light_words("A1", placing) == "A1 loses 13% light by 21 Dec"
    ShadeLog.objects.create(
        trough=Trough.objects.get(code="A1"),
        from_on=date(2026, 12, 20),
        to_on=date(2026, 12, 24),
        fraction=Decimal("0.40"),
    )
    shaded, _ = light_changes(on=ON, book=SettingBook.read(on=ON))["A1"]
    assert shaded == pytest.approx((1 + change) * 0.6 - 1)


def test_the_page_shows_advice_scores_and_light(noted, client, person):
    client.force_login(person("G1"))
    page = client.get(reverse("placing")).content.decode()
    assert "No advice yet" in page and "Every trough loses 13% light by 21 Dec." in page
    noted("T1", 3, 3, 3, 3, 3, 3)
    noted("A2", 1, 1, 1, 1, 1, 1)
    page = client.get(reverse("placing")).content.decode()
    assert "A2 to T1" in page and "growth 2.60 there, 1.40 here" in page
    assert "T1 loses 13% light by 21 Dec" in page
    client.force_login(person("B01"))
    assert client.get(reverse("placing")).status_code == 403
