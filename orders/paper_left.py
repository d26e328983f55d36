"""HOP 6 papers: how many pieces a paper still lets go, with what other lines count on.

Call from: orders/intake.py, orders/amending.py.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from orders.models import Line, Paper, Promise
from orders.rules import Judgement

# Orders that have not left: what they count on is not yet a use of the paper.
NOT_GONE = ("sent", "checked", "promised", "in pick", "packed", "set aside")


class PaperLeft:
    """What is left on each limited paper, less the pieces of other open lines. [pieces]

    ``without`` are lines whose own pieces do not count against them.
    """

    def __init__(self, *, without: Iterable[int] = ()) -> None:
        self.without = frozenset(without)
        self.left: dict[tuple[int, str], int] = {}

    def of(self, *, judged: Judgement, taxon: str) -> int | None:
        """Pieces that may still go by the paper a line rests on; None where there is no limit."""
        paper = judged.paper
        if paper is None or judged.balance_pieces is None:
            return None
        key = (paper.pk, taxon)
        if key not in self.left:
            self.left[key] = max(0, judged.balance_pieces - self._counted_on(paper, taxon))
        return self.left[key]

    def take(self, *, judged: Judgement, taxon: str, pieces: int) -> None:
        left = self.of(judged=judged, taxon=taxon)
        if left is not None and judged.paper is not None:
            self.left[judged.paper.pk, taxon] = max(0, left - pieces)

    def _counted_on(self, paper: Paper, taxon: str) -> int:
        lines = Line.objects.filter(
            listing__strain_form__strain__taxon=taxon,
            order__state__in=NOT_GONE,
            state=Line.State.OPEN,
        ).exclude(pk__in=self.without)
        if paper.ship_to_id is not None:
            lines = lines.filter(order__ship_to=paper.ship_to_id)
        else:
            lines = lines.filter(order__customer=paper.customer_id)
        pieces = 0
        for line in lines.select_related("listing__strain_form__form"):
            promise = Promise.objects.filter(line=line).first()
            if promise is None:
                pieces += line.asked * line.listing.strain_form.form.unit_pieces
            elif promise.state in Promise.LIVE:
                pieces += promise.pieces
        return pieces


def short_words(*, code: str, left: int, pieces: int) -> str:
    """Why a line will not go whole, and what helps."""
    return f"paper {code} lets {left} more go, {pieces} are asked: file another paper or ask less"


@dataclass(frozen=True, slots=True)
class Fit:
    """What a paper lets go of a line: sale units, 0 where the line waits for another paper.
    ``why`` says what the paper lacks; empty where all that is asked may go."""

    units: int
    why: str


def fit_to_paper(*, line: Line, judged: Judgement, papers: PaperLeft) -> Fit:
    """What of a line its paper lets go, taken off what is left on it. Writes nothing.

    Less than the least that is accepted waits for another paper.
    """
    taxon = line.listing.strain_form.strain.taxon
    a_unit = line.listing.strain_form.form.unit_pieces
    left = papers.of(judged=judged, taxon=taxon)
    units, why = line.asked, ""
    if left is not None and judged.paper is not None and line.asked * a_unit > left:
        units = left // a_unit // line.unit * line.unit
        why = short_words(code=judged.paper.code, left=left, pieces=line.asked * a_unit)
        if units < max(line.least, 1):
            return Fit(0, why)
    papers.take(judged=judged, taxon=taxon, pieces=units * a_unit)
    return Fit(units, why)
