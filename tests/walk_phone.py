"""A phone of the walk in a real browser, and a farm whose server can be killed."""

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request

from django.conf import settings
from playwright.sync_api import expect

from config.management.commands.pictures import CHROMIUM

# A microphone that hums by itself, lent without a question.
MICROPHONE = ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"]
# A name that is not this machine's own: without https it gets no microphone.
AWAY = "farm.example"
NAMES = f"--host-resolver-rules=MAP {AWAY} 127.0.0.1"
ARGS = ["--no-sandbox", "--disable-gpu", NAMES, *MICROPHONE]
STORE = "#place .armed button[type=submit]"

# A farm of its own in a folder of its own, with a code to pair a phone.
PREPARE = """
from pathlib import Path
from django.conf import settings
from config.loading import load_farm
from config.management.commands.demo import STARTS_AT
from django.utils import timezone
from inventory.clock import start_demo_clock
from inventory.models import User
from inventory.pairing import offer_pairing
load_farm(folder=Path(settings.BASE_DIR) / "fixtures", now=STARTS_AT)
start_demo_clock(at=STARTS_AT)
walker, office = User.objects.get(code="G1"), User.objects.get(code="OF")
offer = offer_pairing(walker=walker, name="test phone", by=office, now=timezone.now())
print("CODE", offer.code)
"""


class Farm:
    """A farm whose server is a process that can be killed and started again."""

    def __init__(self, home):
        self.env = {**os.environ, "FARM_HOME": str(home), "FARM_LOOP": "off"}
        self.home, self.process = home, None
        for name in ("DATABASE_URL", "REDIS_URL"):
            self.env.pop(name, None)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]

    @property
    def url(self):
        return f"http://localhost:{self.port}"

    def manage(self, *words):
        done = subprocess.run(
            [sys.executable, "manage.py", *words],
            cwd=settings.BASE_DIR, env=self.env, capture_output=True, text=True, check=True,
        )  # fmt: skip
        return done.stdout

    def start(self):
        self.process = subprocess.Popen(
            [sys.executable, "manage.py", "runserver", str(self.port), "--noreload"],
            cwd=settings.BASE_DIR, env=self.env, start_new_session=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for _ in range(300):
            try:
                urllib.request.urlopen(f"{self.url}/log-in/", timeout=2).close()
                return
            except (urllib.error.URLError, OSError):
                time.sleep(0.2)
        raise AssertionError("the server did not come up")

    def kill(self):
        if self.process is not None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None

    def rows(self, sql):
        with sqlite3.connect(self.home / "slackwater.sqlite3") as base:
            found = base.execute(sql).fetchall()
        base.close()
        return found


def phone_of(chromium, folder):
    """A phone's browser: what it keeps outlives it."""
    return chromium.launch_persistent_context(
        str(folder), executable_path=CHROMIUM, args=ARGS,
        viewport={"width": 390, "height": 844},
    )  # fmt: skip


def waiting(page, words, timeout_s=60):
    expect(page.locator("#waiting")).to_have_text(words, timeout=timeout_s * 1000)


def tap(page, *targets):
    """Tap each target in turn. Returns how many taps that was."""
    for target in targets[:-1]:
        page.click(target)
    with page.expect_response("**/walk/notes/"):
        page.click(targets[-1])
    waiting(page, "All notes are in")
    return len(targets)
