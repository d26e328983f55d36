"""The pages over HTTP: everybody's own, nobody else's, and forms that name what to mend."""

import pytest
from django.test import Client
from tests_support import farm_time, page_words

from inventory.clock import farm_now, move_clock
from inventory.models import Hold
from orders.models import Line, ListVersion, Order, Promise
from orders.weeks import week_named
from shipping.models import ArrivalReport, PackPlan, PickSheet

STAFF_PAGES = [
    "/",
    "/weeks/2026-W49/list/",
    "/weeks/2026-W49/list/?version=1",
    "/weeks/2026-W49/numbers/",
    "/weeks/2026-W49/sharing/",
    "/weeks/2026-W49/sheets/",
    "/weeks/2026-W49/packing/",
    "/orders/",
    "/orders/4902/",
    "/orders/4913/",
    "/orders/4902/plan/",
    "/holds/",
]
BUYER_PAGES = ["/", "/weeks/2026-W49/list/", "/orders/", "/orders/4902/", "/orders/4902/arrival/"]


def test_every_staff_page_opens(arrived_farm, at_desk):
    office = at_desk("OF")
    stamp = PickSheet.objects.filter(state="drawn").first().stamp

    for address in [*STAFF_PAGES, f"/sheets/{stamp}/"]:
        assert office.get(address).status_code == 200, address


def test_every_buyer_page_opens_and_staff_pages_do_not(arrived_farm, at_desk):
    buyer = at_desk("B02")

    for address in BUYER_PAGES:
        assert buyer.get(address).status_code == 200, address
    for address in ("/weeks/2026-W49/numbers/", "/weeks/2026-W49/sharing/", "/holds/"):
        assert buyer.get(address).status_code == 403, address


def test_a_report_after_its_time_is_told_so_and_wrong_pieces_can_be_named(arrived_farm, at_desk):
    buyer, late = at_desk("B02"), "The time for a report was Wed 2 Dec, 14:12 EST."
    assert late not in page_words(buyer.get("/orders/4902/arrival/"))
    move_clock(to=farm_time("2026-12-02 13:30"))
    page = page_words(buyer.get("/orders/4902/arrival/"))
    assert late in page and "a person decides on it" in page
    buyer.post("/orders/4902/arrival/", {"wrong:HRT plug": "2", "text": "the net was out"})
    report = ArrivalReport.objects.last()
    assert (report.lines.get().wrong, report.state) == (2, "filed")


def test_a_line_that_got_fewer_says_so_in_words(arrived_farm, at_desk):
    words = page_words(at_desk("B02").get("/orders/4902/"))

    assert words.count(" short") == 2
    assert "shipped, 4 short" in words and "shipped, 3 short" in words


def test_a_buyer_never_sees_another_shops_order(arrived_farm, at_desk):
    answer = at_desk("B02").get("/orders/4901/")

    assert answer.status_code == 404
    assert "There is no order 4901" in answer.content.decode()


def test_nobody_gets_in_without_a_log_in(arrived_farm):
    for address in STAFF_PAGES:
        answer = Client().get(address)
        assert answer.status_code == 302 and answer["Location"].startswith("/log-in/")


def test_the_papers_come_as_pdf(arrived_farm, at_desk):
    office = at_desk("OF")
    for address in ("/weeks/2026-W49/list.pdf", "/orders/4912/bag-labels.pdf",
                    "/orders/4912/box-labels.pdf"):  # fmt: skip
        answer = office.get(address)
        assert answer["Content-Type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF")


def order_form(**asks):
    form = {"ship_to": "C02", "ship_on": "2026-12-01", "key": "page-1", "version": "1"}
    return form | {f"ask:{name.replace('_', ' ')}": text for name, text in asks.items()}


def test_a_buyer_orders_from_the_page_once(published_farm, at_desk):
    buyer = at_desk("B02")
    for _ in range(2):
        answer = buyer.post("/weeks/2026-W49/list/", order_form(PLT_plug="12", CBB_plug=" 5 "))
        assert answer.status_code == 302
    order = Order.objects.get()

    assert [(line.listing.name, line.asked) for line in order.lines.all()] == [
        ("CBB plug", 5), ("PLT plug", 12),
    ]  # fmt: skip
    assert order.placed_by.code == "B02"


@pytest.mark.parametrize("text", ["ten", "-3", "2.5", "12 pcs", "1O", "3/4", "=1+5"])
def test_a_cell_that_is_no_number_is_named_and_nothing_is_ordered(published_farm, at_desk, text):
    answer = at_desk("B02").post(
        "/weeks/2026-W49/list/", order_form(PLT_plug="12", HRT_plug=text), follow=True
    )  # fmt: skip

    page = answer.content.decode()
    assert "Nothing was ordered and everything typed is kept: HRT plug" in page
    assert "aria-invalid" in page and f'value="{text}"' in page and 'value="12"' in page
    assert not Order.objects.exists()


