"""Pick sheets, bag labels and box labels on paper. One document a sheet; QR codes beside words.

What a box label says stands in shipping/contents.py.
Call from: shipping/pages.py, config/printing.py.
"""

from collections.abc import Sequence
from typing import Any

from django.db.models import Q
from django.template.loader import render_to_string
from django.utils import timezone

from inventory.errors import FarmError
from inventory.models import Listing, Tray
from inventory.printing import qr_code, render_pdf
from inventory.standing import read_stock
from inventory.supply import reserve_gap
from orders.calc.weeks import day_text, time_text
from orders.models import Line, Order
from orders.weeks import week_line
from shipping.bagging import BagToTie, bags_to_tie
from shipping.contents import HARMFUL_STING, box_labels, hazard_words
from shipping.models import Bag, BagKind, PickSheet, PickTask

TALLY_OF = 5
# What stands on one line of a bag label in its usual size.
SHORT_NAME_LETTERS = 24
# How many places to each side of a tray count as its neighbours: two rows, so one step is two.
NEIGHBOUR_SLOTS = 2


class NothingToLabel(FarmError):
    code = "nothing_to_label"
    title = "There is nothing to label"
    message = "Order {order} has no pick tasks and no bags. Draw the pick sheets of its day first."


def pick_sheet_pdf(*, sheet: PickSheet) -> bytes:
    """One pick sheet: a block a tray in walking order, with room for the pencil."""
    return render_pdf(sheet_words(sheet=sheet), "paper.css", "pick_sheet.css")


def sheet_words(*, sheet: PickSheet) -> str:
    """The pick sheet as HTML, before it is laid on paper."""
    zone = timezone.get_current_timezone_name()
    blocks = _blocks(sheet)
    context = {
        "sheet": sheet,
        "day_words": day_text(sheet.ship_on),
        "week_line": week_line(week=sheet.week, now=None, zone=zone, ship_on=sheet.ship_on),
        "drawn_words": time_text(at=sheet.drawn_at, zone=zone),
        "walk_words": f"{len(blocks)} trays, {sheet.walk_m:.0f} m, {sheet.walk_min:.0f} min",
        "checksum_words": f"{sheet.stamp} · {sheet.checksum_pieces} single pieces on this sheet",
        "blocks": blocks,
    }
    return render_to_string("shipping/pick_sheet.html", context)


def _blocks(sheet: PickSheet) -> list[dict[str, Any]]:
    tasks = list(
        sheet.tasks.select_related(
            "tray__trough",
            "promise__line__order__customer",
            "promise__line__listing__strain_form__form",
            "promise__line__listing__strain_form__strain__strain_class",
        )
    )
    gaps = _reserve_gaps(sheet, tasks)
    stops: dict[int, list[PickTask]] = {}
    for task in tasks:
        stops.setdefault(task.stop, []).append(task)
    neighbours = _neighbours([rows[0].tray for rows in stops.values()])
    return [_block(stops[stop], gaps, neighbours) for stop in sorted(stops)]


def _block(
    rows: Sequence[PickTask], gaps: dict[int, int], neighbours: dict[str, str]
) -> dict[str, Any]:
    tray, line = rows[0].tray, rows[0].promise.line
    strain_form = line.listing.strain_form
    strain, unit = strain_form.strain, strain_form.form.unit_pieces
    leave = rows[0].leave_pieces
    return {
        "tray": tray.code,
        "title": line.listing.title,
        "key": strain.key,
        "taxon": strain.taxon,
        "looks": looks_words(listing=line.listing),
        "hazard": hazard_words(strain=strain),
        "pieces": sum(row.pieces for row in rows),
        "packs": sum(row.pieces for row in rows) // unit if unit > 1 else 0,
        "unit": unit,
        "leave": leave,
        "is_reserve": 0 < leave <= gaps.get(strain_form.pk, 0),
        "neighbours": neighbours.get(tray.code, ""),
        "is_colour": strain.is_colour_strain,
        "rows": [_order_row(row, unit) for row in rows],
    }


def _order_row(row: PickTask, unit: int) -> dict[str, Any]:
    step = unit if unit > 1 else TALLY_OF
    full = range(step, row.pieces + 1, step)
    rest = [row.pieces] if row.pieces % step else []
    return {
        "order": row.promise.line.order.number,
        "shop": row.promise.line.order.customer.name,
        "is_again": row.refill_id is not None,
        "pieces": row.pieces,
        "packs": row.pieces // unit if unit > 1 else 0,
        "tally": [*full, *rest],
    }


def looks_words(*, listing: Listing) -> str:
    """What a piece looks like in a few words, from what is on file of it."""
    strain = listing.strain_form.strain
    words = [listing.strain_form.form.name.lower(), strain.strain_class.name.lower()]
    words += ["winter look"] if listing.is_winter else []
    words += ["spiky"] if strain.is_spiky else []
    words += ["stings"] if strain.sting >= HARMFUL_STING else []
    return ", ".join(words)


