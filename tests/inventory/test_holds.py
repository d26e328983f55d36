"""Holds act when raised, cover what they say, and end only as they may."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction
from tests_support import farm_time, page_words

from inventory.clock import farm_now, move_clock
from inventory.errors import ForbiddenMove, NotAllowed, Unknown
from inventory.holds import (
    LiftNotEarned,
    ReasonMissing,
    confirm_hold,
    held_balances,
    lift_hold,
    look_at_hold,
    raise_hold,
    void_hold,
)
from inventory.models import Balance, Happening, Hold, WaterSystem
from orders.listing import draft_list
from orders.weeks import open_week

EARLY = {"kind": "tray", "code": "T2.1"}


@pytest.fixture
def raised(farm, person):
    """Raise a hold on the farm's own day as a grower."""

    def act(kind="tray", code="T2.1", grade="suspected", reason="white film", who="G1"):
        return raise_hold(
            scope_kind=kind,
            scope=code,
            reason=reason,
            grade=grade,
            at=farm_now(),
            user=person(who),
        )

    return act


@pytest.fixture
def look(person):
    def act(hold, day, *, is_clean=True, who="LD"):
        at = farm_time(f"{day} 08:30")
        return look_at_hold(hold=hold, looked_at=at, user=person(who), is_clean=is_clean)

    return act


# ---- lifted only when earned


def test_a_hold_is_lifted_on_its_third_clean_look_a_week_apart(farm, person, look):
    hold = Hold.objects.get(code="HD-1")
    lead = person("LD")
    assert look(hold, "2026-11-27").is_counted
    assert look(hold, "2026-12-04").is_counted
    with pytest.raises(LiftNotEarned, match=r"3 clean looks 7 days apart and has 2.*Fri 11 Dec"):
        lift_hold(hold=hold, at=farm_time("2026-12-04 10:00"), user=lead)

    # Six days after the last one that counted: kept, and it counts for nothing.
    assert not look(hold, "2026-12-10").is_counted
    with pytest.raises(LiftNotEarned, match="has 2"):
        lift_hold(hold=hold, at=farm_time("2026-12-10 10:00"), user=lead)
    assert look(hold, "2026-12-11").is_counted
    hold = lift_hold(hold=hold, at=farm_time("2026-12-11 10:30"), user=lead)

    assert (hold.state, hold.ended_reason) == ("lifted", "3 clean looks")
    assert hold.looks.count() == 4
    assert WaterSystem.objects.get(code="P").last_lifted_on == date(2026, 12, 11)


def test_what_was_held_is_offered_again_from_its_old_count(farm, person, look):
    hold = Hold.objects.get(code="HD-1")
    for day in ("2026-11-27", "2026-12-04", "2026-12-11"):
        look(hold, day)
    move_clock(to=farm_time("2026-12-11 10:30"))
    lift_hold(hold=hold, at=farm_now(), user=person("LD"))
    week = open_week(monday=date(2026, 12, 14), farm_zone="America/Chicago")
    rows = {row.listing.name: row for row in draft_list(week=week, now=farm_now())}

    names = ("PNR base", "BLR base", "CLM base", "TCD base")
    found = {name: rows[name] for name in names if name in rows}
    assert {name: row.total for name, row in found.items()} == dict(
        zip(names, (72, 28, 25, 20), strict=True)
    )
    assert all("old count" in row.note for row in found.values())


def test_a_look_that_is_not_clean_starts_the_run_anew(farm, person, look):
    hold = Hold.objects.get(code="HD-1")
    look(hold, "2026-11-27")
    look(hold, "2026-12-04")
    hold.refresh_from_db()
    assert (hold.state, hold.lift_expected_on) == ("easing", date(2026, 12, 11))

    look(hold, "2026-12-06", is_clean=False)
    hold.refresh_from_db()
    # Three looks a week apart from 6 Dec: 13, 20 and 27 Dec.
    assert (hold.state, hold.lift_expected_on) == ("raised", date(2026, 12, 27))
    assert not look(hold, "2026-12-12").is_counted
    assert look(hold, "2026-12-13").is_counted
    with pytest.raises(LiftNotEarned, match="has 1"):
        lift_hold(hold=hold, at=farm_time("2026-12-13 10:00"), user=person("LD"))


def test_only_the_owner_lifts_early_and_only_with_a_reason(raised, person):
    hold = raised()
    with pytest.raises(NotAllowed):
        lift_hold(hold=hold, at=farm_now(), user=person("G1"), reason="looks fine")
    with pytest.raises(LiftNotEarned):
        lift_hold(hold=hold, at=farm_now(), user=person("LD"), reason="looks fine")
    with pytest.raises(LiftNotEarned):
        lift_hold(hold=hold, at=farm_now(), user=person("OW"))
    hold = lift_hold(hold=hold, at=farm_now(), user=person("OW"), reason="the vet saw it")

    assert (hold.state, hold.ended_reason) == ("lifted", "the vet saw it")


def test_the_same_look_sent_twice_counts_once(farm, look):
    hold = Hold.objects.get(code="HD-1")
    first = look(hold, "2026-11-27")

    assert look(hold, "2026-11-27").pk == first.pk
    assert hold.looks.count() == 1


# ---- moves a hold does not have


def test_a_confirmed_hold_is_no_mistake(raised, person):
    hold = confirm_hold(hold=raised(), at=farm_now(), user=person("LD"))
    with pytest.raises(ForbiddenMove, match="is confirmed and cannot become void"):
        void_hold(hold=hold, at=farm_now(), user=person("LD"), reason="a mistake")


