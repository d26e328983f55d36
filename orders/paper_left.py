"""HOP 6 papers: how many pieces a paper still lets go, with what other lines count on.

Call from: orders/intake.py, orders/amending.py.
"""

from collections.abc import Iterable
from datetime import datetime

from orders.change_records import facts_of, write_change
from orders.models import Line, Order, Paper, Promise
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


def fit_to_paper(*, line: Line, judged: Judgement, papers: PaperLeft, now: datetime) -> bool:
    """Lower a line to what its paper lets go, and say so in the order's record.

    Returns whether it may go. Less than the least that is accepted waits for another paper.
    """
    taxon = line.listing.strain_form.strain.taxon
    a_unit = line.listing.strain_form.form.unit_pieces
    left = papers.of(judged=judged, taxon=taxon)
    if left is not None and judged.paper is not None and line.asked * a_unit > left:
        units = left // a_unit // line.unit * line.unit
        why = short_words(code=judged.paper.code, left=left, pieces=line.asked * a_unit)
        if units < max(line.least, 1):
            line.state, line.reason_code = Line.State.NEEDS_PAPER, "paper_short"
            line.reason = why[:400]
            line.save(update_fields=["state", "reason_code", "reason"])
            return False
        order = Order.objects.select_for_update(of=("self",)).get(pk=line.order_id)
        before = facts_of(order=order)
        line.asked, line.reason_code, line.reason = units, "paper_short", why[:400]
        line.save(update_fields=["asked", "reason_code", "reason"])
        write_change(order=order, before=before, now=now, user=None, reason=why)
    papers.take(judged=judged, taxon=taxon, pieces=line.asked * a_unit)
    return True
