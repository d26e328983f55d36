"""Prove that ledger, balances and roll-up say the same."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from inventory.ledger import verify_ledger
from inventory.models import Movement


class Command(BaseCommand):
    help = "Prove that the ledger, the tray balances and the roll-up say the same."

    def handle(self, *args: Any, **options: Any) -> None:
        differences = verify_ledger()
        for sentence in differences:
            self.stderr.write(sentence)
        if differences:
            raise CommandError(f"{len(differences)} differences; rebuild_balances mends the sums.")
        count = Movement.objects.count()
        self.stdout.write(f"{count} movements, balances and roll-up agree.")
