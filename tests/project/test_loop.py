"""The embedded loop hands on what people left, and outlives a failure."""

import pytest

from config import loop
from inventory.clock import farm_now
from inventory.holds import raise_hold
from inventory.models import Happening
from orders.models import ListVersion


def test_a_beat_hands_on_a_hold_to_the_list(published_farm, person, monkeypatch):
    monkeypatch.setattr(loop, "close_old_connections", lambda: None)
    raise_hold(
        scope_kind="system", scope="T", reason="white film", grade="suspected", at=farm_now(),
        user=person("G1"),
    )  # fmt: skip
    loop.beat(lambda: loop.tick(farm_now()))

    assert not Happening.objects.filter(handled_at__isnull=True).exists()
    assert ListVersion.objects.filter(week__name="2026-W49").count() == 2


@pytest.mark.django_db
def test_a_failed_beat_is_logged_and_not_fatal(monkeypatch, caplog):
    monkeypatch.setattr(loop, "close_old_connections", lambda: None)
    loop.beat(lambda: 1 / 0)

    assert "a round of the farm's loop failed" in caplog.text
