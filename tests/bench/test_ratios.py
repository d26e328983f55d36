"""Speed as ratios in one run, printed; asserted are counts of statements and generous ratios.

Run with -s to read them: pytest -c tests/pytest.ini -s -m bench tests/bench
"""

import time
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.clock import farm_now
from inventory.models import StrainForm
from inventory.setting_book import SettingBook
from orders.calc.share_words import sentence
from orders.calc.sharing import RULES, Ask, share
from orders.models import PromisedTotal, ShipWeek
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


def statements_and_ratio(week):
    """How many statements one pass takes, and its time over that of its own joined rows."""
    on = date(2026, 11, 30)

    def promise():
        return can_promise_all(week=week, on=on, is_on_sale=True, book=SettingBook.read(on=on))

    with CaptureQueriesContext(connection) as queries:
        assert len(promise()) > 60
    joined = max((query["sql"] for query in queries), key=len)

    def raw():
        with connection.cursor() as cursor:
            cursor.execute(joined)
            cursor.fetchall()

    return len(queries), seconds(promise) / seconds(raw)


@pytest.mark.parametrize("moment", ["published_farm", "inked_farm"])
def test_can_promise_for_every_listing_takes_three_statements(request, moment):
    request.getfixturevalue("db")
    request.getfixturevalue(moment)
    statements, ratio = statements_and_ratio(week_named(name="2026-W49"))

    print(f"\ncan-promise of every listing: {ratio:.1f} x its own joined statement, {moment}")
    assert statements <= 3
    assert ratio < 60


def test_promises_in_later_weeks_take_no_more_statements(published_farm):
    for week in ShipWeek.objects.filter(monday__gt=date(2026, 11, 30)):
        PromisedTotal.objects.bulk_create(
            PromisedTotal(strain_form=row, week=week, pieces=1) for row in StrainForm.objects.all()
        )
    assert PromisedTotal.objects.values("week").distinct().count() == 2
    statements, ratio = statements_and_ratio(week_named(name="2026-W49"))

    print(f"\nwith promises in two later weeks: {ratio:.1f} x its own joined statement")
    assert statements <= 3
    assert ratio < 120


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
