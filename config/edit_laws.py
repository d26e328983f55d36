"""The edit tables of region rules and papers: the office drafts, the owner signs.

Call from: config/edit_subjects.py. A row says who read what, and when; it is no advice.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any, ClassVar

from django.db.models import Q
from django.utils import timezone

from config.edit_fields import Fault, Field, code, day, maybe, one_of, region, words
from config.edit_rows import RowSubject, choices_of
from config.edit_trials import UNDER_WAY
from config.editing import Edit, Touched, Values
from inventory.errors import Unknown
from inventory.models import StrainClass
from inventory.setting_book import SettingBook
from orders.models import Customer, Paper, RegionRule, ShipTo
from orders.rules import EVERYWHERE, EXPORT_REGION


def _verdicts() -> Sequence[tuple[str, str]]:
    return list(RegionRule.Verdict.choices)


def _where(text: str) -> str:
    """A region, everywhere, or every export."""
    kept = text.strip()
    return kept if kept in (EVERYWHERE, EXPORT_REGION) else region(kept)


def _classes(text: str) -> list[str]:
    known = set(StrainClass.objects.values_list("code", flat=True))
    typed = text.upper().split()
    wrong = [name for name in typed if name not in known]
    if wrong:
        raise Fault(f"“{wrong[0]}” is no class. Type classes such as {' '.join(sorted(known))}.")
    return typed


def allowed_taxa(text: str) -> dict[str, int | None]:
    """One taxon a line, with its pieces after an equals sign, or none for no limit."""
    allowed: dict[str, int | None] = {}
    for line in filter(None, (part.strip() for part in text.splitlines())):
        taxon, has_limit, pieces = (part.strip() for part in line.partition("="))
        if has_limit and not (pieces.isascii() and pieces.isdecimal() and len(pieces) < 8):
            raise Fault(
                f"“{line[:40]}” has no whole number behind its =. Type Tridacna crocea = 40."
            )
        allowed[taxon] = int(pieces) if has_limit else None
    return allowed


class RegionRules(RowSubject):
    key = "region-rules"
    title = "Region rules"
    one = "region rule"
    intro = (
        "What may go where, who read the law and when. Past its review day a row drops one step."
    )
    columns: ClassVar[tuple[str, ...]] = ("verdict", "says", "read", "review by")
    right = "draft_law_rows"
    sign_right = "sign_law_rows"
    has_start = True
    model = RegionRule
    known_by = "region"
    links: ClassVar[Any] = {"strain_class": (StrainClass, "code")}
    table: ClassVar[tuple[Field, ...]] = (
        Field("region", "Region", _where, "", "US-MN, CA-ON; * for everywhere, export for abroad",
              is_for_new=True),
        Field("strain_class", "Class", one_of(choices_of(StrainClass, "code", is_needed=False)),
              "", "none: the taxon decides", "choice",
              choices_of(StrainClass, "code", is_needed=False), is_for_new=True),
        Field("taxon", "Taxon", words(80), "", "nearer than a class", is_for_new=True),
        Field("verdict", "Verdict", one_of(_verdicts), "", "", "choice", _verdicts),
        Field("text", "What the row says", words(300, is_needed=True)),
        Field("checked_on", "Law read on", day, "", "", "date"),
        Field("review_by", "Review by", maybe(day), "", "empty: as many days later as the setting",
              "date"),
    )  # fmt: skip
    begins_with: ClassVar[Values] = {"verdict": "ask"}

    def all(self) -> Any:
        rows = RegionRule.objects.select_related("strain_class")
        return rows.order_by("region", "strain_class__list_order", "taxon")

    def name_of(self, row: RegionRule) -> str:
        return " ".join(filter(None, (row.region, row.strain_class_id or "", row.taxon)))

    def key_of(self, row: RegionRule) -> str:
        return f"{row.region}:{row.strain_class_id or ''}:{row.taxon}"

    def group(self, row: RegionRule) -> str:
        return row.region

    def find(self, key: str) -> RegionRule:
        where, _, rest = key.partition(":")
        of_class, _, taxon = rest.partition(":")
        rows = RegionRule.objects.filter(region=where, taxon=taxon)
        row = rows.filter(strain_class=of_class or None).first()
        if row is None:
            raise Unknown(kind="region rule", name=key[:60])
        return row

    def cells(self, row: RegionRule, *, on: date) -> tuple[str, ...]:
        late = ": read it again" if row.review_by <= on else ""
        said = row.get_verdict_display()
        return (said, row.text, f"{row.checked_on}, {row.checked_by}", f"{row.review_by}{late}")

    def faults(self, row: RegionRule | None, values: Values) -> dict[str, str]:
        if row is None and not values["strain_class"] and not values["taxon"]:
            return {"taxon": "A row is about a class or a taxon. Choose a class or type a taxon."}
        if row is None and RegionRule.objects.filter(
            region=values["region"],
            strain_class=values["strain_class"] or None,
            taxon=values["taxon"],
        ).exists():  # fmt: skip
            return {"region": "There is such a row. Open it from the list and change it there."}
        if values["review_by"] and values["review_by"] <= values["checked_on"]:
            return {"review_by": "The review lies before the reading. Type a later day, or none."}
        return {}

    def save(self, row: RegionRule, edit: Edit) -> None:
        row.checked_by = edit.user.name[:60]
        if row.review_by is None:
            days = SettingBook.read(on=timezone.localdate(edit.now)).whole("law_review_days")
            row.review_by = row.checked_on + timedelta(days=days)
        super().save(row, edit)

    def touched(
        self, row: RegionRule | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        where = row.region if row else after["region"]
        doors = _doors(where).order_by("code")
        verdict = dict(RegionRule.Verdict.choices)[after["verdict"]]
        was = row.get_verdict_display() if row else "no row: a person decides"
        return [
            ("ship-to", f"{door.code} {door}: {was} to {verdict} on its list and when it sends")
            for door in doors
        ]

    def lines_judged(self, row: RegionRule | None, *, after: Values) -> Q | None:
        where = row.region if row else after["region"]
        of_class = (row.strain_class_id or "") if row else after["strain_class"]
        taxon = row.taxon if row else after["taxon"]
        found = Q(order__ship_to__in=_doors(where))
        if taxon:
            return found & Q(listing__strain_form__strain__taxon=taxon)
        if of_class:
            return found & Q(listing__strain_form__strain__strain_class=of_class)
        return found


def _doors(where: str) -> Any:
    doors = ShipTo.objects.select_related("customer")
    if where == EVERYWHERE:
        return doors
    return doors.filter(is_export=True) if where == EXPORT_REGION else doors.filter(region=where)


class Papers(RowSubject):
    key = "papers"
    title = "Papers"
    one = "paper"
    intro = "Permits and statements on file: whose, for what, from when to when, how much is used."
    columns: ClassVar[tuple[str, ...]] = ("kind", "whose", "for", "valid", "used")
    right = "draft_law_rows"
    sign_right = "sign_law_rows"
    has_start = True
    model = Paper
    links: ClassVar[Any] = {"customer": (Customer, "code"), "ship_to": (ShipTo, "code")}
    table: ClassVar[tuple[Field, ...]] = (
        Field("code", "Code", code(12), hint="never changed afterwards", is_for_new=True),
        Field("kind", "Kind", words(60, is_needed=True), "", "such as: plant certificate"),
        Field("number", "Number on the paper", words(60)),
        Field("customer", "Customer", one_of(choices_of(Customer, "code", is_needed=False)), "",
              "none: the farm's own", "choice", choices_of(Customer, "code", is_needed=False)),
        Field("ship_to", "Ship-to", one_of(choices_of(ShipTo, "code", is_needed=False)), "",
              "none: every door of the customer", "choice",
              choices_of(ShipTo, "code", is_needed=False)),
        Field("classes", "Classes", _classes, "", "such as: SPS LPS CLAM"),
        Field("allowed", "Taxa and pieces", allowed_taxa, "",
              "one taxon a line; with = and a number where the paper has a limit", "lines"),
        Field("valid_from", "Valid from", maybe(day), "", "", "date"),
        Field("valid_to", "Valid to", maybe(day), "", "empty: no end", "date"),
    )  # fmt: skip

    def all(self) -> Any:
        rows = Paper.objects.select_related("customer", "ship_to").prefetch_related("uses")
        return rows.order_by("code")

    def cells(self, row: Paper, *, on: date) -> tuple[str, ...]:
        whose = row.ship_to or row.customer
        used = sum(use.pieces for use in row.uses.all())
        end = f"{row.valid_from or ''} to {row.valid_to or 'no end'}".strip()
        late = " (over)" if row.valid_to and row.valid_to < on else ""
        what = ", ".join([*row.classes, *row.allowed])
        return (row.kind, str(whose or "the farm"), what, end + late, f"{used}" if used else "")

    def faults(self, row: Paper | None, values: Values) -> dict[str, str]:
        starts, ends = values["valid_from"], values["valid_to"]
        if starts and ends and ends < starts:
            return {"valid_to": f"It would end before it begins. Type {starts} or a later day."}
        used: dict[str, int] = {}
        for use in row.uses.all() if row is not None else ():
            used[use.taxon] = used.get(use.taxon, 0) + use.pieces
        for taxon, pieces in used.items():
            limit = values["allowed"].get(taxon)
            if limit is not None and limit < pieces:
                return {"allowed": f"{pieces} of {taxon} are used already. Type {pieces} or more."}
        return {}

    def touched(
        self, row: Paper | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        if row is None:
            return [
                ("next", "lines that wait for a paper are judged by it when they are confirmed")
            ]
        uses = row.uses.select_related("line__order", "line__listing").order_by("line__order")
        found: Touched = []
        for use in uses:
            order = use.line.order
            is_open = order.state in UNDER_WAY
            late = after["valid_to"] is not None and order.ship_on > after["valid_to"]
            said = "its paper would be over by then" if late else "judged again at hand-over"
            found.append(
                (
                    "line",
                    f"order {order.number}, {use.line.listing.name}: {use.pieces} of {use.taxon}, "
                    f"{said if is_open else 'gone with it'}",
                )
            )
        return found

    def lines_judged(self, row: Paper | None, *, after: Values) -> Q | None:
        customer = row.customer.code if row and row.customer else after.get("customer", "")
        door = row.ship_to.code if row and row.ship_to else after.get("ship_to", "")
        if door:
            return Q(order__ship_to__code=door)
        return Q(order__customer__code=customer) if customer else None
