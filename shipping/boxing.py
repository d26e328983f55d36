"""HOP 9 bag and box: promises (Monday) or picked pieces (Tuesday) -> the bags of an order.

Call from: shipping/clearing.py, shipping/bench_numbers.py, shipping/answering.py.
"""

import hashlib
import json
from dataclasses import asdict, dataclass
from decimal import Decimal

from django.db.models import Sum

from orders.models import Line, Order, Promise
from shipping.models import PickSheet, PickTask

# Promises that will travel or have travelled; a freed or missed one does not.
TRAVELLING = ("inked", "pulled", "bagged", "gone")


@dataclass(frozen=True, slots=True)
class BagRow:
    """The bags of one order line: one bag a piece, or one a pack."""

    line_id: int
    position: int
    listing: str
    taxon: str
    strain_class: str
    bag: str
    bags: int
    pieces: int
    sting: int
    toxin: int
    unit_price: str
    units: int

    @property
    def money(self) -> Decimal:
        return Decimal(self.unit_price) * self.units


def bags_of(*, order: Order) -> list[BagRow]:
    """The bags of an order in line order: from what was picked where it was, else as promised."""
    promises = Promise.objects.filter(line__order=order, state__in=TRAVELLING)
    rows = promises.select_related(
        "line__listing__strain_form__strain", "line__listing__strain_form__form"
    ).order_by("line__position")
    picked = _picked_pieces(order)
    return [row for row in (_bag_row(promise, picked) for promise in rows) if row.bags]


def _picked_pieces(order: Order) -> dict[int, int]:
    """Pieces keyed in for each promise whose picking is done."""
    tasks = PickTask.objects.filter(
        promise__line__order=order, promise__state__in=("pulled", "bagged", "gone")
    ).exclude(sheet__state=PickSheet.State.STALE)
    return dict(
        tasks.values_list("promise").annotate(total=Sum("picked_pieces")).order_by("promise")
    )


def _bag_row(promise: Promise, picked: dict[int, int]) -> BagRow:
    line: Line = promise.line
    strain_form = line.listing.strain_form
    unit = strain_form.form.unit_pieces
    pieces = picked.get(promise.pk, promise.pieces)
    return BagRow(
        line_id=line.pk,
        position=line.position,
        listing=line.listing.name,
        taxon=strain_form.strain.taxon,
        strain_class=strain_form.strain.strain_class_id,
        bag=strain_form.bag,
        bags=pieces // unit,
        pieces=pieces,
        sting=strain_form.strain.sting,
        toxin=strain_form.strain.toxin,
        unit_price=str(line.unit_price),
        units=pieces // unit,
    )


def bags_hash(*, rows: list[BagRow]) -> str:
    """The bag set as one hash: a plan is void when it changes."""
    text = json.dumps([asdict(row) for row in rows], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def goods_of(*, rows: list[BagRow]) -> Decimal:
    """What the bags are worth at the prices of the order."""
    return sum((row.money for row in rows), Decimal("0.00"))
