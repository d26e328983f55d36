"""The curve of a box along its way, as SVG in the page's own inks: the same on screen and paper."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

WIDTH, HEIGHT = 900, 300
LEFT, RIGHT, TOP, BOTTOM = 46, 130, 14, 46


def heat_picture(*, box: Mapping[str, Any], limits: Mapping[str, float]) -> SafeString:
    """Water temperature against hours, with legs below and the box's lines across. [deg C, h]

    Empty where a plan has no curve, as one kept from before curves were stored.
    """
    curve = box.get("curve")
    if not curve:
        return format_html("")
    scale = _Scale(curve, limits)
    return format_html(
        '<svg viewBox="0 0 {} {}" role="img" aria-label="{}" font-size="13">{}{}{}{}{}</svg>',
        WIDTH,
        HEIGHT,
        _spoken(box, curve),
        _legs(curve, scale),
        _limits(limits, scale),
        _band(curve, scale),
        _lines(curve, scale),
        _frame(scale),
    )


class _Scale:
    """Hours and degrees as points of the drawing."""

    def __init__(self, curve: Mapping[str, Any], limits: Mapping[str, float]) -> None:
        values = [*curve["base"], *curve["cold"], *curve["hot"], *curve["late"]]
        values += [limits[name] for name in ("caution_low_c", "caution_high_c") if name in limits]
        self.low_c = min(values) - 1
        self.high_c = max(values) + 1
        self.hours = max(len(curve["late"]), len(curve["base"])) * curve["step_h"]

    def x(self, hour: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * hour / self.hours, 1)

    def y(self, temp_c: float) -> float:
        share = (temp_c - self.low_c) / (self.high_c - self.low_c)
        return round(HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * share, 1)


def _spoken(box: Mapping[str, Any], curve: Mapping[str, Any]) -> str:
    low, high = box["base"]
    return f"Between {low} and {high} degrees as forecast, over {curve['legs'][-1][2]:.1f} hours."


def _points(values: Sequence[float], step_h: float, scale: _Scale) -> str:
    return " ".join(
        f"{scale.x(index * step_h)},{scale.y(value)}" for index, value in enumerate(values)
    )


def _lines(curve: Mapping[str, Any], scale: _Scale) -> SafeString:
    step_h = curve["step_h"]
    base, late = curve["base"], curve["late"]
    return format_html(
        '<polyline points="{}" fill="none" stroke="currentColor" stroke-width="1" '
        'stroke-dasharray="5 4"/><polyline points="{}" fill="none" style="stroke:var(--deep-water)"'
        ' stroke-width="2.5"/><text x="{}" y="{}" fill="currentColor">as forecast</text>'
        '<text x="{}" y="{}" fill="currentColor">a day late</text>',
        _points(late, step_h, scale),
        _points(base, step_h, scale),
        scale.x((len(base) - 1) * step_h) + 6,
        scale.y(base[-1]) - 6,
        scale.x((len(late) - 1) * step_h) + 6,
        scale.y(late[-1]) - 6,
    )


def _band(curve: Mapping[str, Any], scale: _Scale) -> SafeString:
    step_h = curve["step_h"]
    there = _points(curve["hot"], step_h, scale)
    back = " ".join(reversed(_points(curve["cold"], step_h, scale).split()))
    return format_html('<polygon points="{} {}" fill="currentColor" opacity="0.12"/>', there, back)


def _limits(limits: Mapping[str, float], scale: _Scale) -> SafeString:
    named = (
        ("caution_low_c", "caution"),
        ("caution_high_c", "caution"),
        ("stop_low_c", "stop"),
        ("stop_high_c", "stop"),
    )
    drawn = [
        (scale.y(limits[key]), words, limits[key])
        for key, words in named
        if key in limits and scale.low_c <= limits[key] <= scale.high_c
    ]
    return format_html_join(
        "",
        '<line x1="{0}" x2="{1}" y1="{2}" y2="{2}" style="stroke:var(--rust)" '
        'stroke-width="1"/><text x="{3}" y="{4}" style="fill:var(--rust)">{5} {6}</text>',
        (
            (LEFT, WIDTH - RIGHT, y, WIDTH - RIGHT + 6, y + 4, words, value)
            for y, words, value in drawn
        ),
    )


def _legs(curve: Mapping[str, Any], scale: _Scale) -> SafeString:
    """Leg boundaries, with numbers where the names would run into each other."""
    return format_html_join(
        "",
        '<line x1="{0}" x2="{0}" y1="{1}" y2="{2}" stroke="currentColor" opacity="0.35"/>'
        '<text x="{3}" y="{4}" fill="currentColor" text-anchor="middle">{5}</text>',
        (
            (
                scale.x(start),
                TOP,
                HEIGHT - BOTTOM,
                scale.x((start + end) / 2),
                HEIGHT - BOTTOM + (15 if index % 2 else 30),
                _short(name),
            )
            for index, (name, start, end) in enumerate(curve["legs"])
        ),
    )


def _short(name: str) -> str:
    return name.split(" and ")[0].split(",")[0][:16]


def _frame(scale: _Scale) -> SafeString:
    step = 2 if scale.high_c - scale.low_c > 8 else 1
    ticks = range(int(scale.low_c) + 1, int(scale.high_c) + 1, step)
    return format_html(
        '<line x1="{0}" x2="{1}" y1="{2}" y2="{2}" stroke="currentColor"/>{3}',
        LEFT,
        WIDTH - RIGHT,
        HEIGHT - BOTTOM,
        format_html_join(
            "",
            '<text x="{}" y="{}" text-anchor="end" fill="currentColor">{} °C</text>',
            ((LEFT - 6, scale.y(tick) + 4, tick) for tick in ticks),
        ),
    )
