"""A shop reports what arrived from its phone: a slip costs a sentence and keeps what was typed."""

import io

import pytest
from PIL import Image
from tests_support import log_in

from shipping.models import ArrivalReport, Shipment

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def photo(shade):
    out = io.BytesIO()
    Image.new("RGB", (60, 40), (shade, 90, 40)).save(out, "PNG")
    return out.getvalue()


def test_a_picture_that_is_none_and_a_bad_number_keep_what_was_typed(
    committed_farm, browser, live_server
):
    committed_farm("arrived")
    before = ArrivalReport.objects.count()
    order = (
        Shipment.objects.filter(state="delivered", reports=None, order__isnull=False).first().order
    )
    line = order.lines.filter(promise__state="gone").select_related("listing").first()
    name = line.listing.name
    buyer = log_in(browser, live_server, order.customer.seats.first().user.email)
    buyer.set_viewport_size({"width": 390, "height": 844})
    buyer.goto(f"/orders/{order.number}/arrival/")

    def file(dead, picture):
        buyer.get_by_label(f"dead, {name}").fill(dead)
        buyer.get_by_label("Anything else").fill("the van came late")
        buyer.get_by_label(f"photos of dead {name}").set_input_files(
            {"name": "bag.jpg", "mimeType": "image/jpeg", "buffer": picture}
        )
        buyer.get_by_label("Photo of the box label").set_input_files(
            {"name": "label.png", "mimeType": "image/png", "buffer": photo(200)}
        )
        buyer.get_by_role("button", name="File the report").click()
        buyer.wait_for_load_state()

    for dead, picture, words in (
        ("1", b"no picture at all", "bag.jpg is no picture that can be read"),
        ("one", photo(10), "dead: 'one' is not a whole number"),
        ("900", photo(10), name),
    ):
        file(dead, picture)
        said = buyer.locator("[role=alert]").inner_text()
        assert words in said and "What you typed is kept below" in said
        assert buyer.get_by_label(f"dead, {name}").input_value() == dead
        assert buyer.get_by_label("Anything else").input_value() == "the van came late"
        assert ArrivalReport.objects.count() == before
    wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert buyer.evaluate(wide) <= 0
    file("1", photo(10))
    assert ArrivalReport.objects.get(shipment__order=order).text == "the van came late"
