"""HOP 1h looking first: the six places where a look matters most today, and why.

Call from: orders/shortness.py, which brings along which strain-forms are short this week.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.utils import timezone

from inventory.calc.colour_next import next_looks
from inventory.colouring import colour_inputs
from inventory.models import Count, Hold, Strain, StrainForm
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock, read_stock
from inventory.supply import tray_countable

PLACES = 6
# What weighs more stands first. Chosen by the farm, no source.
HELD, WAITING, SHORT, TURNING, READY, OLD = 60, 50, 40, 30, 20, 10
READY_WITHIN = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class LookFirst:
    """One place and the sentence that says why it matters. ``gain_pieces`` is what a count adds."""

    place: str
    words: str
    weight: int
    gain_pieces: int = 0


def look_first(
    *,
    now: datetime,
    ship_on: date | None = None,
    missing_pieces: Mapping[int, int] | None = None,
    most: int = PLACES,
) -> list[LookFirst]:
    """The places to look at first, weightiest first, at most one row a place.

    ``missing_pieces`` is how many pieces of a strain-form are asked for beyond what is left;
    ``ship_on`` is the ship day that counts are relied on for, a week from now by default.
    """
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    missing = missing_pieces or {}
    stocks = read_stock()
    ship_day = ship_on or on + timedelta(days=7)
    names = {
        row.pk: f"{row.strain.key} {row.form.key}"
        for row in StrainForm.objects.select_related("strain", "form")
    }
    found = [*_hold_looks(on), *_second_looks(on)]
    for stock in stocks:
        found += _trays(stock, missing.get(stock.strain_form_id, 0), names, on, ship_day, book)
    found += _turning(stocks, on, book)
    best: dict[str, LookFirst] = {}
    for row in sorted(found, key=lambda row: (-row.weight, -row.gain_pieces, row.place)):
        best.setdefault(row.place, row)
    return list(best.values())[:most]


def _hold_looks(on: date) -> list[LookFirst]:
    """Holds whose next clean look counts from today on."""
    rows = []
    for hold in Hold.objects.filter(state__in=Hold.OPEN).prefetch_related("looks"):
        counted = hold.counted_looks()
        unclean = [look.looked_on for look in hold.looks.all() if not look.is_clean]
        last = counted[-1] if counted else max([hold.raised_on, *unclean])
        is_due = last + timedelta(days=hold.days_apart) <= on
        trough = _first_trough(hold)
        if is_due and trough and len(counted) < hold.needs_looks:
            words = (
                f"hold {hold.code} on {hold.scope}: look {len(counted) + 1} of "
                f"{hold.needs_looks} for “{hold.reason}” counts from today"
            )
            rows.append(LookFirst(trough, words, HELD))
    return rows


def _first_trough(hold: Hold) -> str:
    if hold.tray:
        return str(hold.tray.code)
    if hold.trough:
        return str(hold.trough.code)
    if hold.system:
        first = hold.system.troughs.order_by("walk_order").values_list("code", flat=True).first()
        return first or ""
    return ""


def _second_looks(on: date) -> list[LookFirst]:
    waiting = Count.objects.filter(is_waiting=True, undone_by__isnull=True)
    return [
        LookFirst(
            count.tray.code,
            f"{count.pieces} counted by {count.user.name}, {count.pieces_before} before: it waits "
            "for a second look by another person",
            WAITING,
            gain_pieces=count.pieces - count.pieces_before,
        )
        for count in waiting.select_related("tray", "user")
        if timezone.localdate(count.looked_at) <= on
    ]


def _trays(
    stock: StrainStock,
    missing: int,
    names: Mapping[int, str],
    on: date,
    ship_on: date,
    book: SettingBook,
) -> list[LookFirst]:
    """Trays whose count or grade would change what can be promised."""
    old_days = book.whole("old_count_days")
    name = names[stock.strain_form_id]
    short = f"; {missing} more {name} are asked for than are left" if missing else ""
    rows = []
    for row in stock.trays:
        if row.state not in ("ready", "growing") or row.is_held_in(on):
            continue
        if row.state == "growing" and not row.cohort and _is_about_ready(row, on):
            words = f"{row.pieces} {name} ready about {row.p50_on:%-d %b}: grade them{short}"
            rows.append(LookFirst(row.tray, words, SHORT + READY if missing else READY))
            continue
        gain = haircut_pieces(row=row, stock=stock, ship_on=ship_on, book=book)
        is_old = (on - row.counted_on).days > old_days
        if row.state == "ready" and gain > 0 and (is_old or missing):
            words = (
                f"recount {row.tray}: +{gain} likely, {row.pieces} {name} counted on "
                f"{row.counted_on:%-d %b}{short}"
            )
            weight = (SHORT if missing else 0) + (OLD if is_old else 0)
            rows.append(LookFirst(row.tray, words, weight, gain))
    return rows


def _is_about_ready(row: TrayStock, on: date) -> bool:
    return row.p50_on is not None and row.p50_on <= on + READY_WITHIN


def haircut_pieces(*, row: TrayStock, stock: StrainStock, ship_on: date, book: SettingBook) -> int:
    """Pieces that the age of a tray's count takes off what is relied on: what a fresh walk would
    give back if every piece still stands. [pieces]"""
    if row.state != "ready":
        return 0
    return row.pieces - tray_countable(row=row, stock=stock, ship_on=ship_on, book=book)


def _turning(stocks: Sequence[StrainStock], on: date, book: SettingBook) -> list[LookFirst]:
    """Colour strains that one more look could rest or return, at the tray that holds most."""
    trays: dict[int, list[TrayStock]] = {}
    strains = Strain.objects.exclude(colour=Strain.Colour.NONE).in_bulk()
    for stock in stocks:
        if stock.strain_id in strains:
            trays.setdefault(stock.strain_id, []).extend(
                row for row in stock.trays if not row.is_held_in(on)
            )
    given = colour_inputs(strains=list(strains.values()), book=book)
    rows = []
    for strain_id, strain in strains.items():
        looks, words = given[strain_id].of()
        if not looks or not trays.get(strain_id):
            continue
        nexts = next_looks(looks=looks, on=on, rule=given[strain_id].rule, words=words)
        place = max(trays[strain_id], key=lambda row: (row.pieces, row.tray)).tray
        if any(row.step.has_rested for row in nexts):
            rows.append(
                LookFirst(place, f"{strain.key}: one more low look rests the listing", TURNING)
            )
        elif any(row.step.has_returned for row in nexts):
            rows.append(
                LookFirst(place, f"{strain.key}: one good look returns the listing", TURNING)
            )
    return rows
