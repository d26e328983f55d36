"""Edit pages: what it touches is named before it is signed, and who, when and why is kept."""

import html
import re
from datetime import date
from decimal import Decimal

import pytest
from django.test import Client
from tests_support import farm_time

from config.edit_subjects import subject_of
from config.playing import rows_of
from config.setting_rules import rule_of
from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import Change, Listing, Setting
from inventory.setting_book import SettingBook
from orders.models import Order, Price
from orders.weeks import week_named


@pytest.fixture
def at_desk(person):
    """A browser logged in as a person of the farm by code."""

    def log_in(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return log_in


def shown_text(answer):
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())))


def hidden(answer, name):
    found = re.search(rf'name="{name}" value="([^"]*)"', answer.content.decode())
    return html.unescape(found.group(1)) if found else ""


def open_form(browser, address):
    """The address, and every field as its form opens."""
    answer = browser.get(address)
    assert answer.status_code == 200, answer.content
    text = answer.content.decode()
    typed = {}
    for tag in re.findall(r"<input[^>]*>", text):
        name, value = re.search(r'name="([^"]*)"', tag), re.search(r'value="([^"]*)"', tag)
        is_off = 'type="checkbox"' in tag and "checked" not in tag
        if name and not is_off and name.group(1) not in ("csrfmiddlewaretoken", "q"):
            typed[name.group(1)] = html.unescape(value.group(1)) if value else ""
    for name, inner in re.findall(r'<select[^>]*name="([^"]*)"[^>]*>(.*?)</select>', text, re.S):
        chosen = re.search(r'value="([^"]*)" selected', inner)
        typed[name] = html.unescape(chosen.group(1)) if chosen else ""
    for name, inner in re.findall(
        r'<textarea[^>]*name="([^"]*)"[^>]*>(.*?)</textarea>', text, re.S
    ):
        typed[name] = html.unescape(inner)
    return typed


def show(browser, address, **changes):
    typed = {**open_form(browser, address), **changes}
    return typed, browser.post(address, {**typed, "act": "show"})


def sign(browser, address, typed, answer, reason="said so"):
    signed = {**typed, "act": "sign", "mark": hidden(answer, "mark"), "reason": reason}
    return browser.post(address, signed)


PLT = "/edit/prices/PLT%20plug/"
TIER_2 = "/edit/settings/tier_2_factor/"


def test_a_price_names_its_weeks_and_orders_before_it_is_signed(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, PLT, list_price="15.50")

    text = shown_text(answer)
    assert "14.00" in text and "15.50" in text
    assert "2026-W50 is out and open: its next version shows it" in text
    sent = Order.objects.get(number=re.search(r"order (\d+) keeps the price", text).group(1))
    assert sent.lines.filter(listing__name="PLT plug").exists()
    # tier 2 pays 0.92 and tier 3 0.85 of it, halves up: 14.26 and 13.175 -> 13.18 (by hand)
    assert "15.50, 14.26, 13.18" in text
    assert not Price.objects.filter(list_price=Decimal("15.50")).exists()
    assert not Change.objects.exists()


def test_a_signed_price_is_dated_kept_and_on_the_next_version(open_farm, at_desk):
    browser = at_desk("OF")
    now = farm_time("2026-12-04 16:00")
    typed, answer = show(browser, PLT, list_price="15.50", break_units="24", break_price="13.00")
    signed = sign(browser, PLT, typed, answer, reason="dearer light")

    assert signed.status_code == 302
    price = Price.objects.get(listing__name="PLT plug", starts_on=date(2026, 12, 4))
    assert (price.list_price, price.break_units) == (Decimal("15.50"), 24)
    rows = {row.field: (row.was, row.now) for row in Change.objects.all()}
    assert rows == {
        "list price": ("14.00", "15.50"),
        "break": ("", "13.00 from 24 units"),
    }
    tick(now)
    version = week_named(name="2026-W50").versions.last()
    assert version.lines.get(listing__name="PLT plug").price_tier_1 == Decimal("15.50")
    text = shown_text(browser.get(PLT))
    assert "dearer light" in text and "Odile Marchbank" in text


def test_what_cannot_be_is_said_beside_its_field_and_the_text_is_kept(open_farm, at_desk):
    _, answer = show(
        at_desk("OF"), PLT, list_price="14,5O", break_units="1", starts_on="2026-12-01"
    )

    text = shown_text(answer)
    assert answer.status_code == 422
    assert "“14,5O” is not an amount. Type it as 14.00." in text
    assert "“1” is not a whole number from 2 to 9999." in text
    assert "2026-12-01 has passed. Type today, 2026-12-04, or a later day." in text
    assert 'value="14,5O"' in answer.content.decode()
    assert not Price.objects.filter(starts_on__gt=date(2026, 11, 1)).exists()


def test_a_break_needs_both_its_halves(open_farm, at_desk):
    _, answer = show(at_desk("OF"), PLT, break_units="24")

    assert answer.status_code == 422
    assert "A break needs both its units and its price." in shown_text(answer)


def test_a_signature_needs_a_reason(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, PLT, list_price="15.50")
    refused = sign(browser, PLT, typed, answer, reason="  ")

    assert refused.status_code == 422
    assert "Say why" in shown_text(refused)
    assert not Change.objects.exists()
    assert sign(browser, PLT, typed, refused, reason="dearer light").status_code == 302


