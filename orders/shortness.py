"""Which strain-forms are asked for beyond what can be promised, while a list is open.

Call from: config/walk_page.py, config/ticking.py.
"""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Sum
from django.utils import timezone

from inventory.looking_first import PLACES, LookFirst, look_first
from inventory.setting_book import SettingBook
from orders.models import Line, ShipWeek
from orders.promising import can_promise_all


@dataclass(frozen=True, slots=True)
class Shortness:
    """Pieces asked for and not promised yet, against pieces that can still be promised."""

    asked_pieces: int
    left_pieces: int

    @property
    def missing_pieces(self) -> int:
        return self.asked_pieces - self.left_pieces


def open_list_week(*, now: datetime) -> ShipWeek | None:
    """The ship week that the walk works for: the one whose list is out and not yet inked."""
    weeks = ShipWeek.objects.filter(published_at__isnull=False, first_ship_on__gte=now.date())
    return weeks.order_by("monday").first()


def short_strain_forms(*, week: ShipWeek, now: datetime) -> dict[int, Shortness]:
    """Every strain-form of the week of which more is asked than is left. Four statements."""
    lines = Line.objects.filter(
        order__week=week, state=Line.State.OPEN, promise__isnull=True
    ).values("listing__strain_form_id")
    asked = dict(
        lines.annotate(
            pieces=Sum(F("asked") * F("listing__strain_form__form__unit_pieces"))
        ).values_list("listing__strain_form_id", "pieces")
    )
    if not asked:
        return {}
    on = timezone.localdate(now)
    left = can_promise_all(week=week, on=on, is_on_sale=True, book=SettingBook.read(on=on))
    found = {
        pk: Shortness(asked_pieces=pieces, left_pieces=left[pk].pieces)
        for pk, pieces in asked.items()
        if pk in left
    }
    return {pk: row for pk, row in found.items() if row.missing_pieces > 0}


def places_to_look_first(*, now: datetime, most: int = PLACES) -> list[LookFirst]:
    """The six places, or more, with what the orders of the open list ask for."""
    week = open_list_week(now=now)
    if week is None:
        return look_first(now=now, most=most)
    short = short_strain_forms(week=week, now=now)
    return look_first(
        now=now,
        ship_on=week.first_ship_on,
        missing_pieces={pk: row.missing_pieces for pk, row in short.items()},
        most=most,
    )
