"""The curve of a box along its way, as SVG in the page's own inks: the same on screen and paper."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

LETTER, ROW = 7.2, 15


@dataclass(frozen=True, slots=True)
class Paper:
    """A drawing's size and where its plot lies in it. [px]"""

    name: str
    width: int
    height: int
    left: int
    right: int
    top: int = 16


# On a phone the words of a line stand over its end, since there is no room beside it.
DESK = Paper("wide", width=900, height=250, left=46, right=130)
PHONE = Paper("narrow", width=360, height=230, left=46, right=6)


def heat_picture(*, box: Mapping[str, Any], limits: Mapping[str, float]) -> SafeString:
    """Water temperature against hours, with legs below and the box's lines across. [deg C, h]

    Drawn for a desk and for a phone; sheet.css shows one. Empty where a plan has no curve, as one
    kept from before curves were stored.
    """
    curve = box.get("curve")
    if not curve:
        return SafeString("")
    return format_html("{}{}", *(_drawing(paper, box, curve, limits) for paper in (PHONE, DESK)))


def _drawing(
    paper: Paper, box: Mapping[str, Any], curve: Mapping[str, Any], limits: Mapping[str, float]
) -> SafeString:
    scale = _Scale(paper, curve, limits)
    names = _leg_names(curve, scale)
    depth = max((name.row for name in names), default=0) + 1
    return format_html(
        '<svg class="drawn-{}" viewBox="0 0 {} {}" role="img" aria-label="{}" font-size="13">'
        "{}{}{}{}{}{}</svg>",
        paper.name,
        paper.width,
        paper.height + depth * ROW + 4,
        _spoken(box, curve),
        _legs(names, scale),
        _limit_lines(limits, scale),
        _band(curve, scale),
        _lines(curve, limits, scale),
        _limit_words(limits, scale),
        _frame(scale),
    )


class _Scale:
    """Hours and degrees as points of the drawing."""

    def __init__(self, paper: Paper, curve: Mapping[str, Any], limits: Mapping[str, float]) -> None:
        values = [*curve["base"], *curve["cold"], *curve["hot"], *curve["late"]]
        values += [limits[name] for name in ("caution_low_c", "caution_high_c") if name in limits]
        self.paper = paper
        self.low_c = min(values) - 1
        self.high_c = max(values) + 1
        self.hours = max(len(curve["late"]), len(curve["base"])) * curve["step_h"]
        self.end = paper.width - paper.right
        self.floor = paper.height

    def x(self, hour: float) -> float:
        return round(self.paper.left + (self.end - self.paper.left) * hour / self.hours, 1)

    def y(self, temp_c: float) -> float:
        share = (temp_c - self.low_c) / (self.high_c - self.low_c)
        return round(self.floor - (self.floor - self.paper.top) * share, 1)

    def beside(self, x: float, y: float) -> tuple[str, float, float]:
        """Where words about a line that ends at x, y stand: anchor, x, y."""
        if self.paper.right > LETTER * 10:
            return "start", x + 6, y + 4
        return "end", min(x, self.end) - 2, y - 5


def _spoken(box: Mapping[str, Any], curve: Mapping[str, Any]) -> str:
    low, high = box["base"]
    return f"Between {low} and {high} degrees as forecast, over {curve['legs'][-1][2]:.1f} hours."


def _points(values: Sequence[float], step_h: float, scale: _Scale) -> str:
    return " ".join(
        f"{scale.x(index * step_h)},{scale.y(value)}" for index, value in enumerate(values)
    )


def _lines(curve: Mapping[str, Any], limits: Mapping[str, float], scale: _Scale) -> SafeString:
    step_h = curve["step_h"]
    base, late = curve["base"], curve["late"]
    said = format_html_join(
        "",
        '<text x="{}" y="{}" text-anchor="{}" fill="currentColor">{}</text>',
        (
            (*_over_line(curve["hot"], step_h, scale), "start", "as forecast"),
            (*_clear_place(curve, limits, scale), "start", "a day late"),
        ),
    )
    return format_html(
        '<polyline points="{}" fill="none" stroke="currentColor" stroke-width="1" '
        'stroke-dasharray="5 4"/><polyline points="{}" fill="none" style="stroke:var(--deep-water)"'
        ' stroke-width="2.5"/>{}',
        _points(late, step_h, scale),
        _points(base, step_h, scale),
        said,
    )


def _over_line(values: Sequence[float], step_h: float, scale: _Scale) -> tuple[float, float]:
    """Where words stand over the beginning of a line without touching it: x, y."""
    under = [
        scale.y(value)
        for index, value in enumerate(values)
        if scale.x(index * step_h) < scale.paper.left + 12 * LETTER
    ]
    return scale.paper.left + 6, min(under) - 8


