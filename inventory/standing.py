"""HOP 3a standing: every strain-form with what stands of it, in one statement.

Call from: inventory/supply.py and every hop that needs trays with their holds and cohorts.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.db.models import Case, F, FilteredRelation, IntegerField, OuterRef, Q, Subquery, When

from inventory.models import ColourInSystem, Hold, StrainForm, WalkNote

RESTING = ("resting", "returning")


@dataclass(frozen=True, slots=True)
class TrayStock:
    """What stands in one tray, with all that decides whether it may be sold."""

    tray: str
    tray_id: int
    system: str
    system_id: int
    trough_order: int
    slot: int
    use: str
    lot_id: int
    state: str
    pieces: int
    counted_on: date
    is_sample: bool
    cut_on: date | None
    age_months: int | None
    p50_on: date | None
    p80_on: date | None
    cohort: str | None
    rooted_on: date | None
    sampled: int | None
    rooted: int | None
    hold: str | None
    hold_grade: str | None
    hold_reason: str | None
    held_since: date | None
    held_until: date | None
    is_quarantine: bool = False
    dip_due_on: date | None = None
    colour_state: str | None = None
    rested_on: date | None = None

    @property
    def is_pale(self) -> bool:
        """Whether its water system rests by itself while another one's colour is good."""
        return self.colour_state in RESTING

    def care_stop(self, on: date) -> str:
        """Why its care keeps it back on that farm day: quarantine, an overdue dip, or nothing."""
        if self.is_quarantine:
            return "quarantine"
        return "overdue" if self.dip_due_on is not None and self.dip_due_on < on else ""

    def is_held_in(self, monday: date) -> bool:
        """Whether an open hold keeps it back in that week. A hold with an expected lift frees its
        trays from the first week whose Monday is after the lift."""
        return self.hold is not None and not (self.held_until and self.held_until < monday)

    def returns_in(self, monday: date) -> bool:
        """Whether it counts only because its hold is expected to lift by then."""
        return self.hold is not None and not self.is_held_in(monday)


@dataclass(slots=True)
class StrainStock:
    """A strain-form with its trays."""

    strain_form_id: int
    strain_id: int
    strain: str
    strain_class: str
    form: str
    unit: int
    is_making: bool
    floor_pieces: int
    heal_share: float
    colour: str
    colour_state: str | None
    rested_on: date | None
    back_likely_on: date | None
    back_from_on: date | None
    back_to_on: date | None
    drop_season: str
    trays: list[TrayStock]

    @property
    def key(self) -> str:
        return f"{self.strain} {self.form}"

    @property
    def is_resting(self) -> bool:
        return self.colour_state in RESTING

    def is_pale(self, row: TrayStock) -> bool:
        """Whether that tray's colour keeps it back though the strain as a whole does not rest."""
        return row.is_pale and not self.is_resting


def read_stock(*, strain_form_ids: Iterable[int] | None = None) -> list[StrainStock]:
    """Every strain-form with what stands of it, in one statement."""
    rows = StrainForm.objects.all()
    if strain_form_ids is not None:
        rows = rows.filter(pk__in=list(strain_form_ids))
    stocks: dict[int, StrainStock] = {}
    ordered = _annotated(rows).order_by(
        "strain__strain_class__list_order", "strain__key", "form__key", "tray_order", "slot"
    )
    for row in ordered.values(*_STRAIN_COLUMNS, *_TRAY_COLUMNS):
        stock = stocks.get(row["pk"])
        if stock is None:
            stock = stocks[row["pk"]] = _strain_stock(row)
        if row["standing__pieces"] is not None:
            stock.trays.append(_tray_stock(row))
    return list(stocks.values())


def _annotated(rows):  # type: ignore[no-untyped-def]
    holds = Hold.objects.filter(
        Q(system_id=OuterRef("standing__tray__trough__system_id"))
        | Q(trough_id=OuterRef("standing__tray__trough_id"))
        | Q(tray_id=OuterRef("standing__tray_id"))
        | Q(lot_id=OuterRef("standing__lot_id")),
        state__in=Hold.OPEN,
    )
    # A confirmed hold weighs more than a suspected one; of equals the one that lasts longest.
    weight = Case(When(grade="confirmed", then=0), default=1, output_field=IntegerField())
    worst = holds.order_by(weight, F("lift_expected_on").desc(nulls_first=True))
    samples = WalkNote.objects.filter(
        cohort_id=OuterRef("standing__lot__cohort_id"), sampled_pieces__isnull=False
    ).order_by("-looked_at")
    colours = ColourInSystem.objects.filter(
        strain_id=OuterRef("strain_id"), system_id=OuterRef("standing__tray__trough__system_id")
    )
    return rows.annotate(
        standing=FilteredRelation("balances", condition=Q(balances__pieces__gt=0)),
        tray_order=F("standing__tray__trough__walk_order"),
        slot=F("standing__tray__slot"),
        hold_code=Subquery(worst.values("code")[:1]),
        hold_grade=Subquery(worst.values("grade")[:1]),
        hold_reason=Subquery(worst.values("reason")[:1]),
        hold_since=Subquery(worst.values("raised_at__date")[:1]),
        hold_until=Subquery(
            holds.order_by(F("lift_expected_on").desc(nulls_first=True)).values("lift_expected_on")[
                :1
            ]
        ),
        system_colour=Subquery(colours.values("state")[:1]),
        system_rested_on=Subquery(colours.values("rested_on")[:1]),
        sampled=Subquery(samples.values("sampled_pieces")[:1]),
        rooted=Subquery(samples.values("rooted_pieces")[:1]),
    )


