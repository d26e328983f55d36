"""Hop 12: who decides a report and its credit, and what cannot be undone."""

from decimal import Decimal

import pytest

from inventory.errors import ForbiddenMove, NotAllowed
from shipping.arrivals import (
    PhotosMissing,
    decide_report,
)
from shipping.crediting import CreditTooLarge, apply_credit, approve_credit, void_credit
from shipping.models import ArrivalReport, Credit
from tests.shipping.bench import THREE_DEAD, deliver, report_dead
from tests.shipping.scene_rows import eastern_time

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("farm_home")]
TOO_LATE = eastern_time(2, "14:13")


# The moves of a report and of its credit.


def test_the_office_approves_to_150_and_the_owner_any(scene):
    order = deliver(scene, scene.add_order("4914", (("PLT plug", 30, "60.00"),)))
    report = report_dead(scene, order, {"PLT plug": 3})
    facts = {"verdict": "agreed", "now": TOO_LATE, "reason": "seen on the photos"}
    decide_report(report=report, user=scene.people["office"], **facts)
    credit = Credit.objects.get()
    assert (ArrivalReport.objects.get().state, credit.state) == ("agreed", "drafted")
    with pytest.raises(NotAllowed):
        approve_credit(credit=credit, user=scene.people["office"], now=TOO_LATE)
    credit = approve_credit(credit=credit, user=scene.people["owner"], now=TOO_LATE)
    assert (credit.state, credit.amount) == ("approved", Decimal("180.00"))


def test_nobody_else_approves(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD, at=TOO_LATE)
    for role in ("grower", "lead", "packer", "buyer"):
        with pytest.raises(NotAllowed):
            approve_credit(credit=report.credit, user=scene.people[role], now=TOO_LATE)


def test_a_credit_is_not_approved_before_its_report_is_decided(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD, at=TOO_LATE)
    with pytest.raises(ForbiddenMove, match="not decided"):
        approve_credit(credit=report.credit, user=scene.people["owner"], now=TOO_LATE)


def test_part_of_a_report_is_agreed(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD, at=TOO_LATE)
    facts = {"report": report, "verdict": "part agreed", "user": scene.people["office"]}
    facts |= {"now": TOO_LATE, "reason": "one PLT is alive on the photo"}
    with pytest.raises(CreditTooLarge):
        decide_report(amount=Decimal("44.17"), **facts)
    decide_report(amount=Decimal("31.28"), **facts)
    credit = Credit.objects.get()
    assert (credit.amount, credit.state) == (Decimal("31.28"), "approved")
    assert "one PLT is alive" in credit.sentence


def test_dead_pieces_nobody_saw_are_agreed_by_the_owner_alone(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD, photos=[])
    facts = {"report": report, "verdict": "agreed", "now": TOO_LATE, "reason": "long-standing shop"}
    with pytest.raises(PhotosMissing):
        decide_report(user=scene.people["office"], **facts)
    decide_report(user=scene.people["owner"], **facts)
    assert Credit.objects.get().state == "approved"


def test_a_decided_report_is_not_decided_again(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD)
    with pytest.raises(ForbiddenMove):
        decide_report(
            report=report,
            verdict="declined",
            user=scene.people["owner"],
            now=TOO_LATE,
            reason="changed my mind",
        )


def test_an_applied_credit_is_not_void(scene, delivered):
    report = report_dead(scene, delivered, THREE_DEAD)
    office = scene.people["office"]
    with pytest.raises(ForbiddenMove):
        void_credit(credit=report.credit, user=office)
    credit = apply_credit(credit=report.credit, user=office, now=TOO_LATE)
    assert credit.state == "applied"
    assert ArrivalReport.objects.get().state == "closed"
    with pytest.raises(ForbiddenMove, match="counter-entry"):
        void_credit(credit=credit, user=office)
