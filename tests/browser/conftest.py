"""Phones of the walk for the browser tests."""

import os
from pathlib import Path

import pytest
from walk_phone import ARGS, PREPARE, Farm

from config.management.commands.pictures import CHROMIUM
from inventory.models import User


@pytest.fixture
def chromium(monkeypatch):
    if not Path(CHROMIUM).exists():
        pytest.skip("left out: no Chromium on this machine")
    monkeypatch.setitem(os.environ, "DJANGO_ALLOW_ASYNC_UNSAFE", "1")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as runner:
        yield runner.chromium


@pytest.fixture
def farm_process(tmp_path):
    house = Farm(tmp_path / "home")
    house.manage("migrate", "-v", "0")
    said = house.manage("shell", "-v", "0", "-c", PREPARE)
    house.code = said.split("CODE ")[1].split()[0]
    house.start()
    yield house
    house.kill()


@pytest.fixture
def grower(committed_farm, chromium, live_server):
    """A grower's phone with a log-in, at the walk: grower(java_script_enabled=False)."""
    committed_farm("morning")
    user = User.objects.get(code="G1")
    user.set_password("slack water")
    user.save()
    opened = chromium.launch(executable_path=CHROMIUM, args=ARGS)

    def open_walk(**more):
        viewport = {"width": more.pop("width", 390), "height": 844}
        address = live_server.url.replace("localhost", more.pop("host", "localhost"))
        context = opened.new_context(base_url=address, viewport=viewport, **more)
        page = context.new_page()
        page.failures = []
        page.on("pageerror", lambda error: page.failures.append(str(error)))
        page.goto("/log-in/?next=/walk/")
        page.fill("#id_username", user.email)
        page.fill("#id_password", "slack water")
        page.click("main button[type=submit]")
        if more.get("java_script_enabled", True):
            page.wait_for_selector("#walk-strip:not([hidden])")
        return page

    yield open_walk
    opened.close()
