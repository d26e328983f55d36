"""What tests share beside fixtures."""

from datetime import datetime

from config.playing import zone


def farm_time(text):
    """A farm wall-clock time such as "2026-11-25 14:00" as a moment."""
    return datetime.fromisoformat(text).replace(tzinfo=zone())
