"""Charts as SVG: one drawing for page and paper, in the farm's inks, lines labelled at their ends.

Call from: inventory pages. The specs are Vega-Lite 5; inks.css turns their inks into the theme's.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

from django.utils.safestring import SafeString, mark_safe

from inventory.calc.colour import SeasonCurve, season_grade

# The inks of the paper theme. On a page inks.css gives each its theme's own.
INK, FAINT, RULE, WATER, RUST = "#17211f", "#47504d", "#b9b3a3", "#0a4f4a", "#7d3410"
LOOK: dict[str, Any] = {
    "background": None,
    "font": "DejaVu Sans",
    "view": {"stroke": None},
    "axis": {
        "domainColor": INK,
        "tickColor": INK,
        "gridColor": RULE,
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "titleFontStyle": "italic",
        "labelFlush": False,
    },
    "text": {"color": INK, "fontSize": 13},
}
WIDE, NARROW, HEIGHT, SIZE_HEIGHT = 640, 230, 260, 340


def chart(
    *, layers: Sequence[Mapping[str, Any]], height: int = HEIGHT, narrow: int = NARROW
) -> SafeString:
    """Draw layers over each other. The sentence above the figure says what it shows.

    Drawn twice, for a desk and for a phone, so that words keep their size on both; sheet.css shows
    one. ``narrow`` is the plot's width on a phone, less where names stand beside it. [px]
    """
    drawings = []
    for name, width in (("narrow", narrow), ("wide", WIDE)):
        spec = {
            "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
            "width": width,
            "height": height,
            "config": LOOK,
            "layer": list(layers),
        }
        drawings.append(_svg(json.dumps(spec, sort_keys=True, default=str), name))
    return mark_safe("".join(drawings))


@lru_cache(maxsize=256)
def _svg(spec: str, name: str) -> str:
    # Loaded when the first chart is drawn: it brings a whole engine along.
    import vl_convert

    svg: str = vl_convert.vegalite_to_svg(spec, vl_version="5.20")
    return svg.replace("<svg ", f'<svg class="chart drawn-{name}" ', 1)


def _lines(rows: list[dict[str, Any]], ink: str, **mark: Any) -> dict[str, Any]:
    return {
        "data": {"values": rows},
        "mark": {"type": "line", "color": ink, "strokeWidth": 2, **mark},
        "encoding": _xy(),
    }


def _xy() -> dict[str, Any]:
    return {
        "x": {
            "field": "on",
            "type": "temporal",
            "title": None,
            "axis": {"format": "%b", "tickCount": "month", "grid": False},
        },
        "y": {
            "field": "grade",
            "type": "quantitative",
            "title": "grade, 0 to 4",
            "scale": {"domain": [0, 4]},
            "axis": {"values": [0, 1, 2, 3, 4]},
        },
    }


def _note(on: str, grade: float, words: str, ink: str = INK, **mark: Any) -> dict[str, Any]:
    return {
        "data": {"values": [{"on": on, "grade": grade, "words": words}]},
        "mark": {"type": "text", "align": "left", "dx": 4, "color": ink, **mark},
        "encoding": {**_xy(), "text": {"field": "words"}},
    }


def season_chart(
    *,
    curve: SeasonCurve | None,
    on: date,
    looks: Sequence[tuple[date, float]],
    smoothed: Sequence[tuple[date, float]],
    back: tuple[date, date] | None,
    rest_below: float,
    return_from: float,
) -> SafeString:
    """A colour strain's year: its season curve, the grades looked at, the smoothed grade, today.

    ``back`` is the band of the expected return, shaded.
    """
    begin = min([on - timedelta(days=90), *(day for day, _ in looks)])
    end = max(on + timedelta(days=230), back[1] + timedelta(days=14) if back else on)
    layers: list[dict[str, Any]] = []
    if back:
        layers.append(
            {
                "data": {"values": [{"on": back[0].isoformat(), "until": back[1].isoformat()}]},
                "mark": {"type": "rect", "color": RULE, "opacity": 0.45},
                "encoding": {"x": _xy()["x"], "x2": {"field": "until"}},
            }
        )
    for line, words in ((rest_below, "rests below"), (return_from, "returns from")):
        ends = [{"on": day.isoformat(), "grade": line} for day in (begin, end)]
        layers.append(_lines(ends, FAINT, strokeWidth=1, strokeDash=[4, 3]))
        layers.append(_note(end.isoformat(), line, words, FAINT, baseline="middle"))
    if curve is not None:
        days = [begin + timedelta(days=ahead) for ahead in range(0, (end - begin).days + 1, 5)]
        grades = [(day.isoformat(), round(season_grade(on=day, curve=curve), 3)) for day in days]
        layers.append(_lines([{"on": day, "grade": grade} for day, grade in grades], WATER))
        layers.append(_note(*grades[-1], "season curve", WATER))
    layers += _look_layers(looks, smoothed)
    layers.append(_lines([{"on": on.isoformat(), "grade": y} for y in (0, 0.25)], RUST))
    layers.append(_note(on.isoformat(), 0.12, "today", RUST))
    return chart(layers=layers)


def _look_layers(
    looks: Sequence[tuple[date, float]], smoothed: Sequence[tuple[date, float]]
) -> list[dict[str, Any]]:
    if not looks:
        return []
    points = [{"on": day.isoformat(), "grade": grade} for day, grade in looks]
    steps = [(day.isoformat(), round(value, 3)) for day, value in smoothed]
    return [
        {
            "data": {"values": points},
            "mark": {"type": "point", "color": INK, "size": 40, "shape": "diamond"},
            "encoding": _xy(),
        },
        _lines([{"on": day, "grade": grade} for day, grade in steps], INK, strokeWidth=1.5),
        _note(*steps[-1], "as looked at", INK, dy=-8),
    ]


def ready_chart(*, rows: Sequence[tuple[str, str, int]]) -> SafeString:
    """Pieces by the week in which they are ready in 8 of 10 cases, one row of bars a class.

    ``rows`` are (week, class, pieces).
    """
    values = [{"week": week, "class": name, "pieces": pieces} for week, name, pieces in rows]
    weeks = sorted({week for week, _, _ in rows})
    names = list(dict.fromkeys(name for _, name, _ in rows))
    encoding: dict[str, Any] = {
        "x": {
            "field": "week",
            "type": "ordinal",
            "sort": weeks,
            "title": None,
            "axis": {"labelAngle": -90, "grid": False},
        },
        "y": {
            "field": "class",
            "type": "nominal",
            "sort": names,
            "title": None,
            "axis": {"grid": False, "ticks": False, "domain": False},
        },
    }
    marks = {
        "data": {"values": values},
        "mark": {"type": "square", "color": WATER, "opacity": 1},
        "encoding": {
            **encoding,
            "size": {
                "field": "pieces",
                "type": "quantitative",
                "legend": None,
                "scale": {"range": [20, 500]},
            },
        },
    }
    words = {
        "data": {"values": values},
        "mark": {"type": "text", "dy": 17, "fontSize": 11, "color": INK},
        "encoding": {**encoding, "text": {"field": "pieces"}},
    }
    return chart(layers=[marks, words], height=52 * len(names))


def size_chart(
    *,
    lines: Sequence[tuple[str, Sequence[tuple[date, float, float, float]]]],
    wild: Sequence[tuple[date, float]],
    grades: Sequence[float],
) -> SafeString:
    """The largest shell of each tray through the coming months, its band shaded, grades ruled.

    ``lines`` are (words, points of (day, slow, likely, fast) in cm); ``wild`` a published curve.
    """
    encoding = _xy()
    top = max([*grades, *(point[3] for _, points in lines for point in points)])
    encoding["y"] = {
        "field": "grade",
        "type": "quantitative",
        "title": "shell, cm",
        "scale": {"domain": [4, round(top + 1)]},
    }
    layers: list[dict[str, Any]] = []
    first, last = lines[0][1][0][0].isoformat(), lines[0][1][-1][0].isoformat()
    for size in grades:
        ends = [{"on": day, "grade": size} for day in (first, last)]
        layers.append(_over(ends, encoding, {"type": "line", "color": FAINT, "strokeDash": [4, 3]}))
    named: list[tuple[date, float, str, str]] = []
    for words, points in lines:
        band = [
            {"on": day.isoformat(), "grade": slow, "until": fast} for day, slow, _, fast in points
        ]
        layers.append(
            {
                "data": {"values": band},
                "mark": {"type": "area", "color": RULE, "opacity": 0.3},
                "encoding": {**encoding, "y2": {"field": "until"}},
            }
        )
        line = [{"on": day.isoformat(), "grade": likely} for day, _, likely, _ in points]
        layers.append(_over(line, encoding, {"type": "line", "color": WATER}))
        named.append((points[-1][0], points[-1][2], words, INK))
    if wild:
        curve = [{"on": day.isoformat(), "grade": size} for day, size in wild]
        mark = {"type": "line", "color": RUST, "strokeDash": [2, 3]}
        layers.append(_over(curve, encoding, mark))
        named.append((*wild[-1], "wild T. gigas", RUST))
    heights = apart(
        [size for _, size, _, _ in named], least=15 * (round(top + 1) - 4) / SIZE_HEIGHT
    )
    for (day, _, words, ink), height in zip(named, heights, strict=True):
        text = {"type": "text", "align": "left", "dx": 4, "color": ink, "baseline": "middle"}
        row = {"on": day.isoformat(), "grade": height, "words": words}
        layers.append(_over([row], encoding, text, "words"))
    return chart(layers=layers, height=SIZE_HEIGHT)


def apart(values: Sequence[float], *, least: float) -> list[float]:
    """The values moved until neighbours are ``least`` apart: places for words at the ends of lines.

    They keep their order, and a crowd stays centred on where it was. shape (n,), same unit.
    """
    order = sorted(range(len(values)), key=lambda at: values[at])
    # Crowds of words that touch, from the bottom: how many, and the sum of their wished centres.
    crowds: list[tuple[int, float]] = []
    for at in order:
        crowds.append((1, values[at]))
        while len(crowds) > 1 and _top(crowds[-2], least) + least > _bottom(crowds[-1], least):
            (below, low), (above, high) = crowds[-2:]
            crowds[-2:] = [(below + above, low + high)]
    placed = (
        _bottom(crowd, least) + place * least for crowd in crowds for place in range(crowd[0])
    )
    found = dict(zip(order, placed, strict=True))
    return [found[at] for at in range(len(values))]


def _bottom(crowd: tuple[int, float], least: float) -> float:
    number, total = crowd
    return total / number - (number - 1) * least / 2


def _top(crowd: tuple[int, float], least: float) -> float:
    number, total = crowd
    return total / number + (number - 1) * least / 2


def _over(
    rows: list[dict[str, Any]],
    encoding: dict[str, Any],
    mark: dict[str, Any],
    text: str = "",
) -> dict[str, Any]:
    more = {"text": {"field": text}} if text else {}
    return {"data": {"values": rows}, "mark": mark, "encoding": {**encoding, **more}}


def share_chart(
    *, rows: Sequence[tuple[str, float, float, float, str]], line: float, title: str
) -> SafeString:
    """A mark for the mean and a line for its band, one row each, against a line that is too much.

    ``rows`` are (name, low, mean, high, words), shares of one, in the order drawn.
    """
    names = [name for name, *_ in rows]
    values = [
        {"name": name, "low": low, "mean": mean, "high": high, "words": words}
        for name, low, mean, high, words in rows
    ]
    y: dict[str, Any] = {
        "field": "name",
        "type": "nominal",
        "sort": names,
        "title": None,
        "axis": {"ticks": False, "domain": False, "labelLimit": 300},
    }

    def x(field: str) -> dict[str, Any]:
        axis = {"format": ".0%", "tickCount": 5}
        scale = {"domainMin": 0}
        return {"field": field, "type": "quantitative", "title": title, "axis": axis,
                "scale": scale}  # fmt: skip

    data = {"values": values}
    layers: list[dict[str, Any]] = [
        {"data": {"values": [{"at": line}]},
         "mark": {"type": "rule", "color": FAINT, "strokeDash": [4, 3]},
         "encoding": {"x": x("at")}},
        {"data": data, "mark": {"type": "rule", "color": WATER, "strokeWidth": 3},
         "encoding": {"x": x("low"), "x2": {"field": "high"}, "y": y}},
        {"data": data, "mark": {"type": "tick", "color": INK, "thickness": 3, "size": 18},
         "encoding": {"x": x("mean"), "y": y}},
        {"data": data, "mark": {"type": "text", "align": "left", "dx": 6, "color": INK},
         "encoding": {"x": x("high"), "y": y, "text": {"field": "words"}}},
    ]  # fmt: skip
    return chart(layers=layers, height=34 * len(names), narrow=150)


def ask_chart(*, rows: Sequence[tuple[str, int, int, int | None]]) -> SafeString:
    """A bar a shop: what it asked, over it what it was promised, and a mark for what lives.

    ``rows`` are (name, asked, promised, alive or None), in single pieces, in the order drawn.
    """
    names = [name for name, *_ in rows]
    values = [
        {"shop": name, "asked": asked, "promised": promised, "alive": alive,
         "words": f"{promised} of {asked}"}
        for name, asked, promised, alive in rows
    ]  # fmt: skip
    shop = {
        "field": "shop",
        "type": "nominal",
        "sort": names,
        "title": None,
        "axis": {"ticks": False, "domain": False, "labelLimit": 300},
    }

    def layer(field: str, mark: dict[str, Any], **more: Any) -> dict[str, Any]:
        x: dict[str, Any] = {"field": field, "type": "quantitative", "title": "single pieces"}
        x["axis"] = {"tickCount": 6}
        kept = [row for row in values if row[field] is not None]
        return {"data": {"values": kept}, "mark": mark, "encoding": {"x": x, "y": shop, **more}}

    words = {"type": "text", "align": "left", "dx": 5}
    layers = [
        layer("asked", {"type": "bar", "color": RULE, "height": 14}),
        layer("promised", {"type": "bar", "color": WATER, "height": 8}),
        layer("alive", {"type": "tick", "color": RUST, "thickness": 3, "size": 18}),
        layer("asked", words, text={"field": "words"}),
    ]
    return chart(layers=layers, height=34 * len(names), narrow=120)


def hours_chart(*, rows: Sequence[tuple[str, float, float, float]]) -> SafeString:
    """Hours by week: what is wanted, within it what is planned, and a line for what there is.

    ``rows`` are (week, wanted, planned, there), in the order drawn. [h]
    """
    weeks = [week for week, *_ in rows]
    values = [
        {"week": week, "wanted": round(wanted, 2), "planned": round(planned, 2),
         "there": round(there, 2)}
        for week, wanted, planned, there in rows
    ]  # fmt: skip
    x = {
        "field": "week",
        "type": "ordinal",
        "sort": weeks,
        "title": None,
        "axis": {"labelAngle": -90, "labelOverlap": True},
    }

    def layer(field: str, mark: dict[str, Any]) -> dict[str, Any]:
        y = {"field": field, "type": "quantitative", "title": "cutter hours"}
        return {"data": {"values": values}, "mark": mark, "encoding": {"x": x, "y": y}}

    return chart(
        layers=[
            layer("wanted", {"type": "bar", "color": RULE}),
            layer("planned", {"type": "bar", "color": WATER, "width": {"band": 0.45}}),
            layer("there", {"type": "line", "color": RUST, "interpolate": "step"}),
            {
                "data": {"values": values[-1:]},
                "mark": {"type": "text", "align": "left", "dx": 12, "color": RUST},
                "encoding": {**layer("there", {})["encoding"], "text": {"value": "there"}},
            },
        ],
        height=180,
    )


def measure(*, part: float, whole: float, mark: float | None = None) -> SafeString:
    """A bar in a row: how much of a whole is there, and a notch. The numbers stand beside it.

    Any unit, the same for all three; more than the whole fills it. Empty where nothing is wanted.
    """
    if whole <= 0:
        return mark_safe("")
    filled = round(100 * min(1.0, max(0.0, part / whole)), 1)
    notch = ""
    if mark is not None:
        at = round(1 + 98 * min(1.0, max(0.0, mark / whole)), 1)
        notch = f'<path d="M{at} 0V12" stroke="{RUST}" stroke-width="2"/>'
    return mark_safe(
        '<svg class="chart measure" viewBox="0 0 100 12" preserveAspectRatio="none" '
        f'aria-hidden="true"><rect y="2" width="{filled}" height="8" fill="{WATER}"/>'
        f'<path d="M0 2H100V10H0Z" fill="none" stroke="{INK}" '
        f'vector-effect="non-scaling-stroke"/>{notch}</svg>'
    )
