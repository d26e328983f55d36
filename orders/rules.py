"""HOP 6 rules: what may go where, and the papers that let it -> a judgement on each line.

Call from: orders/intake.py, orders/list_rows.py, shipping/road_checks.py.
Nothing here is legal advice: every row carries the day it was checked and by whom.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from django.db.models import Q, QuerySet, Sum

from inventory.models import Strain
from orders.models import Paper, PaperUse, RegionRule, ShipTo

EXPORT_REGION = "export"
EVERYWHERE = "*"
STRICTEST_FIRST = ("forbid", "paper", "ask", "allow")


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a rule row says of one strain for one ship-to. ``paper`` is the one that lets it go."""

    verdict: str
    code: str
    reason: str
    paper: Paper | None = None
    balance_pieces: int | None = None


def regions_of(ship_to: ShipTo) -> list[str]:
    """The regions whose rows bear on a ship-to: its own, everywhere, and exports."""
    return [ship_to.region, EVERYWHERE, *([EXPORT_REGION] if ship_to.is_export else [])]


def papers_for(ship_to: ShipTo) -> QuerySet[Paper]:
    """The papers of a ship-to and those of its customer that name no ship-to."""
    return Paper.objects.filter(
        Q(ship_to=ship_to) | Q(ship_to__isnull=True, customer=ship_to.customer_id)
    )


class Kind(NamedTuple):
    """What the rules look at of a strain, where its whole row was not read."""

    taxon: str
    strain_class_id: str
    class_name: str
    cites_appendix: str
    is_reexport: bool


@dataclass(frozen=True)
class RuleBook:
    """The rows and papers that bear on one ship-to, read once."""

    ship_to: ShipTo
    rules: Sequence[RegionRule]
    papers: Sequence[Paper]
    used: dict[tuple[int, str], int]

    @classmethod
    def read(cls, *, ship_to: ShipTo) -> "RuleBook":
        papers = papers_for(ship_to)
        uses = PaperUse.objects.filter(paper__in=papers).values_list("paper", "taxon")
        return cls(
            ship_to=ship_to,
            rules=list(RegionRule.objects.filter(region__in=regions_of(ship_to))),
            papers=list(papers),
            used={(paper, taxon): total for paper, taxon, total in uses.annotate(Sum("pieces"))},
        )

    def judge(self, *, strain: Strain | Kind, on: date) -> Judgement:
        """The strictest verdict any row has for this strain. No row at all: a person decides."""
        judgements = [self._of_row(row, strain, on) for row in self._rows_for(strain)]
        if not any(row.region == self.ship_to.region for row in self._rows_for(strain)):
            words = (
                f"no rule is on file for {_class_name(strain).lower()} to "
                f"{self.ship_to.place}; the office checks and confirms"
            )
            judgements.append(Judgement("ask", "rule_unknown", words))
        return min(judgements, key=_strictness)

    def _rows_for(self, strain: Strain | Kind) -> list[RegionRule]:
        """For each region the nearest row: a taxon's own before its class's."""
        rows = []
        for region in sorted({row.region for row in self.rules}):
            there = [row for row in self.rules if row.region == region]
            nearest = _nearest(there, strain)
            if nearest is not None:
                rows.append(nearest)
        return rows

    def _of_row(self, row: RegionRule, strain: Strain | Kind, on: date) -> Judgement:
        verdict = row.verdict_on(on)
        if verdict == RegionRule.Verdict.FORBID:
            return Judgement(verdict, "region_forbids", f"{row.text} ({self.ship_to.place})")
        if verdict == RegionRule.Verdict.ASK:
            return Judgement(verdict, "person_confirms", row.text)
        if verdict == RegionRule.Verdict.ALLOW:
            return Judgement(verdict, "", "")
        return self._paper_judgement(row, strain, on)

    def _paper_judgement(self, row: RegionRule, strain: Strain | Kind, on: date) -> Judgement:
        for paper in self.papers:
            if not paper.is_valid_on(on) or not _covers(paper, row, strain):
                continue
            balance = self._balance(paper, strain.taxon)
            if balance is None or balance > 0:
                return Judgement("allow", "", f"paper {paper.code}", paper, balance)
        return Judgement("paper", "paper_missing", f"waits for a paper: {row.text}")

    def _balance(self, paper: Paper, taxon: str) -> int | None:
        """Pieces still allowed on a paper; None where it sets no number."""
        allowed = paper.allowed.get(taxon)
        if allowed is None:
            return None
        return int(allowed) - self.used.get((paper.pk, taxon), 0)


def _strictness(row: Judgement) -> tuple[int, bool, float]:
    """Of two that allow, the one that rests on a paper, and of two papers the one with less left:
    else a row that merely allows would hide how many pieces the paper lets go."""
    left = float("inf") if row.balance_pieces is None else row.balance_pieces
    return STRICTEST_FIRST.index(row.verdict), row.paper is None, left


def _class_name(strain: Strain | Kind) -> str:
    return strain.class_name if isinstance(strain, Kind) else strain.strain_class.name


def _nearest(rows: Iterable[RegionRule], strain: Strain | Kind) -> RegionRule | None:
    own = [row for row in rows if row.taxon and row.taxon == strain.taxon]
    if own:
        return own[0]
    of_class = [row for row in rows if row.strain_class_id == strain.strain_class_id]
    if of_class:
        return of_class[0]
    # A row without class or taxon speaks of everything that is listed for trade.
    listed = [row for row in rows if row.strain_class_id is None and not row.taxon]
    return listed[0] if listed and strain.cites_appendix else None


def _covers(paper: Paper, row: RegionRule, strain: Strain | Kind) -> bool:
    if row.region == EXPORT_REGION:
        wanted = "re-export certificate" if strain.is_reexport else "export permit"
        return paper.kind == wanted and strain.taxon in paper.allowed
    if paper.kind in ("export permit", "re-export certificate", "import permit"):
        return False
    return strain.strain_class_id in paper.classes or strain.taxon in paper.allowed