def _clear_place(
    curve: Mapping[str, Any], limits: Mapping[str, float], scale: _Scale
) -> tuple[float, float]:
    """Where, over or under the late line, its words are farthest from the lines across: x, y."""
    late, step_h = curve["late"], curve["step_h"]
    points = [(scale.x(index * step_h), scale.y(value)) for index, value in enumerate(late)]
    begin = scale.x(len(curve["base"]) * step_h)
    lines = [scale.y(value) for value in limits.values()] + [scale.floor, scale.y(late[0])]
    # On a phone the words of a line across stand on it.
    lines += [y - 10 for y in lines] if scale.paper is PHONE else []
    found = []
    for x, _ in points:
        span = [y for at, y in points if x - 6 <= at <= x + 10 * LETTER]
        if begin <= x < scale.end - 10 * LETTER:
            found += [(x, min(span) - 11), (x, max(span) + 13)]
    best = max(found, key=lambda place: min(abs(place[1] - y) for y in lines), default=None)
    return (best[0], best[1] + 5) if best else (scale.end - 10 * LETTER, scale.paper.top)


def _band(curve: Mapping[str, Any], scale: _Scale) -> SafeString:
    step_h = curve["step_h"]
    there = _points(curve["hot"], step_h, scale)
    back = " ".join(reversed(_points(curve["cold"], step_h, scale).split()))
    return format_html('<polygon points="{} {}" fill="currentColor" opacity="0.12"/>', there, back)


def _limits(limits: Mapping[str, float], scale: _Scale) -> list[tuple[float, str, float]]:
    """The limits that lie in the drawing: y, word, degrees."""
    named = (
        ("caution_low_c", "caution"),
        ("caution_high_c", "caution"),
        ("stop_low_c", "stop"),
        ("stop_high_c", "stop"),
    )
    return [
        (scale.y(limits[key]), word, limits[key])
        for key, word in named
        if key in limits and scale.low_c <= limits[key] <= scale.high_c
    ]


def _limit_lines(limits: Mapping[str, float], scale: _Scale) -> SafeString:
    return format_html_join(
        "",
        '<line x1="{0}" x2="{1}" y1="{2}" y2="{2}" style="stroke:var(--rust)" stroke-width="1"/>',
        ((scale.paper.left, scale.end, y) for y, _, _ in _limits(limits, scale)),
    )


def _limit_words(limits: Mapping[str, float], scale: _Scale) -> SafeString:
    """Drawn last: on a phone they stand within the plot, and no curve may run through a limit."""
    return format_html_join(
        "",
        '<text text-anchor="{}" x="{}" y="{}" style="fill:var(--rust)">{} {}</text>',
        ((*scale.beside(scale.end, y), word, value) for y, word, value in _limits(limits, scale)),
    )


@dataclass(frozen=True, slots=True)
class _LegName:
    """The name of a leg, hung below its beginning. ``row`` 0 is the one next to the plot."""

    words: str
    x: float
    row: int


def _leg_names(curve: Mapping[str, Any], scale: _Scale) -> list[_LegName]:
    """Each name hangs from its leg's beginning, on the first row where no later one's line runs
    through it."""
    hung: list[_LegName] = []
    for name, start, _ in reversed(curve["legs"]):
        x, words = scale.x(start), _short(name)
        end = x + len(words) * LETTER + 8
        row = max((later.row + 1 for later in hung if later.x < end), default=0)
        hung.append(_LegName(words, x, row))
    return hung


def _legs(names: Sequence[_LegName], scale: _Scale) -> SafeString:
    return format_html_join(
        "",
        '<line x1="{0}" x2="{0}" y1="{1}" y2="{2}" stroke="currentColor" opacity="0.35"/>'
        '<text x="{3}" y="{2}" fill="currentColor">{4}</text>',
        (
            (name.x, scale.paper.top, scale.floor + (name.row + 1) * ROW, name.x + 4, name.words)
            for name in names
        ),
    )


def _short(name: str) -> str:
    return name.split(" and ")[0].split(",")[0][:16]


def _frame(scale: _Scale) -> SafeString:
    step = 2 if scale.high_c - scale.low_c > 8 else 1
    ticks = range(int(scale.low_c) + 1, int(scale.high_c) + 1, step)
    left = scale.paper.left
    return format_html(
        '<line x1="{0}" x2="{1}" y1="{2}" y2="{2}" stroke="currentColor"/>{3}',
        left,
        scale.end,
        scale.floor,
        format_html_join(
            "",
            '<text x="{}" y="{}" text-anchor="end" fill="currentColor">{} °C</text>',
            ((left - 6, scale.y(tick) + 4, tick) for tick in ticks),
        ),
    )
