"""The farm's loops as tasks of a queue, where REDIS_URL names one.

Beat asks for a tick every second, the post and the calls every two, from the plain schedule below;
a worker does them. Nothing rests on there being one beat or one worker: every part of tick(), the
post and the calls claims what it does in the database, and what comes late or twice finds it done.
The turn kept in the cache only saves the work of finding that out.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager

from celery import Celery
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

TICK_EVERY_S = 1.0
POST_EVERY_S = 2.0
# A worker killed with the turn in hand holds the others up for so long and no longer.
TURN_S = 30

app = Celery("slackwater")
app.conf.update(
    broker_url=settings.REDIS_URL or "memory://",
    broker_transport_options={"global_keyprefix": f"{settings.REDIS_PREFIX}:"},
    broker_connection_retry_on_startup=True,
    # What a task did stands in the database; its answer is read by nobody.
    task_ignore_result=True,
    task_default_queue="farm",
    worker_prefetch_multiplier=1,
    worker_enable_remote_control=False,
    beat_scheduler="celery.beat:Scheduler",
    beat_schedule={
        # One that waited longer than its period is worth nothing: the next does the same work.
        "tick": {
            "task": "config.queue.tick_farm",
            "schedule": TICK_EVERY_S,
            "options": {"expires": 2 * TICK_EVERY_S},
        },
        "post": {
            "task": "config.queue.post_farm",
            "schedule": POST_EVERY_S,
            "options": {"expires": 2 * POST_EVERY_S},
        },
        "calls": {
            "task": "config.queue.call_farm",
            "schedule": POST_EVERY_S,
            "options": {"expires": 2 * POST_EVERY_S},
        },
    },
)


@contextmanager
def turn(name: str) -> Iterator[bool]:
    """Whether this worker goes first; another that is at the same work is left to it."""
    from django.core.cache import cache

    key = f"turn:{name}"
    is_mine = cache.add(key, os.getpid(), timeout=TURN_S)
    try:
        yield is_mine
    finally:
        if is_mine:
            cache.delete(key)


# The apps are not ready when a worker reads this file, so the tasks import what they call.
@app.task(name="config.queue.tick_farm")
def tick_farm() -> None:
    """Do all that is due by the farm's clock."""
    from config.ticking import tick
    from inventory.clock import farm_now

    with turn("tick") as is_mine:
        if is_mine:
            tick(farm_now())


@app.task(name="config.queue.post_farm")
def post_farm() -> None:
    """Hand over the letters that are due by the machine's clock."""
    from config.posting import post_letters

    with turn("post") as is_mine:
        if is_mine:
            post_letters()


@app.task(name="config.queue.call_farm")
def call_farm() -> None:
    """Call the retailers' systems that something is due to, by the machine's clock."""
    from config.calling import call_hooks

    with turn("calls") as is_mine:
        if is_mine:
            call_hooks()
