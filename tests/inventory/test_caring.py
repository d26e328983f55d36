"""Dips, inspections and quarantine keep back what is not cared for, and nothing else."""

from datetime import date

import pytest
from tests_support import farm_time

from inventory import ledger
from inventory.caring import (
    CareInFuture,
    ScheduleUnreadable,
    care_due,
    note_care,
    release_lot,
    set_schedule,
)
from inventory.clock import farm_now, farm_today, move_clock
from inventory.errors import NotAllowed, Unknown
from inventory.holds import ReasonMissing
from inventory.ledger import StillInQuarantine
from inventory.models import Balance, CareRecord, Happening, Lot, Tray
from orders.listing import draft_list
from orders.weeks import open_week


def plum_trellis():
    """What the W49 list could promise of PLT now, with the words of its terms."""
    week = open_week(monday=date(2026, 11, 30), farm_zone="America/Chicago")
    line = next(
        row for row in draft_list(week=week, now=farm_now()) if row.listing.name == "PLT plug"
    )
    return line.total, {term.tray: term.why for term in line.terms if term.tray}


@pytest.fixture
def schedule(farm, person):
    def act(days, *, scope="PLT", kind="dip", reason="flatworms last year", who="LD"):
        set_schedule(
            kind=kind,
            scope_kind="strain" if scope else "farm",
            scope=scope,
            every_days=days,
            reason=reason,
            user=person(who),
            at=farm_now(),
        )

    return act


# ---- a schedule is the farm's choice


def test_without_a_schedule_nothing_is_due(farm):
    assert all(row.due_on is None for row in care_due(kind="dip", on=farm_today()))
    assert plum_trellis()[0] == 56


def test_an_overdue_dip_does_not_count_and_a_dip_brings_it_back(schedule, person):
    schedule(2)
    assert Lot.objects.get(code="PLT-260914-T21").dip_due_on == date(2026, 11, 27)
    assert plum_trellis()[0] == 56
    move_clock(to=farm_time("2026-11-28 09:00"))
    total, why = plum_trellis()
    assert (total, why["T2.1"], why["A5.5"]) == (0, "overdue", "overdue")

    note_care(
        lots=[Lot.objects.get(code="PLT-260914-T21")],
        kind="dip",
        done_at=farm_now(),
        user=person("G1"),
        now=farm_now(),
        what="freshwater, 3 min",
    )
    total, why = plum_trellis()
    # 32 of T2.1 less the gap of 4.
    assert (total, why["T2.1"], why["A5.5"]) == (28, "ready", "overdue")


def test_an_inspection_is_due_and_stops_nothing(schedule):
    schedule(1, kind="inspection")
    move_clock(to=farm_time("2026-11-28 09:00"))
    due = [row for row in care_due(kind="inspection", on=farm_today()) if row.due_on]
    assert due
    assert all(row.is_overdue(farm_today()) for row in due)
    assert plum_trellis()[0] == 56


def test_the_nearest_schedule_wins_and_0_ends_it(schedule):
    schedule(30, scope="")
    schedule(5)
    by_lot = {row.lot.code: row.every_days for row in care_due(kind="dip", on=farm_today())}
    assert (by_lot["PLT-260914-T21"], by_lot["HRT-260914-A24"]) == (5, 30)
    schedule(0)
    by_lot = {row.lot.code: row.due_on for row in care_due(kind="dip", on=farm_today())}
    assert by_lot["PLT-260914-T21"] is None
    assert Lot.objects.get(code="PLT-260914-T21").dip_due_on is None


def test_something_found_leaves_word_and_no_hold(farm, person):
    from inventory.models import Hold

    before = Hold.objects.count()
    note_care(
        lots=[Lot.objects.get(code="PLT-260914-T21")],
        kind="inspection",
        done_at=farm_now(),
        user=person("G1"),
        now=farm_now(),
        what="eggs under a plug",
        is_clean=False,
    )
    assert Happening.objects.get(kind="care.found").facts["what"] == "eggs under a plug"
    assert Hold.objects.count() == before


def test_the_same_dip_noted_twice_is_one(farm, person):
    lots = [Lot.objects.get(code="PLT-260914-T21")]
    for _ in range(2):
        note_care(lots=lots, kind="dip", done_at=farm_now(), user=person("G1"), now=farm_now())
    assert CareRecord.objects.count() == 1


