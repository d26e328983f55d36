"""How many statements a page of the office reads; once it was one for each lot, bag or person.

Run with -s to read them: pytest -c tests/pytest.ini -s -m bench tests/bench
"""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

pytestmark = pytest.mark.bench

# Log-in and session among them. The cohorts of propagules, a few in a year, still cost two each.
PAGES = {
    "/growing/": 33,
    "/orders/4902/bench/": 28,
    "/edit/people/": 9,
    "/weeks/2026-W50/who/": 16,
}


@pytest.mark.parametrize("address", PAGES)
def test_a_page_reads_its_rows_at_once(open_farm, at_desk, address):
    office = at_desk("OF")
    office.get(address)
    with CaptureQueriesContext(connection) as queries:
        assert office.get(address).status_code == 200
    print(f"\n{address}: {len(queries)} statements")
    assert len(queries) <= PAGES[address]
