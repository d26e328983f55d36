"""Web, worker and beat for real, started by the one command, on a real queue."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest
import redis
from django.conf import settings
from django.core.cache import cache
from django.db import connection, connections

from config.posting import post_letters
from config.processes import farm_processes
from config.queue import app, turn
from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.holds import raise_hold
from inventory.models import Happening, Message, User
from orders.list_guard import faults_now, mark_of, sign_list
from orders.models import FeedEvent, ListVersion
from orders.weeks import week_named
from tests.inventory.mail_door import MailDoor

PATIENCE_S = 120


@pytest.fixture
def queue():
    if not settings.REDIS_URL:
        pytest.skip("left out: the worker needs Redis (set REDIS_URL)")
    server = redis.Redis.from_url(settings.REDIS_URL)

    def forget():
        for key in server.scan_iter(f"{settings.REDIS_PREFIX}:*"):
            server.delete(key)

    forget()
    yield server
    forget()


def wait_until(is_so, what):
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if is_so():
            return
        time.sleep(0.2)
    pytest.fail(f"after {PATIENCE_S} s: {what}")


def sign_what_is_missing(at):
    """A list with old counts or missing photos waits for a signature: the office gives it."""
    week = week_named(name="2026-W49")
    mark = mark_of(week, faults_now(week=week, now=at))
    sign_list(week=week, mark=mark, now=at, user=User.objects.get(code="OF"))


@pytest.fixture
def serve(queue, tmp_path):
    """Starts `manage.py serve` on this test's database, its letters going to a mail server."""
    running = []

    def start(mail_door):
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        log = open(tmp_path / "serve.log", "w")  # noqa: SIM115 - closed below
        process = subprocess.Popen(
            [sys.executable, "manage.py", "serve", "--port", str(port), "--web-workers", "1"],
            cwd=settings.BASE_DIR, env=environment(mail_door), stdout=log, stderr=log,
        )  # fmt: skip
        running.append((process, log))
        return process, port

    yield start
    for process, log in running:
        process.send_signal(signal.SIGTERM)
        assert process.wait(40) == 0, (tmp_path / "serve.log").read_text()
        log.close()


def environment(door):
    database = connection.settings_dict
    url = f"sqlite:///{database['NAME']}"
    if connection.vendor == "postgresql":
        url = "postgres://{USER}:{PASSWORD}@{HOST}:{PORT}/{NAME}".format(**database)
    return {
        **os.environ,
        "DATABASE_URL": url,
        "EMAIL_URL": f"smtp://127.0.0.1:{door.port}",
        "ALLOWED_HOSTS": "127.0.0.1",
    }


@pytest.mark.redis
def test_a_hold_reaches_list_feed_and_mail_through_a_real_worker(committed_farm, queue, serve):
    """The mail server dies with the first letter in its hands; each is there once all the same."""
    committed_farm("published")
    now = farm_now()
    Message.objects.all().delete()
    door = MailDoor(dies=["before answer"])
    _, port = serve(door)
    raise_hold(
        scope_kind="system", scope="T", reason="white film", grade="suspected", at=now,
        user=User.objects.get(code="G1"),
    )  # fmt: skip

    wait_until(
        lambda: not Happening.objects.filter(handled_at__isnull=True).exists(),
        "no worker has handed the happening on",
    )
    wait_until(lambda: ListVersion.objects.filter(week__name="2026-W49").count() == 2, "no list")
    assert FeedEvent.objects.filter(kind="hold.raised").exists()
    sequences = list(FeedEvent.objects.values_list("sequence", flat=True).order_by("sequence"))
    assert sequences == list(range(1, len(sequences) + 1)), "gap-free, each once"
    written = Message.objects.filter(kind="hold raised")
    wait_until(lambda: written.filter(tries=1, state="waiting").count() == 2, "no letter was tried")
    assert door.kept == []

    # Its wait is a minute; the test does not sit it out.
    written.update(next_try_at=None)
    wait_until(lambda: written.filter(state="sent").count() == 2, "no letter was sent again")
    assert sorted(door.ids()) == sorted(written.values_list("message_id", flat=True))
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/log-in/") as answer:
        assert answer.status == 200
    door.close()


