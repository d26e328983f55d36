"""The stories of the selling side as people see them: shares, a death after ink, law and papers."""

import pytest
from tests_support import farm_time, log_in

from config.ticking import tick
from inventory.clock import move_clock
from inventory.models import User
from inventory.walking import count_tray
from orders.models import Line, Promise, ShareRun

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OFFICE = "office@saltmarrow.example"


def rows_under(page, heading):
    """The cells of the table that follows a heading, row by row."""
    table = page.locator(f"h2:has-text('{heading}') ~ table").first
    return [
        [cell.strip() for cell in row.locator("td").all_inner_texts()]
        for row in table.locator("tbody tr").all()
    ]


def test_short_listings_are_shared_as_worked_and_a_buyer_reads_why(
    committed_farm, browser, live_server
):
    committed_farm("closed")
    page = log_in(browser, live_server, OFFICE)
    page.goto("/weeks/2026-W49/sharing/?way=by+item")
    plt, apt = rows_under(page, "PLT plug"), rows_under(page, "APT base")
    page.get_by_role("button", name="short listings").click()
    page.wait_for_selector("text=Shared out by item")

    # The farm's worked figures for 56 and 29 pieces; apothecary goes by floor, tier and twelves.
    assert [(row[0], int(row[3])) for row in plt] == [
        ("4901", 6), ("4902", 8), ("4903", 4), ("4904", 8),
        ("4905", 7), ("4907", 4), ("4908", 7), ("4910", 12),
    ]  # fmt: skip
    assert [int(row[3]) for row in apt] == [2, 3, 2, 3, 4, 12, 3]
    assert ShareRun.objects.get().way == "by item"

    buyer = log_in(browser, live_server, "buyer@gullwickaquaria.example")
    buyer.goto("/orders/4902/")
    row = buyer.locator("tr", has_text="PLT plug")
    row.get_by_text("why").click()
    why = row.inner_text()
    for figure in ("56 pieces", "88 asked", "4.94", "promised 8"):
        assert figure in why


def test_a_death_after_the_ink_is_made_good_from_the_first_page(
    committed_farm, browser, live_server
):
    committed_farm("drawn")
    at = farm_time("2026-12-01 06:50")
    move_clock(to=at)
    count_tray(
        tray_code="A5.5",
        pieces=22,
        looked_at=at,
        received_at=at,
        user=User.objects.get(code="G1"),
        client_id="a-dead-morning",
    )
    tick(at)
    before = sorted(Promise.objects.filter(state="inked").values_list("pk", "units"))
    page = log_in(browser, live_server, "hester@saltmarrow.example")
    page.goto("/")
    assert "4 short" in page.inner_text("main").lower()
    page.get_by_role("button", name="of T2.2 ready on the bench").click()
    page.wait_for_load_state()

    assert "4 short" not in page.inner_text("main").lower()
    assert sorted(Promise.objects.filter(state="inked").values_list("pk", "units")) == before


def test_what_the_law_bars_is_not_on_that_shop_s_list(committed_farm, browser, live_server):
    committed_farm("published")
    buyer = log_in(browser, live_server, "buyer@plantainvergeaquatics.example")
    buyer.goto("/weeks/2026-W49/list/")
    assert buyer.get_by_label("RMG pack of propagules, packs").count() == 0
    assert buyer.locator("td.margin", has_text="RMG").count() == 0
    gulf = log_in(browser, live_server, "buyer@gullwickaquaria.example")
    gulf.goto("/weeks/2026-W49/list/")
    assert gulf.locator("td.margin", has_text="RMG").count() > 0


def test_papers_hold_lines_back_and_export_waits_for_three_ticks(
    committed_farm, browser, live_server
):
    committed_farm("closed")
    office = log_in(browser, live_server, OFFICE)
    office.goto("/orders/4905/")
    assert "paper" in office.locator("tr", has_text="RMG").inner_text().lower()
    assert Line.objects.get(order__number="4909", listing__name="RMG prop-10").state == "refused"
    office.goto("/orders/4913/")
    text = office.inner_text("main")
    for word in ("declaration", "port", "licence"):
        assert word in text