def _reserve_gaps(sheet: PickSheet, tasks: Sequence[PickTask]) -> dict[int, int]:
    """Mother pieces that must stay among the trays for sale, by strain-form. [pieces]"""
    strain_ids = {task.promise.line.listing.strain_form.strain_id for task in tasks}
    stocks = [row for row in read_stock() if row.strain_id in strain_ids]
    kept: dict[int, list[Any]] = {}
    for stock in stocks:
        kept.setdefault(stock.strain_id, []).extend(
            row for row in stock.trays if row.state == "kept"
        )
    return {
        stock.strain_form_id: reserve_gap(
            floor_pieces=stock.floor_pieces,
            kept=kept[stock.strain_id],
            monday=sheet.week.monday,
        )
        for stock in stocks
    }


def _neighbours(trays: Sequence[Tray]) -> dict[str, str]:
    """The trays with stock beside each tray of a sheet, for the eye that reads one place off."""
    near = Q(pk__in=[])
    for tray in trays:
        slots = (tray.slot - NEIGHBOUR_SLOTS, tray.slot + NEIGHBOUR_SLOTS)
        near |= Q(trough_id=tray.trough_id, slot__range=slots)
    standing = list(Tray.objects.filter(near, balance__pieces__gt=0).order_by("slot"))
    return {
        tray.code: ", ".join(
            other.code
            for other in standing
            if other.trough_id == tray.trough_id
            and other.pk != tray.pk
            and abs(other.slot - tray.slot) <= NEIGHBOUR_SLOTS
        )
        for tray in trays
    }


def bag_labels_pdf(*, order: Order) -> bytes:
    """The bag labels of an order, one a page, from its bags or, before they are tied, its tasks."""
    labels = bag_labels(order=order)
    html = render_to_string("shipping/bag_labels.html", {"labels": labels, "order": order.number})
    return render_pdf(html, "paper.css", "bag_labels.css")


def bag_labels(*, order: Order) -> list[dict[str, Any]]:
    """What each bag label says, in the order of the codes. Raises NothingToLabel."""
    tied = (
        Bag.objects.filled()
        .filter(shipment__order=order)
        .select_related(
            "line__listing__strain_form__strain",
            "line__listing__strain_form__form",
            "tray",
            "system",
            "kind",
        )
    )
    by_code = {bag.code: bag for bag in tied}
    kinds = {kind.code: kind for kind in BagKind.objects.all()}
    labels = [_tied_label(bag) for bag in by_code.values()]
    labels += [
        _planned_label(row, kinds) for row in bags_to_tie(order=order) if row.code not in by_code
    ]
    if not labels:
        raise NothingToLabel(order=order.number)
    return sorted(labels, key=lambda label: label["code"])


def _tied_label(bag: Bag) -> dict[str, Any]:
    # A bag without a line is one from before this farm kept its records here.
    assert bag.line is not None
    words = _label_words(bag.code, bag.line, bag.kind, bag.pieces)
    zone = timezone.get_current_timezone_name()
    return words | {
        "tray": bag.tray.code,
        "system": bag.system.code,
        "has_cup": bag.has_cup,
        "tied": time_text(at=bag.tied_at, zone=zone),
    }


def _planned_label(row: BagToTie, kinds: dict[str, BagKind]) -> dict[str, Any]:
    kind = kinds[row.promise.strain_form.bag]
    words = _label_words(row.code, row.promise.line, kind, row.pieces)
    return words | {
        "tray": row.task.tray.code,
        "system": row.task.sheet.system.code,
        "has_cup": row.has_cup,
        "tied": "",
    }


def _label_words(code: str, line: Line, kind: BagKind, pieces: int) -> dict[str, Any]:
    strain_form = line.listing.strain_form
    strain, form = strain_form.strain, strain_form.form
    return {
        "code": code,
        "qr": qr_code(text=code),
        "line": line.position,
        "title": line.listing.title,
        "is_long": len(f"{line.listing.title} {strain.key} {form.key}") > SHORT_NAME_LETTERS,
        "key": strain.key,
        "form": form.key,
        "taxon": strain.taxon,
        "pieces": f"{pieces} pieces" if pieces > 1 else "",
        "bag": kind.code,
        "water_ml": kind.water_ml,
        "hazard": hazard_words(strain=strain),
    }


def box_labels_pdf(*, order: Order) -> bytes:
    """The labels of an order's boxes, one a page, which are its packing lists as well."""
    labels = [label | {"qr": qr_code(text=label["code"])} for label in box_labels(order=order)]
    html = render_to_string("shipping/box_labels.html", {"labels": labels, "order": order})
    return render_pdf(html, "paper.css", "box_labels.css")
