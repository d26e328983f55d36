"""HOP 1j last looks: the newest word on polyps and growth, by tray, by trough and by strain.

Call from: inventory/walk_rows.py, inventory/season_pages.py, inventory/colour_pages.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

from django.db.models import Q
from django.utils import timezone

from inventory.models import WalkNote
from inventory.walk_words import GROWTH_WORDS, POLYP_WORDS

# Older looks say nothing of today: polyps follow the day's water. Common practice, no source.
LOOK_DAYS = 28


@dataclass(frozen=True, slots=True)
class LastLook:
    """The newest polyps and growth of one strain in one place, each 0 to 3, each with its day."""

    polyp: int | None = None
    polyp_on: date | None = None
    growth: int | None = None
    growth_on: date | None = None

    def words(self, organ: str) -> str:
        """As a page says it: "polyps 2, mostly out; growth 1, slow, on Tue 24 Nov"."""
        parts = []
        if self.polyp is not None and organ:
            parts.append((f"{organ} {self.polyp}, {POLYP_WORDS[self.polyp]}", self.polyp_on))
        if self.growth is not None:
            parts.append((f"growth {self.growth}, {GROWTH_WORDS[self.growth]}", self.growth_on))
        days = [day for _, day in parts]
        if len(set(days)) == 1:
            return f"{'; '.join(words for words, _ in parts)}, on {days[0]:%a %-d %b}"
        return "; ".join(f"{words}, on {day:%a %-d %b}" for words, day in parts)


NONE = LastLook()


@dataclass(frozen=True, slots=True)
class LastLooks:
    """The newest looks by (tray's code, strain's row) and by (trough's code, strain's row)."""

    by_tray: Mapping[tuple[str, int], LastLook]
    by_trough: Mapping[tuple[str, int], LastLook]

    def of_tray(self, code: str, strain_id: int) -> LastLook:
        return self.by_tray.get((code, strain_id), NONE)

    def of_trough(self, code: str, strain_id: int) -> LastLook:
        return self.by_trough.get((code, strain_id), NONE)

    def troughs_of(self, strain_id: int) -> dict[str, LastLook]:
        """Every trough in which the strain was looked at, by code."""
        found = {code: look for (code, pk), look in self.by_trough.items() if pk == strain_id}
        return dict(sorted(found.items()))


def last_looks(*, on: date) -> LastLooks:
    """One statement over the looks of four weeks; what was taken back says nothing."""
    first = timezone.make_aware(datetime.combine(on - timedelta(days=LOOK_DAYS), time.min))
    end = timezone.make_aware(datetime.combine(on + timedelta(days=1), time.min))
    notes = WalkNote.objects.filter(
        Q(polyp__isnull=False) | Q(growth__isnull=False),
        strain__isnull=False,
        looked_at__gte=first,
        looked_at__lt=end,
        undone_by__isnull=True,
    ).order_by("looked_at", "id")
    trays: dict[tuple[str, int], LastLook] = {}
    troughs: dict[tuple[str, int], LastLook] = {}
    rows = notes.values_list(
        "tray__code", "trough__code", "strain_id", "looked_at", "polyp", "growth"
    )
    for tray, trough, strain, at, polyp, growth in rows:
        day = timezone.localdate(at)
        if tray is not None:
            seen = trays.get((tray, strain), NONE)
            trays[tray, strain] = _newer(seen, day, polyp, growth)
        seen = troughs.get((trough, strain), NONE)
        troughs[trough, strain] = _newer(seen, day, polyp, growth)
    return LastLooks(trays, troughs)


def _newer(look: LastLook, day: date, polyp: int | None, growth: int | None) -> LastLook:
    if polyp is not None:
        look = replace(look, polyp=polyp, polyp_on=day)
    if growth is not None:
        look = replace(look, growth=growth, growth_on=day)
    return look
