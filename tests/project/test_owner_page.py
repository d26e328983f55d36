"""What the owner reads: decisions against a rule, lines at risk, and the record of changes."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from tests_support import page_words

from inventory.clock import farm_now, farm_today
from inventory.holds import lower_floor
from orders.models import RegionRule, ShareLine

pytestmark = pytest.mark.django_db


@pytest.fixture
def page(person, client):
    client.force_login(person("OW"), backend="django.contrib.auth.backends.ModelBackend")
    return lambda: page_words(client.get("/owner/"))


def test_only_the_owner_reads_it(farm, person, client):
    for code, status in (("OF", 403), ("G1", 403), ("OW", 200)):
        client.force_login(person(code))
        assert client.get("/owner/").status_code == status
    client.force_login(person("OF"))
    assert "For the owner" not in page_words(client.get("/"))


def test_a_lowered_floor_stands_there_with_who_and_why(farm, person, page):
    assert "No floor was ever moved." in page()
    reason = "one week's order for a friend of the farm"
    lower_floor(strain_key="RKP", pieces=8, reason=reason, user=person("OW"), at=farm_now())
    words = page()
    assert "<del>16</del><ins>8</ins>" in words
    assert "one week&#x27;s order" in words and "Ruben Saltmarsh" in words


def test_whole_lines_in_one_system_are_named(farm, page):
    """PNR stands all in P, RKP and LCC all in H."""
    words = page()
    for key in ("PNR", "RKP", "LCC"):
        assert f'/lines/{key}/">{key}</a>' in words
    assert '/lines/PLT/">' not in words


def test_law_rows_past_their_review_are_named(farm, page):
    assert RegionRule.objects.filter(review_by__lt=farm_today()).exists() is False
    row = RegionRule.objects.first()
    row.review_by = farm_today() - timedelta(days=1)
    row.save()
    assert row.text in page() and "Every row was read" not in page()


def test_a_share_changed_by_hand_shows_the_rules_number(inked_farm, page):
    assert "None: every share is as its rule gave it." in page()
    line = ShareLine.objects.filter(run__is_signed=True, is_short=True).first()
    ShareLine.objects.filter(pk=line.pk).update(
        by_rule=line.promised + 1, hand_reason="opens a new shop"
    )
    words = page()
    assert "opens a new shop" in words and line.line.order.number in words


def test_it_takes_a_few_statements_however_much_there_is(inked_farm, page):
    page()
    with CaptureQueriesContext(connection) as queries:
        page()
    assert len(queries) <= 20
