"""The living side as plain values: lots, colour and reserve, as walk and plans use them.

Call from: management command `growing`.
Reads only. Pieces are single pieces; a week is named as in ISO 8601.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from inventory.colour_looks import grader_rows
from inventory.models import ColourInSystem, ColourState, Strain
from inventory.mothers import mothers_of_all
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock, read_stock
from inventory.supply import COUNTING, supply_of_all, tray_countable


@dataclass(frozen=True, slots=True)
class Week:
    """The days of a ship week that the living side is reckoned by."""

    name: str
    monday: date
    first_ship_on: date


def growing_record(*, weeks: Sequence[Week], on: date, book: SettingBook) -> dict[str, Any]:
    """Lots by tray, colour and reserve by strain, for the ship weeks given, the soonest first."""
    stocks = read_stock()
    countable: dict[str, dict[str, int]] = {}
    sellable: dict[str, dict[str, int]] = {}
    for index, week in enumerate(weeks):
        supplies = supply_of_all(
            stocks=stocks,
            monday=week.monday,
            first_ship_on=week.first_ship_on,
            is_on_sale=index == 0,
            on=on,
            book=book,
        )
        for stock in stocks:
            supply = supplies[stock.strain_form_id]
            whys = {term.tray: term for term in supply.terms if term.tray}
            left = {} if stock.is_resting else _above_the_gap(stock, whys, supply.gap_pieces)
            for row in stock.trays:
                why = whys[row.tray].why if row.tray in whys else ""
                pieces = _countable(row, stock, week, why, book)
                countable.setdefault(row.tray, {})[week.name] = pieces
                sellable.setdefault(row.tray, {})[week.name] = left.get(row.tray, 0)
    lots = {
        row.tray: _lot(row, stock, countable[row.tray], sellable[row.tray])
        for stock in stocks
        for row in stock.trays
    }
    monday = weeks[0].monday if weeks else on
    graders = {
        row.code: {"double_looks": row.looks, "offset": round(row.offset, 4)}
        for row in grader_rows(on=on, book=book)
    }
    return {
        "on": on.isoformat(),
        "lots": dict(sorted(lots.items(), key=lambda item: _tray_order(item[0]))),
        "colour": _colour(),
        "reserve": {
            row.strain: {
                "floor": row.floor_pieces,
                "kept": row.kept_pieces,
                "gap": row.gap_pieces,
                "warnings": [*row.warnings, *([row.proposal] if row.proposal else [])],
            }
            for row in mothers_of_all(stocks=stocks, monday=monday, book=book)
        },
        **({"graders": graders} if graders else {}),
    }


def _tray_order(code: str) -> tuple[str, int]:
    trough, _, slot = code.partition(".")
    return trough, int(slot) if slot.isdigit() else 0


def _countable(row: TrayStock, stock: StrainStock, week: Week, why: str, book: SettingBook) -> int:
    """Pieces that count in a week, before hold, colour, care and gap take theirs."""
    if row.state not in ("ready", "growing") or why == "closed":
        return 0
    is_in = row.state == "ready" or (row.p80_on is not None and row.p80_on <= week.monday)
    if not is_in:
        return 0
    return tray_countable(row=row, stock=stock, ship_on=week.first_ship_on, book=book)


def _above_the_gap(stock: StrainStock, terms: dict[str, Any], gap: int) -> dict[str, int]:
    """Pieces each tray can give; what is kept back stays in the youngest trays."""
    counting = [
        (row, terms[row.tray].pieces)
        for row in stock.trays
        if row.tray in terms and terms[row.tray].why in COUNTING
    ]
    youngest_first = sorted(
        counting,
        key=lambda pair: (pair[0].cut_on or pair[0].rooted_on or date.min, pair[0].tray),
        reverse=True,
    )
    left = {}
    for row, pieces in youngest_first:
        held_back = min(gap, pieces)
        gap -= held_back
        left[row.tray] = pieces - held_back
    return left


def _lot(
    row: TrayStock, stock: StrainStock, countable: dict[str, int], sellable: dict[str, int]
) -> dict[str, Any]:
    is_forecast = row.state == "growing"
    return {
        "strain": stock.strain,
        "form": stock.form,
        "state": row.state,
        "cut_on": row.cut_on.isoformat() if row.cut_on else None,
        "p50_on": row.p50_on.isoformat() if is_forecast and row.p50_on else None,
        "p80_on": row.p80_on.isoformat() if is_forecast and row.p80_on else None,
        "pieces": row.pieces,
        "countable": countable,
        "sellable": sellable,
    }


def _colour() -> dict[str, Any]:
    states = {row.strain_id: row for row in ColourState.objects.all()}
    apart: dict[int, dict[str, Any]] = {}
    rows = ColourInSystem.objects.select_related("system").order_by("system__code")
    for row in rows:
        apart.setdefault(row.strain_id, {})[row.system.code] = _run_of(row)
    found: dict[str, Any] = {}
    for strain in Strain.objects.exclude(colour=Strain.Colour.NONE).order_by("key"):
        found[strain.key] = _run_of(states.get(strain.pk))
        if strain.pk in apart:
            found[strain.key]["systems"] = apart[strain.pk]
    return found


def _run_of(state: ColourState | ColourInSystem | None) -> dict[str, Any]:
    since = None
    if state is not None:
        since = state.rested_on if state.is_resting else state.returned_on
    return {
        "value": round(state.value, 4) if state else None,
        "state": state.state if state else "in colour",
        "since": since.isoformat() if since else None,
        "back_likely": _day(state.back_likely_on) if state else None,
        "back_from": _day(state.back_from_on) if state else None,
        "back_to": _day(state.back_to_on) if state else None,
    }


def _day(on: date | None) -> str | None:
    return on.isoformat() if on else None
