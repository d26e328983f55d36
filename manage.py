#!/usr/bin/env python3
"""Slackwater's one command: demo, test, and every other act of the service."""

import os
import sys

if sys.version_info < (3, 11):  # noqa: UP036 - said here, before what an older one cannot read
    sys.exit("Slackwater needs Python 3.11 or newer; this is " + sys.version.split()[0] + ".")

from config import ground


def main() -> int:
    ground.stand_on_requirements(sys.argv[1:])
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    if sys.argv[1:2] == ["test"]:
        return ground.run_tests(sys.argv[2:])
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)
    return 0


if __name__ == "__main__":
    sys.exit(main())
