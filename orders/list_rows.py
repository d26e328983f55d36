"""The lines of a list version as page and paper print them: prepared rows, nothing to work out."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from operator import attrgetter

from django.template.loader import render_to_string
from django.utils.safestring import SafeString
from django.utils.text import slugify

from inventory.models.strains import look_words, unit_word
from orders.basket import Typed, typed_problem, watch_words
from orders.calc.cells import read_asked
from orders.likely import Asks, likely_words
from orders.list_facts import LineFacts, read_facts
from orders.list_read import Watched
from orders.listing import shown_words
from orders.models import Customer, ListLine, ListVersion
from orders.rules import Kind, RuleBook

OFFERED = str(ListLine.Status.OFFERED)
COMES_BACK = (str(ListLine.Status.RESTING), str(ListLine.Status.EXPECTED))


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
    photo_words: str
    is_news: bool
    can_watch: bool
    listing_id: int
    minimum_line: int
    kind: Kind
    typed: str = ""
    typed_least: str = ""
    problem: str = ""
    likely: str = ""
    look: str = ""
    pieces: str = ""
    law: str = ""
    watch: str = ""
    anchor: str = ""
    offer: str = ""
    offer_id: int = 0

    @property
    def is_orderable(self) -> bool:
        """Whether it has a field to type in: what is offered, and what was typed before."""
        return self.status == OFFERED or bool(self.typed)


@dataclass(frozen=True, slots=True)
class Totals:
    """What a basket comes to, as asked and as likely. [$]"""

    rows: int
    goods: Decimal
    goods_likely: Decimal
    minimum: Decimal | None
    to_mend: list[ListRow]
    winter: list[ListRow]

    @property
    def is_under_minimum(self) -> bool:
        return self.minimum is not None and 0 < self.goods < self.minimum


@dataclass(slots=True)
class ListGroup:
    name: str
    unit_word: str
    rows: list[ListRow] = field(default_factory=list)
    html: SafeString = SafeString()


def list_groups(*, version: ListVersion, tier: int) -> list[ListGroup]:
    """The lines of a version by class, as page and paper print them."""
    groups: dict[str, ListGroup] = {}
    for line in read_facts(version_id=version.pk, tier=tier):
        group = groups.get(line.class_code)
        if group is None:
            group = ListGroup(line.class_name, unit_word(line.unit_pieces))
            groups[line.class_code] = group
        group.rows.append(_list_row(line))
    return list(groups.values())


def _list_row(line: LineFacts) -> ListRow:
    is_offered = line.status == OFFERED
    was = line.change.split("was ")[-1] if is_offered and "was " in line.change else ""
    return ListRow(
        id=line.line_id,
        key=line.key,
        name=line.name,
        title=line.title,
        look=look_words(line.look),
        taxon=line.taxon,
        form=line.form,
        level=line.level,
        unit_pieces=line.unit_pieces,
        unit_word=unit_word(line.unit_pieces),
        is_toxic=line.toxin >= 2,
        status=line.status,
        state_slug=line.status.replace(" ", "-"),
        words=line.reason or (line.note if is_offered else ""),
        shown=shown_words(line.shown, line.can_promise) if line.can_promise else "",
        was_shown=was if was.rstrip("+").isdigit() else "",
        price=line.price,
        anchor=row_anchor(line.name),
        photo_words=_photo_words(line),
        is_news=is_offered and _is_news(line.change),
        can_watch=line.status in COMES_BACK or line.stop == "season",
        listing_id=line.listing_id,
        minimum_line=line.minimum_line,
        kind=Kind(
            taxon=line.taxon,
            strain_class_id=line.class_code,
            class_name=line.class_name,
            cites_appendix=line.cites_appendix,
            is_reexport=line.is_reexport,
        ),
    )


def row_anchor(listing_name: str) -> str:
    """Where a listing stands on the page of any list: the end of its address."""
    return f"at-{slugify(listing_name)}"


def _photo_words(line: LineFacts) -> str:
    """When and under what light the photo was taken: blue light hides what daylight shows."""
    if not line.photo or line.photo_on is None:
        return ""
    light = f", in {line.photo_light} light" if line.photo_light else ""
    return f"photo of {line.photo_on:%-d %b}{light}"


def _is_news(change: str) -> bool:
    """New on the list, or back from a rest."""
    return change.startswith("new") or any(
        change.startswith(f"was {status}") for status in ("resting", "expected", "closed")
    )


def hide_forbidden(*, groups: list[ListGroup], book: RuleBook, on: date) -> None:
    """Take out what this ship-to may not receive, and say what waits for a paper or a person."""
    # Four hundred strains are of few kinds, and the rules look at nothing else.
    found: dict[Kind, str | None] = {}
    for group in groups:
        kept = []
        for row in group.rows:
            if row.kind not in found:
                found[row.kind] = _law_words(row.kind, book, on)
            words = found[row.kind]
            if words is not None:
                row.law = words
                kept.append(row)
        group.rows = kept
    groups[:] = [group for group in groups if group.rows]


def _law_words(kind: Kind, book: RuleBook, on: date) -> str | None:
    """What the list says of a kind of strain; None where it may not go there at all."""
    judgement = book.judge(strain=kind, on=on)
    if judgement.verdict == "forbid":
        return None
    if judgement.verdict == "paper":
        return f"needs a paper: {judgement.reason}"
    return "a person of the farm confirms it" if judgement.verdict == "ask" else ""


def show_watches(
    *, groups: list[ListGroup], watches: Mapping[int, Watched], since: datetime | None
) -> None:
    """Say beside each line what became of the customer's own watch. What was told of since this
    list came out is offered to be added as it was wanted once."""
    for row in (row for group in groups for row in group.rows):
        watched = watches.get(row.listing_id)
        if watched is None:
            continue
        said = watch_words(asked_at=watched.asked_at, told_at=watched.told_at)
        row.watch = said.words
        row.can_watch = row.can_watch and not said.is_waiting
        is_news = watched.told_at is not None and since is not None and watched.told_at >= since
        if is_news and watched.wanted and row.status == OFFERED:
            row.offer, row.offer_id = f"{watched.wanted} {row.unit_word}", watched.told_id


def fill_in(
    *,
    groups: list[ListGroup],
    draft: Mapping[int, Typed],
    asks: Asks,
    customer: Customer,
    tier: int,
) -> Totals:
    """Answer what was typed beside each line: what to mend, what is likely, and what it costs.

    ``draft`` is what was typed, by listing's id.
    """
    filled = 0
    to_mend: list[ListRow] = []
    winter: list[ListRow] = []
    goods = likely_goods = Decimal(0)
    for row in (row for group in groups for row in group.rows):
        typed = draft.get(row.listing_id, Typed(""))
        row.typed, row.typed_least = typed.asked, typed.least
        if not row.typed and not row.typed_least:
            continue
        read = typed_problem(typed, row)
        row.problem = read.words
        if row.status != OFFERED:
            row.problem = f"{row.status} now: {row.words}" if row.words else row.status
        filled += 1
        if row.problem:
            to_mend.append(row)
        elif row.look and read.value:
            winter.append(row)
        if row.problem or read.value is None:
            continue
        if row.unit_pieces > 1:
            row.pieces = f"{read.value * row.unit_pieces} pieces"
        likely = asks.likely(
            listing=row.name,
            asked=read.value,
            customer=customer.code,
            tier=tier,
            least=read_asked(typed.least).value,
        )
        row.likely = likely_words(likely, asks.total_words(row.name))
        goods += row.price * read.value
        likely_goods += row.price * (likely.likely if likely else read.value)
    minimum = customer.minimum_order
    return Totals(filled, goods, likely_goods, minimum, to_mend, winter)


# All that list_row.html prints of a row.
PRINTED = (
    "anchor",
    "can_watch",
    "form",
    "id",
    "is_news",
    "is_toxic",
    "key",
    "law",
    "level",
    "likely",
    "look",
    "name",
    "offer",
    "offer_id",
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
    """Draw each table's rows, with their fields to order in where one may order."""
    for group in groups:
        # Each part has escaped what it prints.
        group.html = SafeString(
            "".join([_row_html(_printed(row), can_order) for row in group.rows])
        )


# Every shop of a tier opens the same rows in the same hour. A row's drawing hangs on its printed
# values and nothing else, so one that was drawn before is right whoever asks.
@lru_cache(maxsize=16_384)
def _row_html(printed: tuple[object, ...], can_order: bool) -> SafeString:
    row = dict(zip(PRINTED, printed, strict=True))
    return render_to_string("orders/list_row.html", {"row": row, "can_order": can_order})


def row_of(*, listing: str, groups: list[ListGroup]) -> ListRow | None:
    """The row of a listing by its name; None where it is not shown to this ship-to."""
    rows = (row for group in groups for row in group.rows)
    return next((row for row in rows if row.name == listing), None)
