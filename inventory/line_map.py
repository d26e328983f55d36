"""The map of a line as SVG: a column a generation, a row a lot, parent joined to cutting."""

from collections.abc import Sequence

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from inventory.mothers import LineLot

ROW, COLUMN, TOP, NODE = 34, 250, 26, 5


def line_map(*, lots: Sequence[LineLot]) -> SafeString:
    """Kept lots as framed circles, lots for sale as plain ones; the system stands at each."""
    if not lots:
        return SafeString("")
    least = min(lot.generation for lot in lots)
    places: dict[str, tuple[int, int]] = {}
    rows_used: dict[int, int] = {}
    for lot in lots:
        column = lot.generation - least
        row = rows_used.get(column, 0)
        rows_used[column] = row + 1
        places[lot.lot] = (12 + column * COLUMN, TOP + row * ROW + ROW // 2)
    columns = max(lot.generation for lot in lots) - least + 1
    width, height = columns * COLUMN + 20, TOP + max(rows_used.values()) * ROW
    heads = [(12 + column * COLUMN, f"generation {least + column}") for column in range(columns)]
    return format_html(
        '<svg class="line-map" width="{}" height="{}" role="img" aria-label="{}">{}{}{}</svg>',
        width,
        height,
        f"{len(lots)} lots in {columns} generations",
        format_html_join("", '<text class="faint" x="{}" y="14">{}</text>', heads),
        format_html_join("", "{}", ((_branch(lot, places),) for lot in lots)),
        format_html_join("", "{}", ((_node(lot, places[lot.lot]),) for lot in lots)),
    )


def _branch(lot: LineLot, places: dict[str, tuple[int, int]]) -> SafeString:
    if lot.parent not in places:
        return SafeString("")
    (x1, y1), (x2, y2) = places[lot.parent], places[lot.lot]
    return format_html('<path class="branch" d="M{},{} L{},{}"/>', x1 + NODE, y1, x2 - NODE, y2)


def _node(lot: LineLot, place: tuple[int, int]) -> SafeString:
    x, y = place
    ring = (
        format_html('<circle class="node" cx="{}" cy="{}" r="{}"/>', x, y, NODE - 2)
        if lot.state == "kept"
        else SafeString("")
    )
    where = f"{lot.system or 'gone'}: {lot.pieces} {lot.form}, {lot.state}"
    return format_html(
        '<g><circle class="node" cx="{}" cy="{}" r="{}"/>{}'
        '<text x="{}" y="{}">{}</text><title>{}</title></g>',
        x,
        y,
        NODE,
        ring,
        x + NODE + 6,
        y + 5,
        where,
        lot.lot,
    )
