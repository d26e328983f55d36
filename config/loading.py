"""Load a whole farm from a folder of CSV: all of it or nothing, with every row to mend named."""

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction

from inventory.csv_reading import Reading
from inventory.loading import load_inventory
from orders.loading import load_orders
from shipping.loading import load_shipping


@transaction.atomic
def load_farm(*, folder: Path, now: datetime, is_dry_run: bool = False) -> Reading:
    """Read every file; write it all, or nothing. Raises FilesRefused with every row to mend."""
    reading = Reading(folder=folder, zone=ZoneInfo(settings.FARM_TIME_ZONE), now=now)
    load_inventory(reading)
    load_orders(reading)
    load_shipping(reading)
    if is_dry_run:
        transaction.set_rollback(True)
    else:
        reading.raise_problems()
    return reading
