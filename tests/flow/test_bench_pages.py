"""The bench, the forecast by hand and the deciding of a report, over HTTP."""

import json
from datetime import timedelta

import pytest
from tests_support import farm_time, page_words

from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.holds import raise_hold
from inventory.ledger import verify_ledger
from inventory.models import Balance, User
from orders.amending import take_line_back
from orders.models import Order, Promise
from shipping.arrivals import Arrived, file_report
from shipping.keying import key_in
from shipping.models import ArrivalReport, Box, PackPlan, PickSheet, PickTask, Shipment


@pytest.fixture
def picked_farm(drawn_farm, person):
    """Tuesday's sheets are keyed in as printed."""
    move_clock(to=farm_time("2026-12-01 09:45"))
    for sheet in PickSheet.objects.filter(ship_on="2026-12-01"):
        key_in(stamp=sheet.stamp, rows=[], user=person("PK1"), now=farm_now())


def test_an_order_goes_over_the_bench_by_its_page(picked_farm, at_desk):
    packer, address = at_desk("PK2"), "/orders/4902/bench/"
    bare = packer.post(address, {"act": "tie"})
    assert bare.status_code == 422 and "loves" in bare.content.decode()

    packer.post(address, {"act": "tie", "gloves": "on", "goggles": "on"})
    packer.post(address, {"act": "fill"})
    box = Box.objects.get(shipment__order__number="4902")
    scan = {"act": "scan", "box": box.pk}
    ours = packer.post(address, scan | {"bag": "017"}, follow=True)
    assert f"Bag 4902-017 goes into box {box.number}." in page_words(ours)
    assert packer.post(address, scan | {"bag": "4901-001"}).status_code == 404
    seal = {"act": "seal", "box": box.pk, "gross_kg": "19.7", "lid_photo": "on", "seal": "S-1"}
    no_holes = packer.post(address, seal)
    unread = packer.post(address, seal | {"holes": "on", "gross_kg": "heavy"})
    assert no_holes.status_code == 422 and "almost no heat" in no_holes.content.decode()
    assert unread.status_code == 422 and "is not a number" in unread.content.decode()
    packer.post(address, seal | {"holes": "on"})
    move_clock(to=farm_time("2026-12-01 16:15"))
    packer.post(address, {"act": "hand-over", "tracking": "SW4902"})
    shipment = Shipment.objects.get(order__number="4902")

    assert (shipment.state, shipment.tracking) == ("handed over", "SW4902")
    assert Order.objects.get(number="4902").state == "on the road"
    page = packer.get(address).content.decode()
    assert "047 to 049" in page and "Note it as delivered" in page


def test_picked_pieces_go_back_to_their_trays_by_the_page(picked_farm, at_desk):
    packer, address = at_desk("PK2"), "/orders/4902/bench/"
    promise = Promise.objects.filter(line__order__number="4902", state="pulled").earliest("pk")
    tray = PickTask.objects.filter(promise=promise, picked_pieces__gt=0).first().tray
    before = Balance.objects.get(tray=tray).pieces
    assert "Put them back" in packer.get(address).content.decode()
    for sent, status in (
        ({"promise": promise.pk, "reason": " "}, 422),
        ({"promise": "", "reason": "the shop does not want them"}, 404),
        ({"promise": Promise.objects.exclude(line__order__number="4902").first().pk,
          "reason": "not of this order"}, 404),
    ):  # fmt: skip
        assert packer.post(address, {"act": "put-back", **sent}).status_code == status
    assert Balance.objects.get(tray=tray).pieces == before

    sent = {"act": "put-back", "promise": promise.pk, "reason": "the shop does not want them"}
    page = packer.post(address, sent, follow=True).content.decode()
    assert "are back in their trays" in page
    promise.refresh_from_db()
    assert (promise.state, promise.reason) == ("freed", "the shop does not want them")
    back = sum(
        PickTask.objects.filter(promise=promise, tray=tray).values_list("picked_pieces", flat=True)
    )
    assert back and Balance.objects.get(tray=tray).pieces == before + back
    assert verify_ledger() == []
    # What is put back once is not put back twice, and what is in bags is not put back here.
    assert packer.post(address, sent).status_code == 409
    packer.post(address, {"act": "tie", "gloves": "on", "goggles": "on"})
    bagged = Promise.objects.filter(line__order__number="4902", state="bagged").earliest("pk")
    assert packer.post(address, sent | {"promise": bagged.pk}).status_code == 409
    assert "Put them back" not in packer.get(address).content.decode()
    # The office takes the line off afterwards, as it was told to.
    take_line_back(
        line=promise.line, now=farm_now(), user=User.objects.get(code="OF"), reason="by phone"
    )
    assert promise.line.state == "withdrawn"