def test_a_buyer_cannot_order_for_another_shop(published_farm, at_desk):
    answer = at_desk("B02").post(
        "/weeks/2026-W49/list/", order_form(PLT_plug="12") | {"ship_to": "C01"}
    )

    assert answer.status_code == 404
    assert not Order.objects.exists()


def test_a_phone_order_past_the_reserve_is_refused_with_what_is_left(published_farm, at_desk):
    form = order_form(PWS_plug="4") | {"takes_now": "on"}
    answer = at_desk("OF").post("/weeks/2026-W49/list/", form)

    assert answer.status_code == 409
    assert "3 left above the mother reserve" in answer.content.decode()


def test_the_office_shares_out_and_inks_from_the_page(closed_farm, at_desk):
    office = at_desk("OF")
    shown = office.get("/weeks/2026-W49/sharing/").context["plan"]
    office.post("/weeks/2026-W49/sharing/", {"act": "share", "mark": shown.mark})
    shared = office.get("/weeks/2026-W49/sharing/").content.decode()
    office.post("/weeks/2026-W49/sharing/", {"act": "ink"})
    again = office.post("/weeks/2026-W49/sharing/", {"act": "share"})

    assert "weighted share 4.94 of the 30 then left" in shared
    assert Promise.objects.filter(state="inked").count() == 82
    assert again.status_code == 409
    assert "promises of 2026-W49 are inked" in again.content.decode()


def test_sheets_boxes_and_keying_in_from_the_pages(inked_farm, at_desk):
    office, packer = at_desk("OF"), at_desk("PK1")
    assert office.post("/weeks/2026-W49/sheets/").status_code == 302
    assert office.post("/weeks/2026-W49/packing/").status_code == 302
    assert PackPlan.objects.filter(void_at__isnull=True).count() == 14
    sheet = PickSheet.objects.get(ship_on="2026-12-01", number=1)
    task = sheet.tasks.first()
    bad = packer.post(f"/sheets/{sheet.stamp}/", {f"picked:{task.pk}": "two"})
    good = packer.post(f"/sheets/{sheet.stamp}/", {})

    assert bad.status_code == 422 and "is not a whole number" in bad.content.decode()
    assert good.status_code == 302
    sheet.refresh_from_db()
    assert sheet.state == "keyed in"


def test_a_hold_from_the_page_writes_the_next_version_of_the_list(published_farm, at_desk):
    from config.ticking import tick

    at_desk("G1").post(
        "/holds/",
        {"scope_kind": "system", "scope": "t", "reason": "white film", "grade": "suspected"},
    )
    tick(farm_now())
    version = ListVersion.objects.get(week=week_named(name="2026-W49"), number=2)

    assert Hold.objects.filter(system__code="T", state="raised").exists()
    assert version.lines.get(listing__name="SXT base").status == "resting"
    assert "white film" in version.reason


def test_the_office_confirms_a_line_and_a_grower_may_not(closed_farm, at_desk):
    line = Line.objects.create(
        order=Order.objects.get(number="4901"), position=99,
        listing=Line.objects.get(order__number="4914", listing__name="FDR plug").listing,
        asked=2, unit_price="38.00", state="needs person",
    )  # fmt: skip
    assert at_desk("G1").post(f"/lines/{line.pk}/confirm/").status_code == 403
    assert at_desk("OF").post(f"/lines/{line.pk}/confirm/").status_code == 302
    line.refresh_from_db()
    assert (line.state, line.confirmed_by.code) == ("open", "OF")


def test_the_clock_runs_forward_only_and_does_what_is_due(arrived_farm, at_desk):
    office = at_desk("OF")
    back = office.post("/clock/", {"to": "2026-11-01T10:00"})
    wrong = office.post("/clock/", {"to": "tomorrow"})
    office.post("/clock/", {"to": "2026-12-04T13:50"})
    # Old counts and missing photos are named on the list's page and signed; then it goes out.
    mark = office.get("/weeks/2026-W50/publish/").context["mark"]
    office.post("/weeks/2026-W50/publish/", {"mark": mark})
    office.post("/clock/", {"to": "2026-12-04T14:00"})

    assert back.status_code == 422 and "runs forward only" in back.content.decode()
    assert wrong.status_code == 422
    assert week_named(name="2026-W50").published_at is not None
    page = office.get("/weeks/2026-W50/list/").content.decode()
    assert "Send the order" in page


def test_the_contents_lead_nobody_to_a_page_that_refuses(arrived_farm, at_desk, person):
    from config.contents import contents_for

    refused = []
    for code in ("OW", "OF", "LD", "G1", "PK1", "B02"):
        browser, user = at_desk(code), person(code)
        request = browser.get("/").wsgi_request
        for group in contents_for(request=request, user=user, week_name="2026-W49"):
            for link in group.links:
                if browser.get(link.url, follow=True).status_code != 200:
                    refused.append((code, link.name))
    assert refused == []
