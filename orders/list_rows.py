"""The lines of a list version as page and paper print them: prepared rows, nothing to work out."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import lru_cache
from operator import attrgetter

from django.template.loader import render_to_string
from django.utils.safestring import SafeString

from inventory.models import Listing, Strain
from orders.basket import row_problem, watch_words
from orders.calc.cells import CellRead, read_asked
from orders.calc.likely import Likely
from orders.likely import Asks
from orders.listing import shown_words
from orders.models import BasketRow, Customer, ListLine, ListVersion
from orders.rules import RuleBook


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
    photo: str
    photo_words: str
    is_news: bool
    can_watch: bool
    strain: Strain
    listing: Listing
    typed: str = ""
    typed_least: str = ""
    problem: str = ""
    likely: str = ""
    pieces: str = ""
    law: str = ""
    watch: str = ""
    html: SafeString = SafeString()


@dataclass(frozen=True, slots=True)
class Totals:
    """What a basket comes to, as asked and as likely. [$]"""

    rows: int
    bad_rows: int
    goods: Decimal
    goods_likely: Decimal
    minimum: Decimal | None

    @property
    def is_under_minimum(self) -> bool:
        return self.minimum is not None and 0 < self.goods < self.minimum


@dataclass(slots=True)
class ListGroup:
    name: str
    unit_word: str
    rows: list[ListRow] = field(default_factory=list)


def list_groups(*, version: ListVersion, tier: int) -> list[ListGroup]:
    """The lines of a version by class, as page and paper print them."""
    lines = version.lines.select_related(
        "listing__strain_form__strain__strain_class", "listing__strain_form__form"
    )
    return groups_of(lines=lines, tier=tier)


def groups_of(*, lines: Iterable[ListLine], tier: int) -> list[ListGroup]:
    """Lines that were read with all that hangs on them, by class in their order."""
    groups: dict[str, ListGroup] = {}
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
    watch = watch_words(
        asked_at=getattr(line, "watch_asked_at", None), told_at=getattr(line, "watch_told_at", None)
    )
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
        photo=line.listing.photo,
        photo_words=_photo_words(line.listing),
        is_news=line.status == ListLine.Status.OFFERED and _is_news(line.change),
        can_watch=not watch.is_waiting and _may_come_back(line),
        watch=watch.words,
        strain=strain,
        listing=line.listing,
        typed=getattr(line, "typed", None) or "",
        typed_least=getattr(line, "typed_least", None) or "",
    )


def _may_come_back(line: ListLine) -> bool:
    waits = (ListLine.Status.RESTING, ListLine.Status.EXPECTED)
    return line.status in waits or line.stop == "season"


def _photo_words(listing: Listing) -> str:
    """When and under what light the photo was taken: blue light hides what daylight shows."""
    if not listing.photo or listing.photo_on is None:
        return ""
    light = f", in {listing.photo_light} light" if listing.photo_light else ""
    return f"photo of {listing.photo_on:%-d %b}{light}"


def _is_news(change: str) -> bool:
    """New on the list, or back from a rest."""
    return change.startswith("new") or any(
        change.startswith(f"was {status}") for status in ("resting", "expected", "closed")
    )


def hide_forbidden(*, groups: list[ListGroup], book: RuleBook, on: date) -> None:
    """Take out what this ship-to may not receive, and say what waits for a paper or a person."""
    for group in groups:
        kept = []
        for row in group.rows:
            judgement = book.judge(strain=row.strain, on=on)
            if judgement.verdict == "forbid":
                continue
            if judgement.verdict == "paper":
                row.law = f"needs a paper: {judgement.reason}"
            elif judgement.verdict == "ask":
                row.law = "a person of the farm confirms it"
            kept.append(row)
        group.rows = kept
    groups[:] = [group for group in groups if group.rows]


def fill_in(*, groups: list[ListGroup], asks: Asks, customer: Customer, tier: int) -> Totals:
    """Answer what was typed beside each line: what to mend, what is likely, and what it costs."""
    filled = bad = 0
    goods = likely_goods = Decimal(0)
    for row in (row for group in groups for row in group.rows):
        if not row.typed and not row.typed_least:
            continue
        found = BasketRow(listing=row.listing, asked=row.typed, least=row.typed_least)
        read: CellRead = row_problem(found)
        row.problem = read.words
        if row.status != ListLine.Status.OFFERED:
            row.problem = f"{row.status} now: {row.words}" if row.words else row.status
        filled += 1
        bad += bool(row.problem)
        if row.problem or read.value is None:
            continue
        if row.unit_pieces > 1:
            row.pieces = f"{read.value * row.unit_pieces} pieces"
        likely = asks.likely(
            listing=row.name,
            asked=read.value,
            customer=customer.code,
            tier=tier,
            least=read_asked(found.least).value,
        )
        row.likely = _likely_words(likely, asks.total_words(row.name))
        goods += row.price * read.value
        likely_goods += row.price * (likely.likely if likely else read.value)
    return Totals(filled, bad, goods, likely_goods, customer.minimum_order)


# All that list_row.html prints of a row.
PRINTED = (
    "can_watch",
    "form",
    "id",
    "is_news",
    "is_toxic",
    "key",
    "law",
    "level",
    "likely",
    "name",
    "photo_words",
    "pieces",
    "price",
    "problem",
    "shown",
    "state_slug",
    "status",
    "taxon",
    "title",
    "typed",
    "typed_least",
    "unit_pieces",
    "unit_word",
    "was_shown",
    "watch",
    "words",
)
_printed = attrgetter(*PRINTED)


def draw_rows(*, groups: list[ListGroup], can_order: bool) -> None:
    """Draw each row as it stands in the table, with its field to order in where one may order."""
    for row in (row for group in groups for row in group.rows):
        row.html = _row_html(_printed(row), can_order)


# Every shop of a tier opens the same rows in the same hour. A row's drawing hangs on its printed
# values and nothing else, so one that was drawn before is right whoever asks.
@lru_cache(maxsize=16_384)
def _row_html(printed: tuple[object, ...], can_order: bool) -> SafeString:
    row = dict(zip(PRINTED, printed, strict=True))
    return render_to_string("orders/list_row.html", {"row": row, "can_order": can_order})


def _likely_words(likely: Likely | None, total: str) -> str:
    if likely is None:
        return ""
    return f"{likely.words}; {total}" if total and likely.likely < likely.asked else likely.words


def row_of(*, listing: str, groups: list[ListGroup]) -> ListRow | None:
    """The row of a listing by its name; None where it is not shown to this ship-to."""
    rows = (row for group in groups for row in group.rows)
    return next((row for row in rows if row.name == listing), None)