def test_a_grower_reads_the_bench_and_may_not_pack(picked_farm, at_desk):
    grower = at_desk("G1")

    assert grower.get("/orders/4902/bench/").status_code == 200
    assert grower.post("/orders/4902/bench/", {"act": "fill"}).status_code == 403
    assert at_desk("B02").get("/orders/4902/bench/").status_code == 403


def test_a_forecast_by_hand_plans_the_boxes_again(drawn_farm, at_desk):
    move_clock(to=farm_now() + timedelta(hours=8))
    tick(farm_now())
    form = {"evening": "18", "hub": "-8", "morning": "10", "midday": "15"}
    wrong = at_desk("OF").post("/orders/4901/forecast/", form | {"hub": "cold"})
    at_desk("OF").post("/orders/4901/forecast/", form)
    plan = PackPlan.objects.get(order__number="4901", void_at__isnull=True)

    assert wrong.status_code == 422
    assert (plan.forecast.source, plan.stage, plan.verdict) == ("by hand", "by hand", "clear")
    assert json.loads(plan.record)["boxes"]
    assert at_desk("G1").post("/orders/4901/forecast/", form).status_code == 403


def test_the_office_decides_a_report_that_needs_a_person(arrived_farm, at_desk, person):
    order = Order.objects.get(number="4903")
    report = file_report(
        order=order, rows=[Arrived("TNT plug", missing=1)], photos=[],
        filed_at=farm_now(), user=person("B03"),
    )  # fmt: skip
    assert report.state == "filed"
    office = at_desk("OF")
    assert "Agree to the report" in office.get("/orders/4903/arrival/").content.decode()
    office.post(
        f"/reports/{report.pk}/decide/", {"verdict": "agreed", "reason": "the tray was one short"}
    )

    assert ArrivalReport.objects.get(pk=report.pk).state == "agreed"


def pack(packer, address):
    packer.post(address, {"act": "tie", "gloves": "on", "goggles": "on"})
    packer.post(address, {"act": "fill"})
    box = Box.objects.get(shipment__order__number="4902")
    ticks = {"lid_photo": "on", "holes": "on"}
    packer.post(address, {"act": "seal", "box": box.pk, "gross_kg": "19.7", **ticks})
    return box


def test_bags_under_a_hold_are_opened_by_the_page_and_the_rest_leaves(picked_farm, at_desk, person):
    packer, address = at_desk("PK2"), "/orders/4902/bench/"
    box = pack(packer, address)
    raise_hold(
        scope_kind="tray", scope="T3.11", reason="eggs", grade="suspected",
        user=person("G1"), at=farm_now(),
    )  # fmt: skip
    tick(farm_now())
    assert "3 bags may not go" in page_words(packer.get(address))
    assert "3 bags on hold at the bench" in page_words(at_desk("OF").get("/"))
    assert "3 bags on hold at the bench" in page_words(
        at_desk("OF").get("/weeks/2026-W49/packing/")
    )

    sealed = packer.post(address, {"act": "open-held", "gloves": "on", "goggles": "on"})
    assert sealed.status_code == 409 and "its seal is then void" in sealed.content.decode()
    packer.post(address, {"act": "open-box", "box": box.pk})
    bare = packer.post(address, {"act": "open-held"})
    assert bare.status_code == 422 and "gloves_and_goggles" in bare.content.decode()
    ticks = {"act": "open-held", "gloves": "on", "goggles": "on"}
    unread = packer.post(address, ticks | {"dead:4902-027": "one"})
    assert unread.status_code == 422 and "0 for none" in page_words(unread)
    done = packer.post(address, ticks | {"dead:4902-027": "1"}, follow=True)
    words = page_words(done)
    assert "3 bags are opened" in words and "3 short" in words and "46 bags" in words
    assert "may not go" not in words
    assert at_desk("G1").post(address, ticks).status_code == 403


def test_one_bag_that_leaks_or_holds_a_dead_piece(picked_farm, at_desk):
    packer, address = at_desk("PK2"), "/orders/4902/bench/"
    packer.post(address, {"act": "tie", "gloves": "on", "goggles": "on"})
    again = packer.post(address, {"act": "bag", "bag": "007", "what": "tie again"}, follow=True)
    assert "Bag 4902-007 is tied again" in page_words(again)
    dead = packer.post(
        address, {"act": "bag", "bag": "4902-008", "what": "dead", "dead": "1"}, follow=True
    )
    assert "Bag 4902-008 is opened" in page_words(dead) and "1 short" in page_words(dead)
    for typed, status in (
        ({"bag": "999", "what": "dead"}, 404),
        ({"bag": "007", "what": ""}, 404),
        ({"bag": "007", "what": "dead", "dead": "2"}, 422),
        ({"bag": "008", "what": "tie again"}, 409),
    ):
        assert packer.post(address, {"act": "bag"} | typed).status_code == status, typed
    boxes = packer.post(address, {"act": "open-box", "box": "x"})
    assert boxes.status_code == 404