@pytest.mark.parametrize("end", ["lifted", "void"])
def test_an_ended_hold_stays_ended(raised, person, look, end):
    hold = raised()
    if end == "void":
        hold = void_hold(hold=hold, at=farm_now(), user=person("LD"), reason="glare")
    else:
        hold = lift_hold(hold=hold, at=farm_now(), user=person("OW"), reason="the vet saw it")

    with pytest.raises(ForbiddenMove, match=f"is {end} and cannot become confirmed"):
        confirm_hold(hold=hold, at=farm_now(), user=person("LD"))
    with pytest.raises(ForbiddenMove, match=f"is {end} and cannot become lifted"):
        lift_hold(hold=hold, at=farm_now(), user=person("OW"), reason="again")
    with pytest.raises(ForbiddenMove, match=f"is {end} and cannot become void"):
        void_hold(hold=hold, at=farm_now(), user=person("LD"), reason="again")
    with pytest.raises(ForbiddenMove, match=f"is {end} and cannot become looked at"):
        look(hold, "2026-12-02")
    hold.refresh_from_db()
    assert hold.state == end


def test_one_whose_looks_are_running_is_no_mistake_either(farm, person, look):
    hold = Hold.objects.get(code="HD-1")
    look(hold, "2026-11-27")
    hold.refresh_from_db()
    assert hold.state == "easing"
    with pytest.raises(ForbiddenMove, match="is easing and cannot become void"):
        void_hold(hold=hold, at=farm_now(), user=person("LD"), reason="a mistake")


def test_a_mistake_is_signed_with_a_reason(raised, person):
    hold = raised()
    with pytest.raises(ReasonMissing, match="voiding a hold needs a reason"):
        void_hold(hold=hold, at=farm_now(), user=person("LD"), reason="")
    with pytest.raises(NotAllowed):
        void_hold(hold=hold, at=farm_now(), user=person("G1"), reason="glare")


# ---- what a hold covers


@pytest.mark.parametrize(
    ("kind", "code", "covers"),
    [
        ("tray", "T2.1", lambda row: row.tray.code == "T2.1"),
        ("trough", "T2", lambda row: row.tray.trough.code == "T2"),
        ("system", "T", lambda row: row.tray.trough.system.code == "T"),
        ("lot", "PLT-260914-T21", lambda row: row.lot.code == "PLT-260914-T21"),
    ],
)
def test_a_hold_covers_its_scope_and_no_more(raised, kind, code, covers):
    hold = raised(kind, code)
    standing = Balance.objects.filter(pieces__gt=0).select_related("lot", "tray__trough__system")
    expected = {row.tray.code for row in standing if covers(row)}
    told = Happening.objects.get(kind="hold.raised", facts__hold=hold.code).facts

    assert expected
    assert {row.tray.code for row in held_balances(hold)} == expected
    assert set(told["trays"]) == expected
    assert (hold.scope.split()[0], told["grade"]) == (code, "suspected")


def test_a_hold_counts_the_moment_it_is_raised(raised):
    week = open_week(monday=date(2026, 11, 30), farm_zone="America/Chicago")

    def plum():
        rows = draft_list(week=week, now=farm_now())
        return next(row for row in rows if row.listing.name == "PLT plug").total

    # 32 of T2.1, 28 of A5.5, 4 kept back.
    assert plum() == 56
    raised("tray", "T2.1")
    assert plum() == 24
    raised("lot", "PLT-260921-A55")
    assert plum() == 0


@pytest.mark.parametrize(
    ("change", "refusal", "words"),
    [
        ({"kind": "pond"}, Unknown, "no kind of place pond"),
        ({"code": "T9.9"}, Unknown, "no tray T9.9"),
        ({"kind": "system", "code": "T2.1"}, Unknown, "no water system T2.1"),
        ({"grade": "certain"}, Unknown, "no grade of a hold certain"),
        ({"reason": ""}, ReasonMissing, "a hold needs a reason"),
        ({"who": "B02"}, NotAllowed, "Buyer may not raise hold"),
    ],
)
def test_a_hold_that_cannot_be_raised_is_not(raised, change, refusal, words):
    before = Hold.objects.count()
    with pytest.raises(refusal, match=words):
        raised(**{**EARLY, **change})
    assert Hold.objects.count() == before


def test_the_table_itself_wants_one_scope_and_no_second(raised):
    hold = raised()
    with pytest.raises(IntegrityError), transaction.atomic():
        Hold.objects.filter(pk=hold.pk).update(system=WaterSystem.objects.first())
    with pytest.raises(IntegrityError), transaction.atomic():
        Hold.objects.filter(pk=hold.pk).update(tray=None)


def test_the_day_of_its_lift_follows_from_its_looks(raised):
    hold = raised()
    # Three looks a week apart from 25 Nov.
    assert hold.lift_expected_on == date(2026, 11, 25) + timedelta(days=21)


def test_a_mistake_is_signed_on_the_page_by_a_lead(raised, at_desk):
    hold = raised()
    lead, address = at_desk("LD"), f"/holds/{hold.pk}/void/"
    assert f"Void {hold.code}: it never was" in page_words(lead.get("/holds/"))
    assert f"Void {hold.code}" not in page_words(at_desk("OF").get("/holds/"))
    assert at_desk("OF").post(address, {"reason": "wrong tray"}).status_code == 403
    assert lead.post(address, {"reason": " "}).status_code == 422
    words = page_words(lead.post(address, {"reason": "wrong tray"}, follow=True))
    hold.refresh_from_db()
    assert hold.state == "void" and "void, wrong tray" in words
    assert lead.post(address, {"reason": "again"}).status_code == 409
