"""The processes a farm is served by: web alone, or web, worker and beat where there is a queue."""

import logging
import signal
import subprocess
import sys
import time
from types import FrameType

from django.conf import settings

log = logging.getLogger(__name__)
LOOK_EVERY_S = 0.2
# How long a worker may take to end the tick it is at.
GRACE_S = 20


def farm_processes(
    *, port: int, host: str = "127.0.0.1", web_workers: int = 2, queue_workers: int = 2
) -> dict[str, list[str]]:
    """Each process by name, as the command that starts it."""
    gunicorn = [sys.executable, "-m", "gunicorn", "config.wsgi", "--bind", f"{host}:{port}"]
    web = ["--workers", str(web_workers), "--threads", "4", "--log-level", "warning"]
    commands = {"web": gunicorn + web}
    if settings.REDIS_URL:
        celery = [sys.executable, "-m", "celery", "--app", "config.queue"]
        quiet = ["--loglevel", "warning"]
        worker = ["worker", "--concurrency", str(queue_workers), "--without-gossip"]
        commands["worker"] = [*celery, *worker, "--without-mingle", *quiet]
        commands["beat"] = [*celery, "beat", "--schedule", str(settings.FARM_HOME / "beat"), *quiet]
        commands["beat"] += ["--pidfile", ""]
    return commands


def run_together(commands: dict[str, list[str]]) -> int:
    """Run processes until one ends or this one is told to; then end them all. Returns the code.

    One that ends by itself ends the whole, so that whatever keeps services alive starts it anew.
    """
    is_told = False

    def tell(number: int, frame: FrameType | None) -> None:
        nonlocal is_told
        is_told = True

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, tell)
    running = {
        name: subprocess.Popen(command, cwd=settings.BASE_DIR) for name, command in commands.items()
    }
    while not is_told and all(process.poll() is None for process in running.values()):
        time.sleep(LOOK_EVERY_S)
    ended = [name for name, process in running.items() if process.poll() is not None]
    for process in running.values():
        process.terminate()
    for process in running.values():
        try:
            process.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            process.kill()
    if ended and not is_told:
        log.error("%s ended by itself; the others are ended too", ", ".join(ended))
        return 1
    return 0
