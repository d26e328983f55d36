"""Serve the farm: the web server, and where REDIS_URL names a queue its worker and beat too."""

import os
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand

from config.processes import farm_processes, run_together


class Command(BaseCommand):
    help = "Start web, worker and beat together; with no REDIS_URL the web server alone."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="the address to serve on")
        parser.add_argument("--port", type=int, default=8000, help="the port to serve on")
        parser.add_argument("--web-workers", type=int, default=2)
        parser.add_argument("--queue-workers", type=int, default=2)

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("collectstatic", verbosity=0, interactive=False)
        commands = farm_processes(
            port=options["port"],
            host=options["host"],
            web_workers=options["web_workers"],
            queue_workers=options["queue_workers"],
        )
        if len(commands) == 1:
            # Nothing to look after: the web server takes this process's place.
            os.chdir(settings.BASE_DIR)
            [command] = commands.values()
            os.execv(command[0], command)
        raise SystemExit(run_together(commands))
