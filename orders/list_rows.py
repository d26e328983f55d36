"""The lines of a list version as page and paper print them: prepared rows, nothing to work out."""

from dataclasses import dataclass, field
from decimal import Decimal

from orders.listing import shown_words
from orders.models import ListLine, ListVersion


@dataclass(slots=True)
class ListRow:
    """One line of the list as it is printed."""

    id: int
    key: str
    name: str
    title: str
    taxon: str
    form: str
    level: int
    unit_pieces: int
    unit_word: str
    is_toxic: bool
    status: str
    state_slug: str
    words: str
    shown: str
    was_shown: str
    price: Decimal


@dataclass(slots=True)
class ListGroup:
    name: str
    unit_word: str
    rows: list[ListRow] = field(default_factory=list)


def list_groups(*, version: ListVersion, tier: int) -> list[ListGroup]:
    """The lines of a version by class, as page and paper print them."""
    groups: dict[str, ListGroup] = {}
    lines = version.lines.select_related(
        "listing__strain_form__strain__strain_class", "listing__strain_form__form"
    )
    for line in lines:
        strain_class = line.listing.strain_form.strain.strain_class
        group = groups.setdefault(
            strain_class.code,
            ListGroup(strain_class.name, line.listing.strain_form.form.unit_word),
        )
        group.rows.append(_list_row(line, tier))
    return list(groups.values())


def _list_row(line: ListLine, tier: int) -> ListRow:
    strain, form = line.listing.strain_form.strain, line.listing.strain_form.form
    was = ""
    if "was " in line.change and line.status == ListLine.Status.OFFERED:
        was = line.change.split("was ")[-1]
    return ListRow(
        id=line.pk,
        key=strain.key,
        name=line.listing.name,
        title=line.listing.title,
        taxon=strain.taxon,
        form=form.name,
        level=strain.level,
        unit_pieces=form.unit_pieces,
        unit_word=form.unit_word,
        is_toxic=strain.toxin >= 2,
        status=line.status,
        state_slug=line.status.replace(" ", "-"),
        words=line.reason or (line.note if line.status == ListLine.Status.OFFERED else ""),
        shown=shown_words(line.shown, line.can_promise) if line.can_promise else "",
        was_shown=was if was.rstrip("+").isdigit() else "",
        price=line.price(tier),
    )
