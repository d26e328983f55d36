"""The list's guard: what is old or missing is named and signed before a list goes out."""

from datetime import date, timedelta

import pytest
from tests_support import farm_time

from config.ticking import tick
from inventory.errors import NotAllowed, ReasonMissing
from inventory.models import Balance, Listing
from orders.list_guard import (
    ListChangedSince,
    NothingToCorrect,
    correct_list,
    differences_now,
    faults_now,
    mark_of,
    sign_list,
    unsigned_faults,
)
from orders.models import Line, Price
from orders.weeks import week_named

HOUR = farm_time("2026-11-25 14:00")


@pytest.fixture
def week(farm):
    Listing.objects.update(photo="")
    return week_named(name="2026-W49")


def make_whole():
    """A farm whose list has nothing to sign: photos taken, every tray counted yesterday."""
    Listing.objects.update(photo="there.jpg", photo_light="daylight", photo_on=date(2026, 11, 20))
    Balance.objects.update(counted_on=date(2026, 11, 24))


def test_a_whole_list_goes_out_by_itself_at_its_hour(week):
    make_whole()

    tick(HOUR + timedelta(minutes=3))

    week.refresh_from_db()
    assert week.published_at == HOUR


def test_a_list_with_missing_photos_waits_for_a_signature(week, person):
    tick(HOUR)
    week.refresh_from_db()
    assert week.published_at is None

    signed_at = HOUR + timedelta(minutes=20)
    faults = faults_now(week=week, now=signed_at)
    assert {fault.kind for fault in faults} == {"no photo"}
    sign_list(week=week, mark=mark_of(week, faults), now=signed_at, user=person("OF"))
    tick(signed_at)

    week.refresh_from_db()
    assert week.published_at == signed_at


def test_signed_beforehand_it_goes_out_at_its_own_hour(week, person):
    early = HOUR - timedelta(hours=2)
    faults = faults_now(week=week, now=early)
    sign_list(week=week, mark=mark_of(week, faults), now=early, user=person("OF"))

    tick(HOUR + timedelta(seconds=1))

    week.refresh_from_db()
    assert week.published_at == HOUR


def test_one_old_count_is_named(week):
    make_whole()
    Balance.objects.filter(tray__code="T2.1").update(counted_on=date(2026, 11, 20))

    faults = faults_now(week=week, now=HOUR)

    assert [fault.key for fault in faults] == ["old count: PLT plug"]
    Balance.objects.filter(tray__code="T2.1").update(counted_on=date(2026, 11, 21))
    assert faults_now(week=week, now=HOUR) == []


def test_what_is_found_after_the_signature_waits_again(week, person):
    make_whole()
    Listing.objects.filter(name="PLT plug").update(photo="")
    faults = faults_now(week=week, now=HOUR)
    sign_list(week=week, mark=mark_of(week, faults), now=HOUR, user=person("OF"))
    Price.objects.filter(listing__name="MKC plug").delete()

    tick(HOUR)

    week.refresh_from_db()
    assert week.published_at is None
    left = unsigned_faults(week=week, faults=faults_now(week=week, now=HOUR))
    assert [fault.key for fault in left] == ["no price: MKC plug"]


def test_a_listing_without_a_price_is_left_off_and_the_rest_goes_out(week, person):
    make_whole()
    Price.objects.filter(listing__name="MKC plug").delete()
    faults = faults_now(week=week, now=HOUR)
    sign_list(week=week, mark=mark_of(week, faults), now=HOUR, user=person("OF"))

    tick(HOUR)

    names = set(week.versions.get().lines.values_list("listing__name", flat=True))
    assert "MKC plug" not in names and "PLT plug" in names


def test_nobody_signs_what_they_were_not_shown_or_may_not(week, person):
    faults = faults_now(week=week, now=HOUR)
    with pytest.raises(ListChangedSince):
        sign_list(week=week, mark=mark_of(week, faults[1:]), now=HOUR, user=person("OF"))
    with pytest.raises(NotAllowed):
        sign_list(week=week, mark=mark_of(week, faults), now=HOUR, user=person("LD"))
    assert not week.signatures.exists()


def test_a_correction_is_a_new_version_and_names_who_ordered(open_farm, person):
    week, now = week_named(name="2026-W50"), farm_time("2026-12-04 16:30")
    Balance.objects.filter(strain_form__listings__name="PLT plug").update(
        counted_on=date(2026, 12, 4)
    )
    differences = differences_now(week=week, now=now)
    row = next(row for row in differences if row.listing == "PLT plug")
    ordered = Line.objects.filter(order__week=week, listing__name="PLT plug")
    numbers = sorted(ordered.values_list("order__number", flat=True))
    assert numbers and [words.split()[0] for words in row.orders] == numbers
    mark = mark_of(week, faults_now(week=week, now=now), differences)

    with pytest.raises(ReasonMissing):
        correct_list(week=week, mark=mark, reason=" ", now=now, user=person("OF"))
    before = week.versions.count()
    version = correct_list(
        week=week, mark=mark, reason="counted this noon", now=now, user=person("OF")
    )

    assert week.versions.count() == before + 1
    assert (version.reason, version.user) == ("counted this noon", person("OF"))
    with pytest.raises(NothingToCorrect):
        again = mark_of(week, faults_now(week=week, now=now))
        correct_list(week=week, mark=again, reason="once more", now=now, user=person("OF"))


def test_the_page_names_what_is_missing_and_takes_the_signature(week, person, client):
    client.force_login(person("OF"), backend="django.contrib.auth.backends.ModelBackend")
    page = client.get("/weeks/2026-W49/publish/")
    assert "without a photo" in page.content.decode()

    stale = client.post("/weeks/2026-W49/publish/", {"act": "sign", "mark": "none"})
    assert stale.status_code == 409 and "Nothing was signed" in stale.content.decode()
    mark = page.context["mark"]
    assert client.post("/weeks/2026-W49/publish/", {"act": "sign", "mark": mark}).status_code == 302
    assert week.signatures.get().user == person("OF")
