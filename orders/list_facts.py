"""What the lines of a list version say, read flat: one tuple a line, no rows of tables behind it.

Call from: orders/list_rows.py. Reads only. Five joined rows made for each of
four hundred lines took more time than all else on the page.
"""

from datetime import date
from decimal import Decimal
from typing import NamedTuple

from orders.models import ListLine


class LineFacts(NamedTuple):
    """One line, the listing it names, and the strain and form behind that. Counts in sale units."""

    line_id: int
    status: str
    stop: str
    reason: str
    note: str
    can_promise: int
    shown: int
    change: str
    price: Decimal
    listing_id: int
    name: str
    title: str
    look: str
    photo: str
    photo_light: str
    photo_on: date | None
    key: str
    taxon: str
    level: int
    toxin: int
    cites_appendix: str
    is_reexport: bool
    class_code: str
    class_name: str
    form: str
    unit_pieces: int
    minimum_line: int


_STRAIN = "listing__strain_form__strain"
_FORM = "listing__strain_form__form"
# Where a fact has another address than its name on the line.
_ADDRESSES = {
    "line_id": "pk",
    "name": "listing__name",
    "title": "listing__title",
    "look": "listing__look",
    "photo": "listing__photo",
    "photo_light": "listing__photo_light",
    "photo_on": "listing__photo_on",
    "key": f"{_STRAIN}__key",
    "taxon": f"{_STRAIN}__taxon",
    "level": f"{_STRAIN}__level",
    "toxin": f"{_STRAIN}__toxin",
    "cites_appendix": f"{_STRAIN}__cites_appendix",
    "is_reexport": f"{_STRAIN}__is_reexport",
    "class_code": f"{_STRAIN}__strain_class_id",
    "class_name": f"{_STRAIN}__strain_class__name",
    "form": f"{_FORM}__name",
    "unit_pieces": f"{_FORM}__unit_pieces",
    "minimum_line": f"{_FORM}__minimum_line",
}


def read_facts(*, version_id: int, tier: int) -> list[LineFacts]:
    """The lines of a version in their order, at one tier's prices. [$]"""
    addresses = _ADDRESSES | {"price": f"price_tier_{tier}"}
    lines = ListLine.objects.filter(version=version_id).order_by("position")
    rows = lines.values_list(*(addresses.get(name, name) for name in LineFacts._fields))
    return [LineFacts._make(row) for row in rows]
