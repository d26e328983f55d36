"""Print the living side: lots with their dates and pieces, colour, and the mother reserve."""

import json
from datetime import date, timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from inventory.clock import farm_today
from inventory.growing import Week, growing_record
from inventory.setting_book import SettingBook
from orders.models import ShipWeek
from orders.weeks import calendar_of

WEEKS_SHOWN = 3


def weeks_ahead(*, on: date) -> list[Week]:
    """The ship weeks that begin after a farm day, from the calendar; nothing is written."""
    monday = on - timedelta(days=on.weekday()) + timedelta(days=7)
    found = []
    for ahead in range(WEEKS_SHOWN):
        begin = monday + timedelta(weeks=ahead)
        row = ShipWeek.objects.filter(monday=begin).first()
        if row is not None:
            found.append(Week(row.name, begin, row.first_ship_on))
        else:
            calendar = calendar_of(monday=begin)
            found.append(Week(calendar.name, begin, calendar.ship_days[0]))
    return found


class Command(BaseCommand):
    help = "Print lots, colour and reserve as the walk page and the plans use them."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", help="the record as JSON")

    def handle(self, *args: Any, json: bool, **options: Any) -> None:
        on = farm_today()
        record = growing_record(weeks=weeks_ahead(on=on), on=on, book=SettingBook.read(on=on))
        if json:
            self.stdout.write(_text(record))
            return
        for part in ("lots", "colour", "reserve"):
            self.stdout.write(f"{part}: {len(record[part])}")


def _text(record: dict[str, Any]) -> str:
    return json.dumps(record, ensure_ascii=False, indent=1)
