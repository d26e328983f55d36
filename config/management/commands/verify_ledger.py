"""Prove that ledger, balances and roll-up say the same."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from inventory.clock import farm_today
from inventory.ledger import verify_ledger
from inventory.models import Movement
from inventory.setting_book import SettingBook
from orders.models import ShipWeek
from orders.promising import oversold_strain_forms


def _oversold() -> list[str]:
    """Open weeks with more promised than stands, the last fence behind lock and guard."""
    on = farm_today()
    book = SettingBook.read(on=on)
    open_weeks = ShipWeek.objects.filter(published_at__isnull=False, last_ship_on__gte=on)
    return [
        f"{week.name}: {sentence}"
        for week in open_weeks
        for sentence in oversold_strain_forms(week=week, on=on, book=book)
    ]


class Command(BaseCommand):
    help = "Prove that the ledger, the tray balances and the roll-up say the same."

    def handle(self, *args: Any, **options: Any) -> None:
        differences = verify_ledger()
        for sentence in _oversold():
            # No fault of the ledger: pieces died or were held after they were promised.
            self.stdout.write(f"To settle: {sentence}")
        for sentence in differences:
            self.stderr.write(sentence)
        if differences:
            raise CommandError(f"{len(differences)} differences; rebuild_balances mends the sums.")
        count = Movement.objects.count()
        self.stdout.write(f"{count} movements, balances and roll-up agree.")