_STRAIN_COLUMNS = (
    "pk",
    "strain_id",
    "strain__key",
    "strain__strain_class_id",
    "strain__is_making",
    "strain__floor_pieces",
    "strain__colour",
    "strain__colour_state__state",
    "strain__colour_state__rested_on",
    "strain__colour_state__back_likely_on",
    "strain__colour_state__back_from_on",
    "strain__colour_state__back_to_on",
    "strain__drop_season",
    "form__key",
    "form__unit_pieces",
    "heal_share",
)


_TRAY_COLUMNS = (
    "standing__pieces",
    "standing__counted_on",
    "standing__is_sample",
    "standing__lot_id",
    "standing__lot__state",
    "standing__lot__cut_on",
    "standing__lot__age_months",
    "standing__lot__p50_on",
    "standing__lot__p80_on",
    "standing__lot__cohort__code",
    "standing__lot__cohort__rooted_on",
    "standing__lot__cohort__p50_on",
    "standing__tray_id",
    "standing__tray__code",
    "standing__tray__slot",
    "standing__tray__use",
    "standing__tray__trough__walk_order",
    "standing__tray__trough__system_id",
    "standing__tray__trough__system__code",
    "standing__tray__trough__system__is_quarantine",
    "standing__lot__dip_due_on",
    "sampled",
    "rooted",
    "hold_code",
    "hold_grade",
    "hold_reason",
    "hold_since",
    "hold_until",
    "system_colour",
    "system_rested_on",
)


def _strain_stock(row) -> StrainStock:  # type: ignore[no-untyped-def]
    return StrainStock(
        strain_form_id=row["pk"],
        strain_id=row["strain_id"],
        strain=row["strain__key"],
        strain_class=row["strain__strain_class_id"],
        form=row["form__key"],
        unit=row["form__unit_pieces"],
        is_making=row["strain__is_making"],
        floor_pieces=row["strain__floor_pieces"],
        heal_share=float(row["heal_share"] or 1),
        colour=row["strain__colour"],
        colour_state=row["strain__colour_state__state"],
        rested_on=row["strain__colour_state__rested_on"],
        back_likely_on=row["strain__colour_state__back_likely_on"],
        back_from_on=row["strain__colour_state__back_from_on"],
        back_to_on=row["strain__colour_state__back_to_on"],
        drop_season=row["strain__drop_season"],
        trays=[],
    )


def _tray_stock(row) -> TrayStock:  # type: ignore[no-untyped-def]
    return TrayStock(
        tray=row["standing__tray__code"],
        tray_id=row["standing__tray_id"],
        system=row["standing__tray__trough__system__code"],
        system_id=row["standing__tray__trough__system_id"],
        trough_order=row["standing__tray__trough__walk_order"],
        slot=row["standing__tray__slot"],
        use=row["standing__tray__use"],
        lot_id=row["standing__lot_id"],
        state=row["standing__lot__state"],
        pieces=row["standing__pieces"],
        counted_on=row["standing__counted_on"],
        is_sample=row["standing__is_sample"],
        cut_on=row["standing__lot__cut_on"],
        age_months=row["standing__lot__age_months"],
        p50_on=row["standing__lot__p50_on"],
        p80_on=row["standing__lot__p80_on"],
        cohort=row["standing__lot__cohort__code"],
        rooted_on=row["standing__lot__cohort__rooted_on"] or row["standing__lot__cohort__p50_on"],
        sampled=row["sampled"],
        rooted=row["rooted"],
        hold=row["hold_code"],
        hold_grade=row["hold_grade"],
        hold_reason=row["hold_reason"],
        held_since=row["hold_since"],
        held_until=row["hold_until"],
        is_quarantine=row["standing__tray__trough__system__is_quarantine"],
        dip_due_on=row["standing__lot__dip_due_on"],
        colour_state=row["system_colour"],
        rested_on=row["system_rested_on"],
    )
