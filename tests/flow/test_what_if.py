"""What-ifs: nothing is written until signed, and then exactly what was shown."""

from datetime import date
from decimal import Decimal

import pytest
from django.apps import apps
from django.db import connection
from tests_support import farm_time

from config import what_if
from config.what_if_acts import (
    LiftHold,
    LowerFloor,
    MoveShipDay,
    NewPrice,
    OtherWeather,
    RaiseHold,
)
from inventory.models import Change, Happening, Hold, Listing, Strain
from orders.models import Order, Price, ShipTo

FARM_APPS = ("inventory", "orders", "shipping")


def table_rows():
    """Every row of every table of the farm, as the database gives them."""
    rows = {}
    for app in FARM_APPS:
        for model in apps.get_app_config(app).get_models():
            with connection.cursor() as cursor:
                cursor.execute(f"SELECT * FROM {model._meta.db_table} ORDER BY 1")
                rows[model._meta.db_table] = hash(repr(cursor.fetchall()))
    return rows


def lift_on(day):
    return LiftHold(hold=Hold.objects.get(code="HD-1"), on=day)


def test_the_sentence_of_a_lift(open_farm, person):
    asked = what_if.ask(
        act=lift_on(date(2026, 12, 11)), now=farm_time("2026-12-04 16:00"), user=person("OF")
    )
    assert asked.sentence == ""
