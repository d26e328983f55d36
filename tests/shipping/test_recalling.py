"""A recall finds what a place has sent out, tells the shops concerned, and nobody else."""

import json
from datetime import timedelta

import pytest
from tests_support import farm_time

from inventory import ledger
from inventory.clock import farm_now
from inventory.errors import ForbiddenMove, NotAllowed, Unknown
from inventory.holds import ReasonMissing
from inventory.models import Balance, Happening, Hold, Lot, Tray
from orders.models import FeedEvent
from shipping.models import Bag, Recall, Shipment
from shipping.recalling import (
    DaysBackUnreadable,
    NothingToNotify,
    answer_notice,
    ask_recall,
    drop_recall,
    left_alone_pieces,
    read_result,
    sign_recall,
    trace,
)


@pytest.fixture
def recall_hd_1(farm, person):
    """The recall that story A8 asks for: HD-1, 21 days back."""
    return ask_recall(now=farm_now(), user=person("OF"), hold=Hold.objects.get(code="HD-1"))


# ---- A8: job.md 7.11


def test_the_recall_of_hd_1_lists_four_shipments_and_39_pieces(recall_hd_1):
    pieces = {}
    for bag in read_result(recall_hd_1):
        pieces[bag.shipment] = pieces.get(bag.shipment, 0) + bag.pieces
    assert pieces == {"SH-4601": 12, "SH-4702": 10, "SH-4703": 11, "SH-4704": 6}
    assert (recall_hd_1.pieces, recall_hd_1.from_on.isoformat()) == (39, "2026-10-30")
    assert {row.customer.code for row in recall_hd_1.notices.all()} == {"C02", "C04", "C06", "C08"}
    assert left_alone_pieces(bags=read_result(recall_hd_1)) == 14
    assert recall_hd_1.traced_s < 5


def test_it_is_one_statement(farm, django_assert_num_queries):
    # The second one looks up the place that was asked for.
    with django_assert_num_queries(2):
        trace(scope_kind="system", scope="P", from_on=farm_time("2026-10-30 00:00").date())


def test_a_longer_look_back_finds_the_older_shipment(farm, person):
    recall = ask_recall(
        now=farm_now(), user=person("OF"), hold=Hold.objects.get(code="HD-1"), look_back_days=24
    )
    assert recall.pieces == 39 + 8
    assert "SH-4405" in {bag.shipment for bag in read_result(recall)}


@pytest.mark.parametrize(
    ("kind", "scope", "pieces"),
    [("tray", "P2.3", 5), ("trough", "P5", 18), ("lot", "FLH-260831-P32", 6), ("system", "K", 0)],
)
def test_a_smaller_place_recalls_less(farm, person, kind, scope, pieces):
    recall = ask_recall(
        now=farm_now(), user=person("OF"), scope_kind=kind, scope=scope, reason="white film"
    )
    assert recall.pieces == pieces


def test_a_lot_that_moved_out_of_the_place_is_followed(farm, person):
    lot = Lot.objects.get(code="PLT-260914-P23")
    there, here = Tray.objects.get(code="P2.3"), Tray.objects.get(code="T2.3")
    Balance.objects.filter(tray=here).delete()
    ledger.move_pieces(
        lot=lot,
        from_place=ledger.tray_place(there),
        to_place=ledger.tray_place(here),
        pieces=6,
        reason="shift",
        at=farm_time("2026-11-19 10:00"),
    )
    shipment = Shipment.objects.get(code="SH-4801")
    old = Bag.objects.filter(shipment=shipment).first()
    Bag.objects.create(
        code="SH-4801-moved",
        shipment=shipment,
        listing=Bag.objects.get(code="SH-4703-P2.3").listing,
        lot=lot,
        tray=here,
        system=here.trough.system,
        kind=old.kind,
        pieces=2,
        box=old.box,
        state=Bag.State.GONE,
        tied_at=farm_time("2026-11-24 09:00"),
    )
    bags = trace(scope_kind="system", scope="P", from_on=farm_time("2026-10-30 00:00").date())
    moved = [bag for bag in bags if bag.is_moved]

    assert [(bag.bag, bag.tray, bag.pieces) for bag in moved] == [("SH-4801-moved", "T2.3", 2)]
    # A bag tied before the move did not hold pieces that had stood there.
    Bag.objects.filter(code="SH-4801-moved").update(tied_at=farm_time("2026-11-19 09:00"))
    bags = trace(scope_kind="system", scope="P", from_on=farm_time("2026-10-30 00:00").date())
    assert not [bag for bag in bags if bag.is_moved]


def test_what_still_lies_on_the_bench_is_shown_and_not_notified(farm, person):
    bag = Bag.objects.get(code="SH-4703-P2.3")
    Shipment.objects.filter(pk=bag.shipment_id).update(handed_over_at=None)
    Bag.objects.filter(shipment_id=bag.shipment_id).update(state=Bag.State.TIED)
    recall = ask_recall(now=farm_now(), user=person("OF"), hold=Hold.objects.get(code="HD-1"))

    here = [row for row in read_result(recall) if row.is_here]
    assert sum(row.pieces for row in here) == 11
    assert recall.pieces == 28
    assert "C02" not in {row.customer.code for row in recall.notices.all()}


# ---- what a shop is told


