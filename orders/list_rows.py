"""The lines of a list version as page and paper print them: prepared rows, nothing to work out."""

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from inventory.models import Listing, Strain
from orders.basket import row_problem, watch_words
from orders.calc.cells import CellRead, read_asked
from orders.calc.likely import Likely
from orders.likely import Asks
from orders.listing import shown_words
from orders.models import Basket, Customer, ListLine, ListVersion, ShipTo
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
        photo=line.listing.photo,
        photo_words=_photo_words(line.listing),
        is_news=line.status == ListLine.Status.OFFERED and _is_news(line.change),
        can_watch=line.status in (ListLine.Status.RESTING, ListLine.Status.EXPECTED)
        or line.stop == "season",
        strain=strain,
        listing=line.listing,
    )


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


def hide_forbidden(*, groups: list[ListGroup], ship_to: ShipTo, on: date) -> None:
    """Take out what this ship-to may not receive, and say what waits for a paper or a person."""
    book = RuleBook.read(ship_to=ship_to)
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


def mark_watches(*, groups: list[ListGroup], customer: Customer) -> None:
    """Say beside each line what its reader waits for or was told. One statement."""
    found = watch_words(customer=customer)
    for row in (row for group in groups for row in group.rows):
        watch = found.get(row.listing.pk)
        if watch is not None:
            row.watch = watch.words
            row.can_watch = row.can_watch and not watch.is_waiting


def fill_in(*, groups: list[ListGroup], basket: Basket, asks: Asks, ship_to: ShipTo) -> Totals:
    """Put what was typed back beside its line, with what to mend and what is likely."""
    typed = {
        row.listing_id: row for row in basket.rows.select_related("listing__strain_form__form")
    }
    customer = ship_to.customer
    tier = customer.tier_on(asks.at.date())
    filled = bad = 0
    goods = likely_goods = Decimal(0)
    for group in groups:
        for row in group.rows:
            found = typed.get(row.listing.pk)
            if found is None:
                continue
            row.typed, row.typed_least = found.asked, found.least
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


def _likely_words(likely: Likely | None, total: str) -> str:
    if likely is None:
        return ""
    return f"{likely.words}; {total}" if total and likely.likely < likely.asked else likely.words


def row_of(*, listing: str, groups: list[ListGroup]) -> ListRow | None:
    """The row of a listing by its name; None where it is not shown to this ship-to."""
    rows = (row for group in groups for row in group.rows)
    return next((row for row in rows if row.name == listing), None)
