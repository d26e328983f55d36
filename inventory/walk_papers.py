"""The walk on paper: cards in walking order for the pencil, and marks for the trays.

Call from: inventory/card_pages.py.
"""

from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from inventory.errors import FarmError
from inventory.models import Tray
from inventory.printing import QrCode, qr_code, render_pdf
from inventory.walk_rows import TroughRow, walk_rows, walk_troughs
from inventory.walk_words import GROWTH_WORDS, POLYP_WORDS

MARK_COLUMNS = 4
MARK_ROWS = 5


class NothingToPrint(FarmError):
    code = "nothing_to_print"
    status = 404
    title = "There is nothing to print"
    message = "No trough stands under {what}. Choose another system, or all of them."


@dataclass(frozen=True, slots=True)
class CardSystem:
    """One system of a walk card, with its troughs in walking order."""

    code: str
    name: str
    troughs: list[TroughRow]


@dataclass(frozen=True, slots=True)
class Mark:
    """A tray's mark: its code in letters, and as a QR code that opens the walk at the tray."""

    code: str
    qr: QrCode
    address: str


def card_systems(*, now: datetime, system: str = "") -> list[CardSystem]:
    """The house in walking order, system by system. Raises NothingToPrint."""
    rows = [row for row in walk_rows(now=now) if system in ("", row.system)]
    if not rows:
        raise NothingToPrint(what=f"system {system}")
    return [
        CardSystem(code, found[0].system_name, found)
        for code, group in groupby(rows, key=lambda row: row.system)
        if (found := list(group))
    ]


def walk_cards_pdf(*, now: datetime, system: str = "") -> bytes:
    """Walk cards: every trough and tray in walking order, lines of 9 mm for a pencil."""
    context = {
        "systems": card_systems(now=now, system=system),
        "day_words": f"{timezone.localtime(now):%a %-d %b %Y}",
        "polyp_words": POLYP_WORDS,
        "growth_words": GROWTH_WORDS,
        "printed_words": f"{timezone.localtime(now):%H:%M}",
    }
    html = render_to_string("inventory/walk_cards_paper.html", context)
    return render_pdf(html, "paper.css", "walk_cards.css")


def tray_marks(*, base: str, system: str = "") -> list[Mark]:
    """The mark of every tray in walking order. ``base`` is the address phones reach the farm by.

    Raises NothingToPrint.
    """
    order = {row.pk: place for place, row in enumerate(walk_troughs())}
    trays = Tray.objects.select_related("trough__system")
    if system:
        trays = trays.filter(trough__system__code=system)
    codes = [
        tray.code
        for tray in sorted(trays, key=lambda row: (order[row.trough_id], row.slot, row.code))
    ]
    if not codes:
        raise NothingToPrint(what=f"system {system}" if system else "the farm")
    addresses = {code: f"{base.rstrip('/')}{reverse('tray-mark', args=[code])}" for code in codes}
    return [Mark(code, qr_code(text=addresses[code]), addresses[code]) for code in codes]


def tray_marks_pdf(*, base: str, system: str = "") -> bytes:
    """Sheets of tray marks to cut out and seal against the wet."""
    marks = tray_marks(base=base, system=system)
    rows = [marks[at : at + MARK_COLUMNS] for at in range(0, len(marks), MARK_COLUMNS)]
    pages = [rows[at : at + MARK_ROWS] for at in range(0, len(rows), MARK_ROWS)]
    html = render_to_string("inventory/tray_marks_paper.html", {"pages": pages, "base": base})
    return render_pdf(html, "paper.css", "tray_marks.css")
