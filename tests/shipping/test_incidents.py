"""Somebody is hurt at a bench: it stands still, says what to do, and goes on by a lead's word."""

from decimal import Decimal

import pytest
from tests_support import farm_time, page_words

from inventory.clock import move_clock
from inventory.colour_words import say_colour
from inventory.errors import ForbiddenMove, NotAllowed, ReasonMissing, Unknown
from inventory.models import Happening, Strain
from orders.models import Order, Promise
from shipping.incidents import FIRST_STEPS, IncidentOpen, end_incident, note_incident
from shipping.models import Incident, Shipment
from shipping.sealing import put_in_boxes, seal_box
from tests.shipping.packed_farm import AT, box, key_all, leave, order_of, tie, unseal

BENCH = "/orders/4902/bench/"


@pytest.fixture
def picked(drawn_farm, person):
    key_all(person)
    move_clock(to=AT)


def note(person, number="4902", **facts):
    facts = {"kind": "toxin", "words": "a splash in the eye", "user": person("PK1")} | facts
    shipment, _ = Shipment.objects.get_or_create(
        order=order_of(number),
        defaults={
            "code": f"SH-{number}",
            "customer": order_of(number).customer,
            "ship_to": order_of(number).ship_to,
            "ship_on": order_of(number).ship_on,
        },
    )
    return note_incident(shipment=shipment, now=AT, **facts)


def test_nothing_is_tied_filled_sealed_or_handed_over_until_it_is_ended(picked, person):
    first = note(person)
    with pytest.raises(IncidentOpen, match=f"4902 has an open incident .{first}.*be tied"):
        tie(person, "4902")
    end_incident(incident=first, words="rinsed, seen by a doctor", user=person("LD"), now=AT)
    tie(person, "4902")
    second = note(person, kind="cut")
    shipment = Shipment.objects.get(order__number="4902")
    with pytest.raises(IncidentOpen, match="put in boxes"):
        put_in_boxes(shipment=shipment, user=person("PK1"))
    end_incident(incident=second, words="bandaged", user=person("OW"), now=AT)
    box(person, "4902")
    unseal(person, "4902")
    third = note(person, kind="heat")
    with pytest.raises(IncidentOpen, match="sealed"):
        seal_box(
            box=shipment.boxes.first(), gross_kg=Decimal("9.5"), has_holes=True,
            has_lid_photo=True, user=person("PK1"), now=AT,
        )  # fmt: skip
    end_incident(incident=third, words="cooled", user=person("LD"), now=AT)

    kinds = Happening.objects.filter(kind__startswith="incident.").values_list("kind", flat=True)
    assert list(kinds) == ["incident.noted", "incident.ended"] * 3


def test_a_packed_order_does_not_leave_and_another_bench_goes_on(picked, person):
    tie(person, "4902")
    box(person, "4902")
    incident = note(person, kind="chemical")
    with pytest.raises(IncidentOpen, match="handed over"):
        leave(person, "4902")
    tie(person, "4903")
    box(person, "4903")
    assert order_of("4903").state == Order.State.PACKED
    end_incident(incident=incident, words="aired", user=person("LD"), now=AT)
    assert leave(person, "4902").state == Shipment.State.HANDED_OVER
    with pytest.raises(ForbiddenMove, match="has left this bench"):
        note(person)


def test_who_may_and_what_it_needs(picked, person):
    for facts, error in (
        ({"kind": "storm"}, Unknown),
        ({"kind": ""}, Unknown),
        ({"words": "  "}, ReasonMissing),
        ({"user": person("B02")}, NotAllowed),
    ):
        with pytest.raises(error):
            note(person, **facts)
    assert not Incident.objects.exists()
    incident = note(person, words="x" * 400)
    assert len(incident.words) == 300
    for user, words, error in (
        ("PK1", "done", NotAllowed), ("OF", "done", NotAllowed), ("LD", " ", ReasonMissing),
    ):  # fmt: skip
        with pytest.raises(error):
            end_incident(incident=incident, words=words, user=person(user), now=AT)
    end_incident(incident=incident, words="done", user=person("LD"), now=AT)
    with pytest.raises(ForbiddenMove):
        end_incident(incident=incident, words="again", user=person("LD"), now=AT)


def test_every_kind_says_what_to_do_first():
    assert set(FIRST_STEPS) == set(Incident.Kind.values)
    assert "possible palytoxin" in " ".join(FIRST_STEPS["toxin"])
    assert "possible palytoxin" in " ".join(FIRST_STEPS["cut"])


def test_the_bench_shows_the_steps_the_first_page_the_stop_and_a_lead_ends_it(
    picked, person, at_desk
):
    packer = at_desk("PK1")
    assert "Somebody is hurt, or might be" in page_words(packer.get(BENCH))
    said = {"act": "incident", "kind": "toxin", "words": "splash, left eye"}
    words = page_words(packer.post(BENCH, said, follow=True))
    assert "this bench stands still" in words and "local emergency number" in words
    assert "household bleach 1 to 9 parts water" in words and "End IN-" not in words
    incident = Incident.objects.get()
    refused = packer.post(BENCH, {"act": "tie", "gloves": "on", "goggles": "on"})
    assert refused.status_code == 409 and "incident_open" in page_words(refused)
    first_page = page_words(at_desk("OF").get("/"))
    assert "bench of 4902" in first_page and "splash, left eye" in first_page
    lead = at_desk("LD")
    assert f"End {incident}: the bench goes on" in page_words(lead.get(BENCH))
    end = {"act": "end-incident", "incident": incident.pk, "done": "rinsed, seen by a doctor"}
    words = page_words(lead.post(BENCH, end, follow=True))
    assert "Incidents that are ended" in words and "rinsed, seen by a doctor" in words
    assert "bench of 4902" not in page_words(at_desk("OF").get("/"))
    unknown = lead.post(BENCH, end | {"incident": "999999"})
    assert unknown.status_code == 404


def test_the_hour_for_the_lids_is_the_trucks_less_half_an_hour(picked, at_desk):
    packer = at_desk("PK1")
    assert "Lids on by <b>Tue 1 Dec, 15:30</b>, the truck is here at 16:00." in page_words(
        packer.get(BENCH)
    )
    move_clock(to=farm_time("2026-12-01 15:31"))
    assert "Late: the lids were to be on by" in page_words(packer.get(BENCH))


def test_what_went_pale_on_the_bench_is_looked_at_again(picked, person, at_desk):
    promise = Promise.objects.get(line__order__number="4902", line__listing__name="PLT plug")
    # None of that day's strains changes with the season; now one does, as Fen Kiln does.
    fen_kiln = Strain.objects.get(key="KLN")
    Strain.objects.filter(key="PLT").update(colour=fen_kiln.colour)
    address = f"/orders/{promise.line.order.number}/bench/"
    packer = at_desk("PK1")
    assert "look again" not in page_words(packer.get(address))
    say_colour(
        strain_key=promise.strain_form.strain.key,
        is_rest=True,
        reason="pale at noon",
        user=person("LD"),
        at=AT,
    )
    words = page_words(packer.get(address))
    assert f"{promise.line.listing.title} rests since it was picked" in words


def test_an_order_of_which_nothing_is_left_says_so(picked, at_desk):
    promises = Promise.objects.filter(line__order__number="4902")
    promises.update(state="freed", pieces_out=0)
    assert "nothing of this order leaves" in page_words(at_desk("PK1").get(BENCH))
