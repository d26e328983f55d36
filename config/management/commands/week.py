"""Print the whole record of a ship week."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from config.week_record import week_record
from inventory.clock import farm_now
from inventory.errors import Unknown
from orders.weeks import week_named


class Command(BaseCommand):
    help = "Print the whole record of a ship week such as 2026-W49."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="an ISO week such as 2026-W49")
        parser.add_argument("--json", action="store_true", help="the record as JSON")

    def handle(self, *args: Any, name: str, json: bool, **options: Any) -> None:
        try:
            week = week_named(name=name)
        except Unknown as refusal:
            raise CommandError(refusal.sentence) from None
        record = week_record(week=week, now=farm_now())
        if json:
            self.stdout.write(_text(record))
            return
        for part, rows in record.items():
            count = rows if isinstance(rows, str) else f"{len(rows)} rows"
            self.stdout.write(f"{part}: {count}")


def _text(record: dict[str, Any]) -> str:
    return json.dumps(record, ensure_ascii=False, indent=1)
