"""HOP 3 supply: trays, growth, colour, season, holds -> countable pieces by strain-form and week.

Call from: orders/promising.py, orders/listing.py, shipping/picking.py.
Reads nothing: inventory.standing reads in one statement, what follows is arithmetic.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np

from inventory.calc.reserve import gap_pieces
from inventory.calc.season import is_open, pack_groups
from inventory.calc.survival import lot_countables
from inventory.setting_book import SettingBook
from inventory.standing import StrainStock, TrayStock

FOR_SALE = ("ready", "growing")
COUNT_RULES = ("decay_per_day", "decay_cap", "sample_cut", "growing_share")


@dataclass(frozen=True, slots=True)
class Term:
    """One addend of a supply figure, in single pieces; packs where the form is sold in packs."""

    why: str
    pieces: int
    tray: str = ""
    packs: int | None = None
    words: str = ""


@dataclass(frozen=True, slots=True)
class Supply:
    """What one strain-form can give in one week, before anything is promised. [pieces]"""

    stock: StrainStock
    monday: date
    pieces: int
    gross_pieces: int
    gap_pieces: int
    held_pieces: int
    later_pieces: int
    care_pieces: int
    pale_pieces: int
    terms: tuple[Term, ...]
    is_old_count: bool
    is_if_lifted: bool

    @property
    def units(self) -> int:
        return self.pieces // self.stock.unit


def supply_of_all(
    *,
    stocks: Sequence[StrainStock],
    monday: date,
    first_ship_on: date,
    is_on_sale: bool,
    on: date,
    book: SettingBook,
) -> dict[int, Supply]:
    """Supply of every strain-form in one week, by strain-form id.

    ``is_on_sale`` says that this is the week being published: a cohort whose sample is too poor is
    then closed whatever its dates say. ``on`` is the day against which a count is old.
    """
    kept: dict[int, list[TrayStock]] = {}
    for stock in stocks:
        kept.setdefault(stock.strain_id, []).extend(
            row for row in stock.trays if row.state == "kept"
        )
    countables = tray_countables(stocks=stocks, ship_on=first_ship_on, book=book)
    return {
        stock.strain_form_id: _supply_of(
            stock, kept[stock.strain_id], monday, countables, is_on_sale, on, book
        )
        for stock in stocks
    }


def reserve_gap(*, floor_pieces: int, kept: Iterable[TrayStock], monday: date) -> int:
    """Mother pieces missing below the floor: held ones count half, under a confirmed hold none."""
    credit = {"clean": 0, "suspected": 0, "confirmed": 0}
    for row in kept:
        grade = row.hold_grade if row.is_held_in(monday) else "clean"
        credit[grade or "clean"] += row.pieces
    return int(
        gap_pieces(
            floor_pieces=floor_pieces,
            kept_clean_pieces=credit["clean"],
            kept_suspected_pieces=credit["suspected"],
            kept_confirmed_pieces=credit["confirmed"],
        )
    )


def tray_countable(*, row: TrayStock, stock: StrainStock, ship_on: date, book: SettingBook) -> int:
    """Pieces of a tray that can be counted on for a ship day, whatever stops their sale."""
    return _countables([(row, stock)], ship_on, book)[0]


def tray_countables(
    *, stocks: Sequence[StrainStock], ship_on: date, book: SettingBook
) -> dict[int, int]:
    """The same for every tray for sale or growing, all at once, by tray id. [pieces]"""
    rows = [(row, stock) for stock in stocks for row in stock.trays if row.state in FOR_SALE]
    pieces = _countables(rows, ship_on, book)
    return {row.tray_id: number for (row, _), number in zip(rows, pieces, strict=True)}


def _countables(
    rows: Sequence[tuple[TrayStock, StrainStock]], ship_on: date, book: SettingBook
) -> list[int]:
    rules: dict[str, tuple[float, ...]] = {}
    for _, stock in rows:
        if stock.strain not in rules:
            whose = {"strain": stock.strain, "strain_class": stock.strain_class}
            rules[stock.strain] = tuple(book.number(name, **whose) for name in COUNT_RULES)
    if not rows:
        return []
    decay, cap, sample_cut, share = np.array([rules[stock.strain] for _, stock in rows]).T
    found = lot_countables(
        pieces=[row.pieces for row, _ in rows],
        days_since_count=[max(0, (ship_on - row.counted_on).days) for row, _ in rows],
        decay_per_day=decay,
        is_sample=[row.is_sample for row, _ in rows],
        is_growing=[row.state == "growing" for row, _ in rows],
        heal_share=[
            stock.heal_share if row.state == "growing" and row.cohort else 1.0
            for row, stock in rows
        ],
        growing_share=share,
        decay_cap=cap,
        sample_cut=sample_cut,
    )
    return [int(number) for number in found]


def _supply_of(
    stock: StrainStock,
    kept: list[TrayStock],
    monday: date,
    countables: Mapping[int, int],
    is_on_sale: bool,
    on: date,
    book: SettingBook,
) -> Supply:
    sellable = [row for row in stock.trays if row.state in FOR_SALE]
    counted = [
        (
            row,
            _why(row, stock, monday, is_on_sale, on, book),
            countables[row.tray_id],
        )
        for row in sellable
    ]
    packs = _packs_by_tray(counted, stock, book)
    terms = [_tray_term(row, why, pieces, packs, monday) for row, why, pieces in counted]
    counting = [(row, pieces) for row, why, pieces in counted if why in COUNTING]
    gross = (
        sum(packs.values()) * stock.unit
        if stock.unit > 1
        else sum(pieces for _, pieces in counting)
    )
    gap = reserve_gap(floor_pieces=stock.floor_pieces, kept=kept, monday=monday)
    kept_back = min(gap, gross)
    if gap and sellable:
        terms.append(_reserve_term(stock, kept, monday, gap, kept_back))
    old_days = book.whole("old_count_days")
    return Supply(
        stock=stock,
        monday=monday,
        pieces=gross - kept_back,
        gross_pieces=gross,
        gap_pieces=gap,
        held_pieces=sum(pieces for _, why, pieces in counted if why == "held"),
        later_pieces=sum(pieces for _, why, pieces in counted if why == "later"),
        care_pieces=sum(pieces for _, why, pieces in counted if why in ("quarantine", "overdue")),
        pale_pieces=sum(pieces for _, why, pieces in counted if why == "pale"),
        terms=tuple(terms),
        is_old_count=any(
            (on - row.counted_on).days > old_days for row, pieces in counting if pieces
        ),
        is_if_lifted=any(row.returns_in(monday) for row, pieces in counting if pieces),
    )


COUNTING = ("ready", "growing")


def _why(
    row: TrayStock,
    stock: StrainStock,
    monday: date,
    is_on_sale: bool,
    on: date,
    book: SettingBook,
) -> str:
    """The one word that says whether a tray counts in that week, and if not, why not."""
    if row.is_held_in(monday):
        return "held"
    if stop := row.care_stop(on):
        return stop
    if stock.is_pale(row):
        return "pale"
    if row.state == "ready":
        return "ready"
    if is_on_sale and row.cohort and not _has_opened(row, stock, book):
        return "closed"
    if row.p80_on is None or row.p80_on > monday:
        return "later"
    return "growing"


def _has_opened(row: TrayStock, stock: StrainStock, book: SettingBook) -> bool:
    if row.sampled is None or row.rooted is None:
        return False
    whose = {"strain": stock.strain, "strain_class": stock.strain_class}
    return is_open(
        rooted_pieces=row.rooted,
        sampled_pieces=row.sampled,
        least_sample_pieces=book.whole("open_sample", **whose),
        open_root_share=book.number("open_root_share", **whose),
    )


def _packs_by_tray(
    counted: list[tuple[TrayStock, str, int]], stock: StrainStock, book: SettingBook
) -> dict[str, int]:
    """Packs credited to each tray: a group of cohorts rooted close together is packed as one."""
    if stock.unit == 1:
        return {}
    counting = [(row, pieces) for row, why, pieces in counted if why in COUNTING]
    dated = sorted(counting, key=lambda pair: (pair[0].rooted_on or date.min, pair[0].tray))
    groups = pack_groups(
        rooted_on=[row.rooted_on or date.min for row, _ in dated],
        window_days=book.whole("pack_window_days"),
    )
    packs: dict[str, int] = {}
    for group in groups:
        running = [0]
        for index in group:
            running.append(running[-1] + dated[index][1])
        for index, (before, after) in zip(group, pairwise(running), strict=True):
            packs[dated[index][0].tray] = after // stock.unit - before // stock.unit
    return packs


def _tray_term(row: TrayStock, why: str, pieces: int, packs: dict[str, int], monday: date) -> Term:
    counts = why in COUNTING
    words = _WORDS[why](row)
    if counts and row.returns_in(monday):
        words += "; if the hold lifts"
    return Term(
        why=why,
        pieces=pieces if counts else 0,
        tray=row.tray,
        packs=packs.get(row.tray) if packs else None,
        words=words,
    )


def _sample_words(row: TrayStock) -> str:
    if row.sampled is None:
        return f"no sample of {row.cohort} looked at yet"
    return f"{row.rooted} of {row.sampled} rooted in the newest sample of {row.cohort}"


# Only the one that is said is made: a plan reckons a year of weeks, tray by tray.
_WORDS: dict[str, Callable[[TrayStock], str]] = {
    "ready": lambda row: f"counted {row.pieces} on {row.counted_on:%-d %b}",
    "growing": lambda row: f"counted {row.pieces}, ready by {_day(row.p80_on)} in 8 of 10 cases",
    "held": lambda row: f"on hold since {_day(row.held_since)}: {row.hold_reason}",
    "later": lambda row: f"ready about {_day(row.p50_on)}, by {_day(row.p80_on)} in 8 of 10 cases",
    "closed": _sample_words,
    "quarantine": lambda row: "stands in quarantine; nothing is sold from there",
    "pale": lambda row: f"out of colour in system {row.system} since {_day(row.rested_on)}",
    "overdue": lambda row: f"its dip was due on {_day(row.dip_due_on)}; dip it and it counts again",
}


def _reserve_term(
    stock: StrainStock, kept: list[TrayStock], monday: date, gap: int, kept_back: int
) -> Term:
    clean = sum(row.pieces for row in kept if not row.is_held_in(monday))
    held = sum(row.pieces for row in kept if row.is_held_in(monday))
    words = f"floor {stock.floor_pieces}: {clean} kept"
    if held:
        words += f" and {held} kept on hold"
    return Term(why="reserve", pieces=-kept_back, words=f"{words} leaves {gap} to keep back")


def _day(on: date | None) -> str:
    return f"{on:%-d %b}" if on else "a day not known"
