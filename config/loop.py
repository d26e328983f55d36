"""The embedded farm's own loops: tick(), the post and the calls, each second, in a web process.

Each process offers itself; a lock file lets one at a time do the work, and when that one ends the
next takes over. Post and calls have threads of their own: other people's servers may be slow.
With a task queue the same three are called from there and FARM_LOOP is off.
"""

import fcntl
import logging
import threading
import time
from collections.abc import Callable

from django.conf import settings
from django.db import close_old_connections

from config.calling import call_hooks
from config.posting import post_letters
from config.ticking import tick
from inventory.clock import farm_now

EVERY_S = 1.0
log = logging.getLogger(__name__)


def start_loop() -> list[threading.Thread]:
    """Start the loops in the background, unless FARM_LOOP is off."""
    if not settings.FARM_LOOP:
        return []
    threads = [
        threading.Thread(target=_run, args=work, name=f"farm {work[0]}", daemon=True)
        for work in (
            ("loop", lambda: tick(farm_now())),
            ("post", post_letters),
            ("calls", call_hooks),
        )
    ]
    for thread in threads:
        thread.start()
    return threads


def _run(name: str, work: Callable[[], object]) -> None:
    with open(settings.FARM_HOME / f"{name}.lock", "w") as turn:
        fcntl.flock(turn, fcntl.LOCK_EX)
        while True:
            beat(work)
            time.sleep(EVERY_S)


def beat(work: Callable[[], object]) -> None:
    """One round. A failure is logged and tried again: what it left undone is still waiting."""
    close_old_connections()
    try:
        work()
    except Exception:
        log.exception("a round of the farm's loop failed; it is tried again")
    finally:
        close_old_connections()
