"""Fixtures every test may ask for: the published checks, the ledger's triggers, the demo farm."""

import os
from pathlib import Path

import pytest
from django.db import connection
from moments import MOMENTS, Ground, is_transactional, moment_of, reads_tables

from inventory.triggers import drop_triggers, install_triggers

TESTS = Path(__file__).resolve().parent
FIXTURES = TESTS.parent / "fixtures"
# Nothing in here may open a table; pytest-django refuses it to a test that does not ask.
CALC = TESTS / "calc"


@pytest.fixture(autouse=True)
def _ledger_triggers(request):
    """Flush between transactional tests trips over the append-only triggers on SQLite."""
    if not is_transactional(request.node):
        yield
        return
    request.getfixturevalue("transactional_db")
    install_triggers(connection)
    yield
    drop_triggers(connection)


@pytest.fixture
def farm_checks():
    """The folder of published checks. Without FARM_CHECKS the test says what it leaves out."""
    folder = os.environ.get("FARM_CHECKS", "")
    if not folder or not Path(folder).is_dir():
        pytest.skip("left out: the published data sets (set FARM_CHECKS to their folder)")
    return Path(folder)


@pytest.fixture
def fixtures_folder():
    return FIXTURES


GROUND = Ground()


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items):
    """Tests of one moment one after another, then those that commit, then those without tables."""

    def rank(item):
        return not reads_tables(item), is_transactional(item), MOMENTS.index(moment_of(item))

    items.sort(key=rank)
    once = pytest.mark.skip(reason="left out: opens no table, so one database is enough")
    seen = pytest.mark.skip(reason="left out: pages look the same on both databases")
    for item in items:
        if connection.vendor == "postgresql" and item.get_closest_marker("browser"):
            item.add_marker(seen)
        if CALC not in item.path.parents and item.get_closest_marker("no_tables") is None:
            continue
        if reads_tables(item):
            raise pytest.UsageError(f"{item.nodeid} is said to open no table and asks for them")
        if connection.vendor == "postgresql":
            item.add_marker(once)


@pytest.hookimpl(tryfirst=True)
def pytest_fixture_setup(fixturedef, request):
    """The right moment is committed before the transaction of a test begins on it."""
    if fixturedef.argname == "_django_db_helper":
        with request.getfixturevalue("django_db_blocker").unblock():
            GROUND.stand(moment_of(request.node), folder=FIXTURES)


def _farm_at(name):
    # A test that commits, or that asks for its farm half-way, stood on empty tables.
    if GROUND.at != name:
        GROUND.lay(name, folder=FIXTURES)


@pytest.fixture
def farm(db):
    """The demo farm on Wed 25 Nov 2026, 09:00, before any list is out."""
    _farm_at("morning")


@pytest.fixture
def published_farm(db):
    """The demo farm on Wed 25 Nov 2026, 14:00: the W49 list is out, nothing is ordered."""
    _farm_at("published")


@pytest.fixture
def closed_farm(db):
    """The demo farm on Mon 30 Nov 2026, 12:15: fourteen orders are in, the list is closed."""
    _farm_at("closed")


@pytest.fixture
def inked_farm(db):
    """The demo farm on Mon 30 Nov 2026, 14:45: shared out and inked."""
    _farm_at("inked")


@pytest.fixture
def drawn_farm(db):
    """The demo farm on Tue 1 Dec 2026, 05:45: planned, sheets drawn, nothing picked."""
    _farm_at("drawn")


@pytest.fixture
def arrived_farm(db):
    """The demo farm on Wed 2 Dec 2026, 13:00: the scene's end."""
    _farm_at("arrived")


@pytest.fixture
def open_farm(db):
    """The demo farm on Fri 4 Dec 2026, 16:00: the W50 list is out and its first orders are in."""
    _farm_at("open")


@pytest.fixture
def autumn_farm(db):
    """Job story A5: 4 KLN inked for C07 and 3 for C05 on Mon 9 Nov, to leave on Wed 11 Nov."""
    _farm_at("autumn")


@pytest.fixture
def rested_farm(db):
    """The same, Mon 9 Nov 15:10: the second low look at KLN came from a phone that was off."""
    _farm_at("rested")


@pytest.fixture
def committed_farm(transactional_db):
    """The demo farm at a moment, committed, for tests whose server looks from another thread."""
    return _farm_at


@pytest.fixture
def person(db):
    """A person of the farm by code, such as person("OF")."""
    from inventory.models import User

    return lambda code: User.objects.get(code=code)


@pytest.fixture
def at_desk(person):
    """A browser logged in as a person of the farm by code."""

    from django.test import Client

    def log_in(code):
        browser = Client()
        browser.force_login(person(code), backend="django.contrib.auth.backends.ModelBackend")
        return browser

    return log_in


@pytest.fixture
def browser(monkeypatch):
    """A headless browser; a test that asks for it is left out where there is none."""
    from config.management.commands.pictures import CHROMIUM

    if not Path(CHROMIUM).exists():
        pytest.skip("left out: no Chromium on this machine")
    # The browser's own loop would otherwise be taken for an asynchronous caller.
    monkeypatch.setitem(os.environ, "DJANGO_ALLOW_ASYNC_UNSAFE", "1")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as runner:
        opened = runner.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield opened
        opened.close()
