"""The embedded farm's own loop: tick() every second in one of the web server's processes.

Each process offers itself; a lock file lets one at a time do the work, and when that one ends the
next takes over. With a task queue the same tick() is called from there and FARM_LOOP is set off.
"""

import fcntl
import logging
import threading
import time

from django.conf import settings
from django.db import close_old_connections

from config.ticking import tick
from inventory.clock import farm_now

EVERY_S = 1.0
log = logging.getLogger(__name__)


def start_loop() -> threading.Thread | None:
    """Start the loop in the background, unless FARM_LOOP is off."""
    if not settings.FARM_LOOP:
        return None
    thread = threading.Thread(target=_run, name="farm loop", daemon=True)
    thread.start()
    return thread


def _run() -> None:
    with open(settings.FARM_HOME / "loop.lock", "w") as turn:
        fcntl.flock(turn, fcntl.LOCK_EX)
        while True:
            beat()
            time.sleep(EVERY_S)


def beat() -> None:
    """One round. A failure is logged and tried again: what it left undone is still waiting."""
    close_old_connections()
    try:
        tick(farm_now())
    except Exception:
        log.exception("a round of the farm's loop failed; it is tried again")
    finally:
        close_old_connections()
