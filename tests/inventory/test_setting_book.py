"""Which row of a setting counts: the nearest scope, and of one scope the newest day."""

from datetime import date
from decimal import Decimal

import pytest

from inventory.models import Setting
from inventory.setting_book import SettingBook, SettingMissing

pytestmark = pytest.mark.django_db

ON = date(2026, 11, 25)


def put(value, *, kind="farm", scope="", set_on=date(2026, 1, 1), name="decay_per_day"):
    Setting.objects.create(
        name=name,
        scope_kind=kind,
        scope=scope,
        value=value,
        confidence="L",
        owner="office lead",
        set_on=set_on,
        reason="chosen by the farm",
    )


@pytest.fixture
def three_scopes(db):
    put("0.004")
    put("0.005", kind="class", scope="SPS")
    put("0.008", kind="strain", scope="PLT")


@pytest.mark.parametrize(
    ("whose", "value"),
    [
        ({}, "0.004"),
        ({"strain_class": "LPS"}, "0.004"),
        ({"strain_class": "SPS"}, "0.005"),
        ({"strain": "HRT", "strain_class": "SPS"}, "0.005"),
        ({"strain": "PLT", "strain_class": "SPS"}, "0.008"),
        ({"strain": "PLT"}, "0.008"),
    ],
)
def test_the_nearest_scope_wins(three_scopes, whose, value):
    assert SettingBook.read(on=ON).text("decay_per_day", **whose) == value


def test_a_nearer_row_wins_over_a_newer_one(three_scopes):
    put("0.020", set_on=date(2026, 11, 20))
    book = SettingBook.read(on=ON)

    assert book.number("decay_per_day", strain="PLT", strain_class="SPS") == 0.008
    assert book.number("decay_per_day", strain_class="LPS") == 0.02


@pytest.mark.parametrize(
    ("on", "value"),
    [
        (date(2026, 1, 1), "1"),
        (date(2026, 6, 30), "1"),
        (date(2026, 7, 1), "2"),
        (date(2026, 11, 25), "3"),
        (date(2026, 11, 26), "3"),
        (date(2026, 12, 1), "4"),
    ],
)
def test_the_newest_row_of_that_day_or_before_wins(on, value):
    # Loaded out of order, and one of them for a day to come.
    put("3", set_on=date(2026, 11, 25))
    put("1", set_on=date(2026, 1, 1))
    put("4", set_on=date(2026, 12, 1))
    put("2", set_on=date(2026, 7, 1))

    assert SettingBook.read(on=on).text("decay_per_day") == value


def test_a_setting_from_before_any_row_is_missing():
    put("1", set_on=date(2026, 1, 1))

    with pytest.raises(SettingMissing, match="decay_per_day is not loaded"):
        SettingBook.read(on=date(2025, 12, 31)).text("decay_per_day")


def test_a_value_is_read_as_what_it_is_for(three_scopes):
    put("4", name="old_count_days")
    book = SettingBook.read(on=ON)

    assert book.whole("old_count_days") == 4
    assert book.decimal("decay_per_day") == Decimal("0.004")
    assert book.number("decay_per_day") == 0.004


def test_the_whole_book_is_one_statement(three_scopes, django_assert_num_queries):
    with django_assert_num_queries(1):
        book = SettingBook.read(on=ON)
        book.text("decay_per_day", strain="PLT")
        book.text("decay_per_day")
