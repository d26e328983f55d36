"""The week that is on offer on the published farm, and the shop that most tests order for."""

import pytest

from orders.models import ShipTo
from orders.weeks import week_named


@pytest.fixture
def week(published_farm):
    return week_named(name="2026-W49")


@pytest.fixture
def buffalo(week):
    return ShipTo.objects.get(code="C02")
