"""Fixtures every test may ask for: the published checks, the ledger's triggers, the demo farm."""

import os
from pathlib import Path

import pytest
from django.apps import apps
from django.conf import settings
from django.core.management.color import no_style
from django.db import connection, transaction
from tests_support import farm_time

from inventory.triggers import drop_triggers, install_triggers

FARM_APPS = ("inventory", "orders", "shipping")


@pytest.fixture(autouse=True)
def _ledger_triggers(request):
    """Flush between transactional tests trips over the append-only triggers on SQLite."""
    marker = request.node.get_closest_marker("django_db")
    is_flushed = "transactional_db" in request.fixturenames or (
        marker is not None and marker.kwargs.get("transaction")
    )
    if not is_flushed:
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
    return Path(settings.BASE_DIR) / "fixtures"


class Kept:
    """Rows of the farm at a moment, kept in memory: loading it anew takes seconds."""

    def __init__(self):
        self.rows = {}

    def keep(self, name):
        models = [model for app in FARM_APPS for model in apps.get_app_config(app).get_models()]
        self.rows[name] = [(model, list(model._base_manager.all())) for model in models]

    def restore(self, name):
        # Foreign keys are checked at commit, so the order of the tables does not matter.
        with transaction.atomic():
            for model, rows in self.rows[name]:
                model._base_manager.bulk_create(rows, batch_size=500)
        models = [model for model, _ in self.rows[name]]
        with connection.cursor() as cursor:
            for statement in connection.ops.sequence_reset_sql(no_style(), models):
                cursor.execute(statement)


_KEPT = Kept()

# Moments of the demo in their order; each is played on from the one before it, once a worker.
MOMENTS = {
    "morning": "2026-11-25 09:00",
    "published": "2026-11-25 14:00",
    "closed": "2026-11-30 12:15",
    "inked": "2026-11-30 14:45",
    "drawn": "2026-12-01 05:45",
    "arrived": "2026-12-02 13:00",
    "open": "2026-12-04 16:00",
}


def _farm_at(name, folder):
    from config import playing

    wanted = list(MOMENTS)[: list(MOMENTS).index(name) + 1]
    kept = [moment for moment in wanted if moment in _KEPT.rows]
    if kept:
        _KEPT.restore(kept[-1])
    else:
        _load(folder)
    for moment in wanted[len(kept) :]:
        playing.play(folder=folder, until=farm_time(MOMENTS[moment]))
        _KEPT.keep(moment)


def _load(folder):
    from config import playing
    from config.loading import load_farm
    from inventory.clock import start_demo_clock
    from orders.feeding import make_client
    from orders.models import Customer

    load_farm(folder=folder, now=farm_time(MOMENTS["morning"]))
    make_client(code="FC-1", customer=Customer.objects.get(code="C10"))
    playing.open_weeks(folder=folder)
    start_demo_clock(at=farm_time("2026-10-01 00:00"))


@pytest.fixture
def farm(db, fixtures_folder):
    """The demo farm on Wed 25 Nov 2026, 09:00, before any list is out."""
    _farm_at("morning", fixtures_folder)


@pytest.fixture
def published_farm(db, fixtures_folder):
    """The demo farm on Wed 25 Nov 2026, 14:00: the W49 list is out, nothing is ordered."""
    _farm_at("published", fixtures_folder)


@pytest.fixture
def closed_farm(db, fixtures_folder):
    """The demo farm on Mon 30 Nov 2026, 12:15: fourteen orders are in, the list is closed."""
    _farm_at("closed", fixtures_folder)


@pytest.fixture
def inked_farm(db, fixtures_folder):
    """The demo farm on Mon 30 Nov 2026, 14:45: shared out and inked."""
    _farm_at("inked", fixtures_folder)


@pytest.fixture
def drawn_farm(db, fixtures_folder):
    """The demo farm on Tue 1 Dec 2026, 05:45: planned, sheets drawn, nothing picked."""
    _farm_at("drawn", fixtures_folder)


@pytest.fixture
def arrived_farm(db, fixtures_folder):
    """The demo farm on Wed 2 Dec 2026, 13:00: the scene's end."""
    _farm_at("arrived", fixtures_folder)


@pytest.fixture
def open_farm(db, fixtures_folder):
    """The demo farm on Fri 4 Dec 2026, 16:00: the W50 list is out and its first orders are in."""
    _farm_at("open", fixtures_folder)


@pytest.fixture
def committed_farm(transactional_db, fixtures_folder):
    """The demo farm at a moment, committed, for tests whose server looks from another thread."""
    return lambda moment: _farm_at(moment, fixtures_folder)


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