@pytest.mark.redis
def test_beat_publishes_a_list_when_its_hour_has_come(committed_farm, queue, serve):
    committed_farm("morning")
    door = MailDoor()
    serve(door)
    at = farm_now().replace(hour=20, minute=0)
    sign_what_is_missing(at)
    move_clock(to=at)

    wait_until(lambda: ListVersion.objects.filter(number=1).exists(), "no list went out")
    told = Message.objects.filter(kind="list is out")
    wait_until(lambda: told.filter(state="sent").count() == 12, "not every shop was told")
    ids = list(told.values_list("message_id", flat=True))
    assert sorted(set(door.ids()) & set(ids)) == sorted(ids)
    assert len(door.ids()) == len(set(door.ids())), "no letter is there twice"
    door.close()


@pytest.mark.postgres
def test_four_late_ticks_at_one_moment_do_everything_once(committed_farm):
    """Two beats, or two farms' loops by mistake: the claims in the database hold."""
    if connection.vendor != "postgresql":
        pytest.skip("left out: the race needs PostgreSQL")
    committed_farm("morning")
    at = farm_now().replace(hour=20, minute=0)
    sign_what_is_missing(at)
    move_clock(to=at)
    start = Barrier(4)

    def run(_):
        start.wait()
        try:
            tick(at)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(4) as loops:
        list(loops.map(run, range(4)))

    assert list(ListVersion.objects.values_list("week__name", "number")) == [("2026-W49", 1)]
    assert Message.objects.filter(kind="list is out").count() == 12
    sequences = list(FeedEvent.objects.values_list("sequence", flat=True).order_by("sequence"))
    assert sequences == list(range(1, len(sequences) + 1))
    assert Happening.objects.filter(kind="list.published").count() == 1


def test_four_senders_at_once_hand_each_letter_over_once(committed_farm, settings):
    committed_farm("published")
    door = MailDoor()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", door.port
    Message.objects.update(attachments=[])
    written = list(Message.objects.values_list("message_id", flat=True))
    start = Barrier(4)

    def send(_):
        start.wait()
        try:
            return post_letters().sent
        finally:
            connections.close_all()

    with ThreadPoolExecutor(4) as senders:
        sent = list(senders.map(send, range(4)))

    assert sum(sent) == len(written) >= 12
    assert sorted(door.ids()) == sorted(written)
    assert not Message.objects.exclude(state="sent").exists()
    door.close()


def test_a_turn_is_one_worker_s_and_is_given_back(settings):
    with turn("test") as first, turn("test") as second:
        assert (first, second) == (True, False)
    with turn("test") as again:
        assert again
    assert cache.get("turn:test") is None


def test_beat_asks_for_both_loops_and_forgets_what_is_late():
    schedule = app.conf.beat_schedule

    assert {row["task"] for row in schedule.values()} <= set(app.tasks)
    assert all(row["options"]["expires"] <= 2 * row["schedule"] for row in schedule.values())


def test_without_a_queue_the_web_server_stands_alone(settings):
    settings.REDIS_URL = ""
    assert list(farm_processes(port=1)) == ["web"]
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    assert list(farm_processes(port=1)) == ["web", "worker", "beat"]


def test_one_process_that_ends_by_itself_ends_them_all(tmp_path):
    """Run by a process of its own, since it takes the signals for itself."""
    mark = tmp_path / "long"
    text = f"""
import django, sys; django.setup()
from config.processes import run_together
long = "import os, pathlib, time; "
long += "pathlib.Path({str(mark)!r}).write_text(str(os.getpid())); time.sleep(60)"
raise SystemExit(run_together({{
    "long": [sys.executable, "-c", long],
    "short": [sys.executable, "-c", "import time; time.sleep(2)"],
}}))
"""
    done = subprocess.run(
        [sys.executable, "-c", text], cwd=settings.BASE_DIR, capture_output=True, text=True,
        env={**os.environ, "DJANGO_SETTINGS_MODULE": "config.settings"}, timeout=30,
    )  # fmt: skip

    assert done.returncode == 1, done.stderr
    assert "short ended by itself" in done.stderr
    assert not Path(f"/proc/{mark.read_text()}").exists()
