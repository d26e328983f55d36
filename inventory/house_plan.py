"""The house as a plan: systems, troughs and trays, each tray with what stands in it.

Call from: inventory/house_pages.py.
"""

from dataclasses import dataclass, field
from datetime import date

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from inventory.models import Trough, WaterSystem
from inventory.standing import StrainStock, TrayStock

CELL, GAP, LABEL = 12, 1, 0

# The words of the plan, in the order in which they are summed below each system.
STATES = ("ready", "growing", "kept", "held")


@dataclass(slots=True)
class PlanTray:
    slot: int
    code: str
    state: str
    words: str


@dataclass(slots=True)
class PlanTrough:
    code: str
    kind: str
    slots: int
    trays: list[PlanTray] = field(default_factory=list)

    @property
    def picture(self) -> SafeString:
        return _trough_svg(self)

    @property
    def sums(self) -> str:
        counts = [(state, sum(tray.state == state for tray in self.trays)) for state in STATES]
        return ", ".join(f"{count} {state}" for state, count in counts if count) or "empty"


@dataclass(slots=True)
class PlanSystem:
    code: str
    name: str
    is_quarantine: bool
    hold: str
    troughs: list[PlanTrough] = field(default_factory=list)
    pieces: dict[str, int] = field(default_factory=dict)


def house_plan(*, stocks: list[StrainStock], monday: date) -> list[PlanSystem]:
    """Every system with its troughs and trays, in walk order. Trays held in that week say so."""
    systems = {
        row.code: PlanSystem(row.code, row.name, row.is_quarantine, "")
        for row in WaterSystem.objects.order_by("code")
    }
    troughs: dict[str, PlanTrough] = {}
    for row in Trough.objects.select_related("system"):
        trough = troughs[row.code] = PlanTrough(row.code, row.kind, row.slots)
        systems[row.system.code].troughs.append(trough)
    for stock in stocks:
        for tray in stock.trays:
            system = systems[tray.system]
            state = _state(tray, monday)
            system.pieces[state] = system.pieces.get(state, 0) + tray.pieces
            if tray.is_held_in(monday) and tray.hold:
                system.hold = tray.hold
            troughs[tray.tray.split(".")[0]].trays.append(
                PlanTray(tray.slot, tray.tray, state, _words(tray, stock, state))
            )
    return [row for row in systems.values() if row.troughs]


def _state(tray: TrayStock, monday: date) -> str:
    return "held" if tray.is_held_in(monday) else tray.state


def _words(tray: TrayStock, stock: StrainStock, state: str) -> str:
    return f"{tray.tray}: {tray.pieces} {stock.key}, {state}"


def _trough_svg(trough: PlanTrough) -> SafeString:
    """One trough in two rows of slots, front on the left, each tray as its own mark.

    Marks differ in shape as well as in ink: full, dotted, framed and crossed.
    """
    across = (trough.slots + 1) // 2
    width, height = across * CELL, 2 * CELL
    marks = [_mark(tray) for tray in sorted(trough.trays, key=lambda tray: tray.slot)]
    return format_html(
        '<svg class="plan" viewBox="0 0 {} {}" role="img" aria-label="{}">'
        '<rect class="plan-edge" width="{}" height="{}"/>{}</svg>',
        width,
        height,
        f"Trough {trough.code}: {trough.sums}",
        width,
        height,
        format_html_join("", "{}", ((mark,) for mark in marks)),
    )


def _mark(tray: PlanTray) -> SafeString:
    x, y = ((tray.slot + 1) // 2 - 1) * CELL + GAP, ((tray.slot + 1) % 2) * CELL + GAP
    size = CELL - 2 * GAP
    return format_html(
        '<g class="plan-tray plan-{}" transform="translate({},{})"><title>{}</title>'
        '<rect width="{}" height="{}"/>{}</g>',
        tray.state,
        x,
        y,
        tray.words,
        size,
        size,
        _inside(tray.state, size),
    )


def _inside(state: str, size: int) -> SafeString:
    if state == "growing":
        return format_html('<circle cx="{}" cy="{}" r="1.8"/>', size / 2, size / 2)
    if state == "kept":
        return format_html(
            '<rect class="plan-inner" x="2.5" y="2.5" width="{}" height="{}"/>', size - 5, size - 5
        )
    if state == "held":
        return format_html('<path d="M1,1 L{0},{0} M1,{0} L{0},1"/>', size - 1)
    return SafeString("")


def sample_mark(state: str) -> SafeString:
    """A tray's mark by itself, for the key under the plan."""
    tray = PlanTray(slot=1, code="", state=state, words=state)
    return format_html(
        '<svg class="plan plan-key" viewBox="0 0 {0} {0}" role="img" aria-label="{1}">{2}</svg>',
        CELL,
        state,
        _mark(tray),
    )