def test_what_cannot_be_noted(schedule, person):
    with pytest.raises(ScheduleUnreadable):
        schedule(1000)
    with pytest.raises(ReasonMissing):
        schedule(5, reason="")
    with pytest.raises(Unknown):
        schedule(5, kind="bath")
    with pytest.raises(NotAllowed):
        schedule(5, who="G1")
    with pytest.raises(CareInFuture):
        note_care(
            lots=[],
            kind="dip",
            done_at=farm_time("2027-01-01 09:00"),
            user=person("G1"),
            now=farm_now(),
        )


# ---- quarantine


@pytest.fixture
def arrival(farm):
    """A lot of PLT in quarantine tray K1.1, ready by its looks."""
    lot = Lot.objects.get(code="PLT-260914-T21")
    new = Lot.objects.create(
        code="PLT-IN-1",
        strain_form=lot.strain_form,
        state="ready",
        cut_on=date(2026, 9, 14),
        origin="imported",
    )
    like = Tray.objects.get(code="T2.1")
    trough = Tray.objects.model.trough.field.related_model.objects.get(code="K1")
    for place, slot in (("K1.1", 1), ("K1.2", 2)):
        Tray.objects.create(
            code=place, trough=trough, slot=slot, form=like.form, positions=72, use="sale"
        )
    Tray.objects.create(
        code="T2.40", trough=like.trough, slot=40, form=like.form, positions=72, use="sale"
    )
    move(new, ledger.end_place("found"), "K1.1", 20, "opening")
    return new


def move(lot, source, tray, pieces, reason="shift"):
    if isinstance(source, str):
        source = ledger.tray_place(Tray.objects.get(code=source))
    return ledger.move_pieces(
        lot=lot,
        from_place=source,
        to_place=ledger.tray_place(Tray.objects.get(code=tray)),
        pieces=pieces,
        reason=reason,
        at=farm_now(),
    )


def test_nothing_is_sold_from_quarantine_and_a_person_releases_it(arrival, person):
    total, why = plum_trellis()
    assert (total, why["K1.1"]) == (56, "quarantine")
    with pytest.raises(StillInQuarantine, match="Lot PLT-IN-1 stands in quarantine system K"):
        move(arrival, "K1.1", "T2.40", 20)
    # Within quarantine it may be moved.
    move(arrival, "K1.1", "K1.2", 5)
    assert Balance.objects.get(tray__code="K1.1").pieces == 15

    with pytest.raises(NotAllowed):
        release_lot(lot_code="PLT-IN-1", reason="clean", user=person("G1"), at=farm_now())
    with pytest.raises(ReasonMissing):
        release_lot(lot_code="PLT-IN-1", reason="", user=person("LD"), at=farm_now())
    release_lot(lot_code="PLT-IN-1", reason="six clean weeks", user=person("LD"), at=farm_now())
    assert plum_trellis()[0] == 56
    move(arrival, "K1.1", "T2.40", 15)
    assert plum_trellis()[0] > 56


def test_only_what_stands_there_is_released(farm, person):
    with pytest.raises(Unknown, match="no lot in quarantine PLT-260914-T21"):
        release_lot(lot_code="PLT-260914-T21", reason="x", user=person("LD"), at=farm_now())


# ---- the page


def test_the_lead_sets_a_schedule_and_a_grower_notes_a_dip(farm, person, client):
    client.force_login(person("LD"))
    assert "Nothing is due" in client.get("/care/").content.decode()
    client.post(
        "/care/",
        {"act": "schedule", "kind": "dip", "scope": "PLT", "every_days": "7", "reason": "worms"},
    )
    page = client.get("/care/").content.decode()
    assert page.count("Plum Trellis") >= 3
    client.force_login(person("G1"))
    client.post("/care/", {"act": "note", "kind": "dip", "place": "t2", "what": "3 min"})
    assert CareRecord.objects.filter(lot__code="PLT-260914-T21").count() == 1
    wrong = client.post("/care/", {"act": "note", "kind": "dip", "place": "Z9"})
    assert wrong.status_code == 404
    assert "no tray, trough, system or lot with pieces Z9" in wrong.content.decode()
    assert client.post("/care/", {"act": "dance"}).status_code == 404
