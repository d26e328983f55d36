"""Load the farm's own CSV, after a dry run that names every row to mend."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from config.loading import load_farm
from inventory.clock import farm_now
from inventory.csv_reading import FilesRefused


class Command(BaseCommand):
    help = "Load a farm from a folder of CSV files: all of it or nothing."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, help="the folder that holds the CSV files")
        parser.add_argument(
            "--dry-run", action="store_true", help="say what to mend, write nothing"
        )

    def handle(self, *args: Any, folder: Path, dry_run: bool, **options: Any) -> None:
        try:
            reading = load_farm(folder=folder, now=farm_now(), is_dry_run=dry_run)
        except FilesRefused as refusal:
            for problem in refusal.facts["problems"]:
                self.stderr.write(problem)
            raise CommandError(refusal.sentence) from None
        for problem in reading.problems:
            self.stderr.write(str(problem))
        count = len(reading.problems)
        if dry_run and count:
            raise CommandError(f"{count} things to mend; nothing was written.")
        self.stdout.write("Nothing to mend; nothing was written." if dry_run else "Loaded.")