def test_a_notice_names_its_pieces_and_nobody_elses(recall_hd_1):
    notice = recall_hd_1.notices.get(customer__code="C02")
    assert "SH-4703, sent Tue 17 Nov, box 1" in notice.text
    assert "6 Apothecary (Zoanthus sp.)" in notice.text
    assert "5 Plum Trellis (Stylophora pistillata)" in notice.text
    assert "suspected, not confirmed" in notice.text
    assert "gloves and goggles" in notice.text
    for other in ("SH-4601", "SH-4702", "SH-4704", "Penny Row"):
        assert other not in notice.text
    # No zoanthid in it, no zoanthid caution.
    assert "palytoxin" not in recall_hd_1.notices.get(customer__code="C08").text


def test_signing_tells_each_shop_once(recall_hd_1, person):
    assert not Happening.objects.filter(kind__startswith="recall").exists()
    sign_recall(recall=recall_hd_1, user=person("OW"), now=farm_now())
    told = Happening.objects.filter(kind="recall.notice")
    assert {row.facts["customer"]: row.facts["pieces"] for row in told} == {
        "C02": 11,
        "C04": 12,
        "C06": 6,
        "C08": 10,
    }
    with pytest.raises(ForbiddenMove):
        sign_recall(recall=recall_hd_1, user=person("OW"), now=farm_now())
    assert told.count() == 4


def test_only_the_shops_own_system_hears_of_it(recall_hd_1, person):
    from config.ticking import tick
    from orders.feeding import make_client
    from orders.models import Customer

    make_client(code="FC-2", customer=Customer.objects.get(code="C04"))
    sign_recall(recall=recall_hd_1, user=person("OF"), now=farm_now())
    tick(farm_now())
    events = FeedEvent.objects.filter(kind="recall.notice")
    assert [row.client.code for row in events] == ["FC-2"]
    body = json.loads(events[0].body)
    assert (body["pieces"], body["shipments"]) == (12, ["SH-4601"])


def test_a_drill_is_timed_and_tells_nobody(farm, person):
    recall = ask_recall(
        now=farm_now(), user=person("OF"), hold=Hold.objects.get(code="HD-1"), is_drill=True
    )
    recall = sign_recall(recall=recall, user=person("OF"), now=farm_now())
    assert recall.took_s is not None
    assert timedelta(0) <= timedelta(seconds=recall.took_s) < timedelta(minutes=1)
    assert not Happening.objects.filter(kind__startswith="recall").exists()


def test_a_shop_answers_and_may_change_its_mind(recall_hd_1, person):
    notice = recall_hd_1.notices.get(customer__code="C02")
    for answer in ("watch", "credit"):
        notice = answer_notice(
            notice=notice, answer=answer, note="", user=person("B02"), now=farm_now()
        )
    assert notice.answer == "credit"
    with pytest.raises(Unknown):
        answer_notice(notice=notice, answer="maybe", note="", user=person("B02"), now=farm_now())


# ---- refusals


def test_what_cannot_be_asked(farm, person):
    asked = {"now": farm_now(), "user": person("OF")}
    place = {"scope_kind": "system", "scope": "P"}
    with pytest.raises(ReasonMissing):
        ask_recall(**asked, **place)
    with pytest.raises(Unknown, match="no water system Z"):
        ask_recall(**asked, scope_kind="system", scope="Z", reason="film")
    with pytest.raises(Unknown, match="no kind of place pond"):
        ask_recall(**asked, scope_kind="pond", scope="P", reason="film")
    with pytest.raises(DaysBackUnreadable):
        ask_recall(**asked, **place, reason="film", look_back_days=-1)
    with pytest.raises(NotAllowed):
        ask_recall(now=farm_now(), user=person("G1"), **place, reason="film")
    assert not Recall.objects.exists()


def test_an_empty_recall_is_dropped_not_signed(farm, person):
    recall = ask_recall(
        now=farm_now(), user=person("OF"), scope_kind="system", scope="K", reason="film"
    )
    with pytest.raises(NothingToNotify):
        sign_recall(recall=recall, user=person("OF"), now=farm_now())
    assert drop_recall(recall=recall, user=person("OF"), now=farm_now()).state == "dropped"


# ---- pages


def test_the_office_asks_looks_and_signs(farm, person, client):
    client.force_login(person("OF"))
    answer = client.post("/recalls/", {"hold": "HD-1", "days": ""}, follow=True)
    page = answer.content.decode()
    assert "39 pieces in 4 shipments to 4 shops. 14 pieces in the same shipments" in page
    recall = Recall.objects.get()
    client.post(f"/recalls/{recall.code}/sign/")
    assert client.get("/recalls/").content.decode().count(recall.code) >= 1

    notice = recall.notices.get(customer__code="C02")
    client.force_login(person("B02"))
    assert "Plum Trellis" in client.get(f"/notices/{notice.pk}/").content.decode()
    client.post(f"/notices/{notice.pk}/", {"answer": "credit", "note": "none seen"})
    notice.refresh_from_db()
    assert (notice.answer, notice.answered_by.code) == ("credit", "B02")


def test_another_shops_notice_does_not_exist(recall_hd_1, person, client):
    notice = recall_hd_1.notices.get(customer__code="C04")
    client.force_login(person("B02"))
    assert client.get(f"/notices/{notice.pk}/").status_code == 404
    own = recall_hd_1.notices.get(customer__code="C02")
    # Drafted is not told.
    assert client.get(f"/notices/{own.pk}/").status_code == 404
    assert client.get("/recalls/").status_code == 403


@pytest.mark.parametrize("days", ["three", "-3", "2.5", "9999"])
def test_days_back_typed_wrong_say_so(farm, person, client, days):
    client.force_login(person("OF"))
    answer = client.post("/recalls/", {"hold": "HD-1", "days": days})
    assert answer.status_code == 422
    assert "days back" in answer.content.decode()
