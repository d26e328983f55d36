"""Speed as ratios in one run, printed; asserted are counts of statements and generous ratios.

Run with -s to read them: pytest -c tests/pytest.ini -s -m bench tests/bench
"""

import time
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.clock import farm_now
from inventory.setting_book import SettingBook
from orders.calc.share_words import sentence
from orders.calc.sharing import RULES, Ask, share
from orders.papers import render_pdf
from orders.promising import can_promise_all
from orders.weeks import week_named
from shipping.models import PickSheet
from shipping.papers import pick_sheet_pdf
from shipping.picking import draw_sheets

pytestmark = pytest.mark.bench


def seconds(act, times=3):
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        act()
        best = min(best, time.perf_counter() - start)
    return best


@pytest.mark.parametrize("moment", ["published_farm", "inked_farm"])
def test_can_promise_for_every_listing_takes_three_statements(request, moment):
    request.getfixturevalue("db")
    request.getfixturevalue(moment)
    week = week_named(name="2026-W49")

    def promise():
        book = SettingBook.read(on=date(2026, 11, 30))
        return can_promise_all(week=week, on=date(2026, 11, 30), is_on_sale=True, book=book)

    with CaptureQueriesContext(
        connection,
    ) as queries:
        promise()
    assert len(queries) <= 3
    joined = queries[1]["sql"]

    def raw():
        with connection.cursor() as cursor:
            cursor.execute(joined)
            cursor.fetchall()

    ratio = seconds(promise) / seconds(raw)
    print(f"\ncan-promise of every listing: {ratio:.1f} x its own joined statement, {moment}")
    assert ratio < 60


def test_a_preview_of_sixty_listings_by_forty_orders_against_a_bare_loop():
    start = datetime(2026, 11, 25, 14, tzinfo=UTC)
    asks = [
        Ask(f"{n}", f"{5000 + n}", 2 + n % 11, 1, 1 + n % 3, start + timedelta(minutes=n * 7 % 97),
            customer=f"C{n}")
        for n in range(40)
    ]  # fmt: skip

    def preview():
        for available in range(60, 120):
            shares = {rule: share(rule=rule, available=available, asks=asks) for rule in RULES}
            for ask in asks:
                sentence(shares["mixed"], ask.ref)

    def bare():
        for available in range(60, 120):
            for _ in RULES:
                left = available
                for ask in sorted(asks, key=lambda ask: ask.sent_at):
                    left -= min(left, ask.asked)

    taken = seconds(preview, 1)
    ratio = taken / seconds(bare)
    print(f"\nshare preview 60 x 40, four rules and sentences: {ratio:.0f} x a bare loop")
    assert ratio < 2000


def test_all_tuesday_sheets_against_a_bare_page_each(inked_farm, person):
    week = week_named(name="2026-W49")
    render_pdf("<p>warm</p>", "paper.css")

    def sheets():
        draw_sheets(week=week, ship_on=date(2026, 12, 1), now=farm_now(), user=person("OF"))
        for sheet in PickSheet.objects.filter(ship_on="2026-12-01"):
            pick_sheet_pdf(sheet=sheet)

    row = "<tr><td>T2.1</td><td>Plum Trellis</td><td>12</td></tr>"

    def bare():
        for _ in range(4):
            render_pdf(f"<table>{row * 30}</table>", "paper.css")

    taken = seconds(sheets, 1)
    ratio = taken / seconds(bare, 1)
    print(f"\nall Tuesday sheets, drawn and printed: {ratio:.1f} x four bare tables")
    assert ratio < 60