def test_a_second_editor_is_told_who_was_first(open_farm, at_desk):
    first, second = at_desk("OF"), at_desk("OW")
    late = {**open_form(second, TIER_2), "value": "0.90"}
    typed, answer = show(first, TIER_2, value="0.91")
    assert sign(first, TIER_2, typed, answer, reason="agreed at the fair").status_code == 302

    refused = second.post(TIER_2, {**late, "act": "show"})

    text = shown_text(refused)
    assert refused.status_code == 409
    assert "Odile Marchbank changed value while you were typing" in text
    assert "Stands now: 0.91" in text and 'value="0.90"' in refused.content.decode()
    late["seen"] = hidden(refused, "seen")
    again = second.post(TIER_2, {**late, "act": "show"})
    assert again.status_code == 200


def test_what_was_signed_between_showing_and_signing_stops_the_signature(open_farm, at_desk):
    first, second = at_desk("OF"), at_desk("OW")
    late, shown_late = show(second, TIER_2, value="0.90")
    typed, answer = show(first, TIER_2, value="0.91")
    sign(first, TIER_2, typed, answer)

    refused = sign(second, TIER_2, late, shown_late)

    assert refused.status_code == 409
    assert SettingBook.read(on=date(2026, 12, 4)).text("tier_2_factor") == "0.91"


def test_what_it_touches_has_to_be_what_was_shown(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, PLT, list_price="15.50")
    line = Order.objects.filter(week__name="2026-W50", lines__listing__name="PLT plug")[0].lines
    line.filter(listing__name="PLT plug").update(unit_price=Decimal("13.99"))

    refused = sign(browser, PLT, typed, answer)

    assert refused.status_code == 409
    assert "keeps the price it was sent at, 13.99" in shown_text(refused)
    assert sign(browser, PLT, typed, refused).status_code == 302


@pytest.mark.parametrize("code", ["G1", "PK1", "B01"])
def test_who_edits_nothing_is_refused_with_a_code(open_farm, at_desk, code):
    browser = at_desk(code)

    for address in ("/edit/", "/edit/prices/", PLT, TIER_2):
        answer = browser.get(address)
        assert answer.status_code == 403 and "not_allowed" in answer.content.decode()


def test_each_side_keeps_its_own_numbers(open_farm, at_desk):
    lead, office = at_desk("LD"), at_desk("OF")

    assert lead.get(TIER_2).status_code == 403
    assert office.get("/edit/settings/reference_dli/").status_code == 403
    assert lead.get("/edit/settings/reference_dli/").status_code == 200
    assert lead.get(PLT).status_code == 403
    assert lead.post(TIER_2, {"act": "sign", "value": "0.5"}).status_code == 403


def test_a_setting_names_its_rule_its_pages_and_each_listing_that_changes(open_farm, at_desk):
    _, answer = show(at_desk("OF"), TIER_2, value="0.90")

    text = shown_text(answer)
    assert "what a price tier, or a winter look, pays of the list price" in text
    assert "orders sent before keep theirs" in text
    # 14.00 at 0.92 and at 0.90, by hand
    assert "14.00, 12.88, 11.90 14.00, 12.60, 11.90" in text


def test_a_number_for_a_later_day_changes_the_open_list_on_that_day(open_farm, at_desk):
    browser = at_desk("OF")
    typed, answer = show(browser, TIER_2, value="0.90", starts_on="2026-12-06")
    sign(browser, TIER_2, typed, answer, reason="from the second Sunday of Advent")
    tick(farm_time("2026-12-05 23:59"))
    week = week_named(name="2026-W50")
    assert week.versions.last().lines.get(listing__name="PLT plug").price_tier_2 == Decimal("12.88")

    move_clock(to=farm_time("2026-12-06 00:01"))
    tick(farm_time("2026-12-06 00:01"))
    versions = week.versions.count()
    tick(farm_time("2026-12-06 00:02"))

    assert week.versions.last().lines.get(listing__name="PLT plug").price_tier_2 == Decimal("12.60")
    assert week.versions.count() == versions
    assert SettingBook.read(on=date(2026, 12, 5)).text("tier_2_factor") == "0.92"


def test_heat_numbers_name_the_boxes_that_are_planned(drawn_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/settings/fuel_factor/", value="1.15")

    found = re.search(r"order 4902, [^;]*; stays until", shown_text(answer))
    assert found and found.group() == "order 4902, Tue 1 Dec: clear, freight 156.35; stays until"


def test_lower_and_upper_numbers_do_not_cross(open_farm, at_desk):
    _, answer = show(at_desk("OF"), "/edit/settings/caution_low_c:class:SPS/", value="30")

    assert answer.status_code == 422
    assert "caution high c is 29: type at most that." in shown_text(answer)


def test_every_setting_belongs_to_a_rule_that_reads_what_is_loaded(fixtures_folder):
    for row in rows_of(fixtures_folder, "settings.csv"):
        rule = rule_of(row["name"])
        assert rule is not None, row["name"]
        rule.parse(row["value"])


def test_nothing_different_is_said(open_farm, at_desk):
    _, answer = show(at_desk("OF"), TIER_2, value="0.920")

    assert answer.status_code == 422
    assert "nothing_to_change" not in Setting.objects.values_list("name", flat=True)
    assert "stands like that already" in shown_text(answer)


@pytest.mark.parametrize("key", ["prices", "settings"])
def test_every_row_of_a_list_opens_its_form(open_farm, at_desk, key):
    browser, subject = at_desk("OW"), subject_of(key)
    assert browser.get(f"/edit/{key}/").status_code == 200

    for row in list(subject.rows(on=date(2026, 12, 4)))[::17]:
        assert browser.get(f"/edit/{key}/{row.key}/").status_code == 200, row.key


def test_an_unknown_row_is_unknown(open_farm, at_desk):
    assert Listing.objects.count()
    for address in ("/edit/prices/XYZ/", "/edit/moons/", "/edit/settings/none:class:SPS/"):
        assert at_desk("OW").get(address).status_code == 404
