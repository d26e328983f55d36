"""Write tray balances and roll-up again from the ledger."""

from typing import Any

from django.core.management.base import BaseCommand

from inventory.ledger import rebuild_balances


class Command(BaseCommand):
    help = "Write the tray balances and the roll-up again from the ledger."

    def handle(self, *args: Any, **options: Any) -> None:
        balances, totals = rebuild_balances()
        self.stdout.write(f"{balances} balances and {totals} roll-up rows were mended.")
