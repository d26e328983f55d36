"""The list page for four hundred strain-forms: statements counted, time against its own rows.

Run with -s to read them: pytest -c tests/pytest.ini -s -m bench tests/bench
"""

import gzip
import json
import time
from dataclasses import asdict

import pytest
from django.db import connection
from django.template import Context, Engine
from django.test.utils import CaptureQueriesContext
from tests_support import page_words

from inventory.clock import farm_now
from inventory.models import Listing, Strain, StrainForm
from orders.basket import Typed, save_basket, watch_listing
from orders.calc.sharing import Ask
from orders.likely import asks_of, refresh_asks
from orders.list_rows import _row_html
from orders.models import ListLine, ShipTo
from orders.weeks import week_named

pytestmark = pytest.mark.bench

ADDRESS = "/weeks/2026-W49/list/"
LINES = 400
# The log-in of a reader: the session and the person. What follows is the page.
LOG_IN = ("django_session", 'FROM "inventory_user"')
# A row of the page has some thirty values; the bare table has as many, with nothing decided.
BARE = Engine().from_string(
    "{% for row in rows %}<tr>{% for value in row %}<td>{{ value }}</td>{% endfor %}</tr>"
    "{% endfor %}"
)


def key_of(number):
    """A key of three capital letters for the line of that number: XAA, XAB, ..."""
    return f"X{chr(65 + number // 26)}{chr(65 + number % 26)}"


@pytest.fixture
def long_list(published_farm):
    """The W49 list with its first line's like again until there are four hundred."""
    version = week_named(name="2026-W49").versions.get()
    like = version.lines.filter(status="offered").select_related("listing__strain_form__strain")[0]
    strain, form = like.listing.strain_form.strain, like.listing.strain_form.form
    lines = []
    for number in range(version.lines.count() + 1, LINES + 1):
        strain.pk, strain.key, strain.name = None, key_of(number), f"Test Row {number}"
        strain.save(force_insert=True)
        strain_form = StrainForm.objects.create(strain=strain, form=form)
        listing = Listing.objects.create(
            strain_form=strain_form, name=f"{key_of(number)} plug", title=f"Test Row {number}"
        )
        line = ListLine.objects.get(pk=like.pk)
        line.pk, line.listing, line.position = None, listing, number
        lines.append(line)
    ListLine.objects.bulk_create(lines)
    assert version.lines.count() == LINES
    assert Strain.objects.count() > 300
    return version


@pytest.fixture
def draft(long_list, person):
    """Twenty rows typed, one of them to mend, and one watched."""
    ship_to = ShipTo.objects.get(code="C02")
    names = [f"{key_of(number)} plug" for number in range(380, 400)]
    save_basket(
        ship_to=ship_to,
        week=long_list.week,
        typed={name: Typed("6" if name != names[-1] else "six") for name in names},
        user=person("B02"),
        now=farm_now(),
    )
    watch_listing(ship_to=ship_to, listing_name="KLN plug", user=person("B02"), now=farm_now())
    ask_for_all(long_list)


def ask_for_all(version):
    """Eight shops have asked for every line: as much to read as a list ever brings."""
    now = farm_now()
    snapshot = refresh_asks(week=version.week, now=now)
    body = json.loads(snapshot.body)
    for name in version.lines.values_list("listing__name", flat=True):
        asks = [
            asdict(
                Ask(
                    ref=f"{name} {shop}",
                    order_number=f"26-9{shop:03d}",
                    asked=6 + shop,
                    unit=1,
                    tier=1 + shop % 3,
                    sent_at=now,
                    least=1,
                    customer=f"C{shop:02d}",
                )
            )
            for shop in range(20, 28)
        ]
        body["rows"][name] = {"rule": "mixed", "available": 40, "asks": asks}
    snapshot.body = json.dumps(body, default=str)
    snapshot.save()


def page_statements(client):
    with CaptureQueriesContext(connection) as queries:
        answer = client.get(ADDRESS)
    assert answer.status_code == 200
    page = [row["sql"] for row in queries if not any(mark in row["sql"] for mark in LOG_IN)]
    assert len(queries) - len(page) == 2
    return answer, page


def milliseconds(*acts, times=12):
    """The least this process worked for each, in turns: what else the machine does is not counted.

    In turns, because a processor that is shared with others works slower for all of them.
    """
    best = [float("inf")] * len(acts)
    for turn in range(times + 1):
        for number, act in enumerate(acts):
            start = time.process_time()
            act()
            if turn:
                best[number] = min(best[number], 1000 * (time.process_time() - start))
    return best


def test_the_list_of_four_hundred_takes_three_statements(draft, client, person):
    client.force_login(person("B02"))
    client.get(ADDRESS)
    answer, page = page_statements(client)
    for sql in page:
        print(sql[:90])
    assert len(page) <= 3
    assert answer.content.count(b'class="strain"') > 390
    assert "20 rows, <b>1 to mend and not counted here</b>" in page_words(answer)


def test_the_office_reads_it_in_no_more_but_its_alarms(draft, client, person):
    client.force_login(person("OF"))
    client.get(ADDRESS)
    _, page = page_statements(client)
    alarms = [sql for sql in page if "inventory_alarm" in sql]
    assert len(page) - len(alarms) <= 3
    assert len(alarms) == 1


def test_a_grower_without_a_ship_to_and_an_old_version_cost_no_more(draft, client, person):
    client.force_login(person("G1"))
    for address in (ADDRESS, f"{ADDRESS}?version=1", f"{ADDRESS}?version=99"):
        with CaptureQueriesContext(connection) as queries:
            assert client.get(address).status_code == 200
        # The log-in's two, the head, the lines (looked for twice where 99 is none), the alarms.
        assert len(queries) <= 7


def test_its_time_against_its_own_rows_in_a_bare_table(draft, client, person):
    """50 ms in process is the aim; a limit in milliseconds would test the machine.

    Measured beside it in the same run: the page's own three statements fetched, a bare table drawn
    of their rows, and as many bytes packed for the road. That took 41 ms where the page took 34, so
    1.2 of it are about the aim. It holds for a page whose rows were drawn before, as they are for
    every reader but the first of a process, tier and version; what that one waits is printed.
    """
    client.force_login(person("B02"))
    _, page = page_statements(client)

    def look():
        return client.get(ADDRESS, headers={"Accept-Encoding": "gzip"})

    whole = gzip.decompress(look().content)

    def bare():
        with connection.cursor() as cursor:
            for sql in page:
                cursor.execute(sql)
                rows = cursor.fetchall()
                if len(rows) == LINES:
                    BARE.render(Context({"rows": rows}))
        gzip.compress(whole, compresslevel=6)

    def look_first():
        _row_html.cache_clear()
        asks_of.cache_clear()
        return look()

    taken, base = milliseconds(look, bare)
    (first,) = milliseconds(look_first, times=4)
    print(
        f"\nlist of {LINES}, {len(whole) // 1000} kB: {taken:.0f} ms, {taken / base:.2f} x a bare "
        f"table of its rows ({base:.0f} ms); {first:.0f} ms where no row was drawn before"
    )
    assert taken / base < 1.2
