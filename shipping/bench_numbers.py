"""HOP 10a the bench's numbers: settings, kinds, lanes and bags as the numbers-only rooms want them.

Call from: shipping/clearing.py, shipping/plan_records.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from inventory.setting_book import SettingBook
from orders.calc.pricing import (
    PriceBook,
    billable_lb,
    boxes_and_packs,
    freight,
    lb_from_kg,
    outer_sides_in,
)
from orders.models import FreightRate, FreightZone, LaneLeg, ShipTo
from shipping.boxing import BagRow
from shipping.calc.boxes import BagItem, BoxLimits, BoxSize, FilledBox
from shipping.calc.heat import HeatSettings
from shipping.calc.losses import months_of
from shipping.calc.verdicts import Guards, Limits, tighter
from shipping.calc.weather import LaneDay, Leg
from shipping.lessons import LaneTerms, terms_by_lane
from shipping.models import BagKind, BoxKind, Forecast

CLASSES = ("SPS", "LPS", "SOFT", "ZOA", "MUSH", "CLAM", "MANG")


@dataclass(frozen=True)
class Bench:
    """The farm's numbers for packing, read once."""

    book: SettingBook
    sizes: list[BoxSize]
    bag_kinds: dict[str, BagKind]
    limits: dict[str, Limits]
    box_limits: BoxLimits
    heat: HeatSettings
    guards: Guards
    prices: PriceBook
    shift_c: float
    # Freight of each zone that has a rate of its own by then: first pounds, each pound more.
    rates: dict[int, tuple[Decimal, Decimal]]
    # What signed rules ask of the lanes that lost too many.
    lane_terms: dict[int, LaneTerms]

    @classmethod
    def read(cls, *, on: date) -> "Bench":
        book = SettingBook.read(on=on)
        return cls(
            book=book,
            sizes=[_box_size(kind) for kind in BoxKind.objects.order_by("code")],
            bag_kinds={kind.code: kind for kind in BagKind.objects.all()},
            limits={name: _limits(book, name) for name in CLASSES},
            box_limits=BoxLimits(
                fill_share=book.number("box_fill_share"),
                fill_kg=book.number("fill_mass_kg"),
                most_kg=book.number("handling_limit_kg"),
            ),
            heat=_heat_settings(book),
            guards=_guards(book),
            prices=price_book(book),
            shift_c=book.number("forecast_shift_c"),
            rates=_rates(on),
            lane_terms=terms_by_lane(on=on, months=months_of(month=on.month)),
        )

    def for_lane(self, ship_to: ShipTo) -> "Bench":
        """The numbers as they hold for one lane: without sizes that it may not use, and with both
        caution lines drawn in where its losses were too many."""
        terms = self.lane_terms.get(ship_to.pk)
        if terms is None:
            return self
        return replace(
            self,
            lane_terms={},
            sizes=[size for size in self.sizes if size.code not in terms.no_boxes],
            limits={
                name: tighter(limits=limits, by_c=terms.tighter_c)
                for name, limits in self.limits.items()
            },
        )

    def rate_of(self, zone: FreightZone) -> tuple[Decimal, Decimal]:
        """What a box costs to a zone: its first pounds, and each pound more. [money]"""
        return self.rates.get(zone.pk, (zone.base, zone.rate_per_lb))


def _rates(on: date) -> dict[int, tuple[Decimal, Decimal]]:
    rows = FreightRate.objects.filter(starts_on__lte=on).order_by("starts_on")
    return {row.zone_id: (row.base, row.rate_per_lb) for row in rows}


def _box_size(kind: BoxKind) -> BoxSize:
    return BoxSize(
        code=kind.code,
        inner_cm=(float(kind.inner_l_cm), float(kind.inner_w_cm), float(kind.inner_h_cm)),
        foam_cm=float(kind.foam_cm),
        tare_kg=float(kind.tare_kg),
        max_heat_packs=kind.max_heat_packs,
    )


def _limits(book: SettingBook, strain_class: str) -> Limits:
    return Limits(
        **{
            name: book.number(name, strain_class=strain_class)
            for name in ("caution_low_c", "caution_high_c", "stop_low_c", "stop_high_c")
        }
    )


def _heat_settings(book: SettingBook) -> HeatSettings:
    names = (
        "area_factor foam_k_w_m_k film_r_m2_k_w water_heat_j_l_k box_heat_j_k start_c step_s "
        "pack_wait_h pack_ramp_h air_heat_kj_l air_holes_l_h air_taped_l_h gel_w_k gel_kj"
    )
    numbers = {name: book.number(name) for name in names.split()}
    return HeatSettings(
        short_pack_w=book.number("pack_40_w"),
        short_pack_life_h=book.number("pack_40_life_h"),
        pack_w=book.number("pack_72_w"),
        pack_life_h=book.number("pack_72_life_h"),
        **numbers,
    )


def _guards(book: SettingBook) -> Guards:
    return Guards(
        no_heat_door_from_c=book.number("no_heat_door_from_c"),
        no_cool_hub_below_c=book.number("no_cool_hub_below_c"),
        door_least_c=book.number("door_least_c"),
        door_most_c=book.number("door_most_c"),
        most_gel_packs=book.whole("max_gel_packs"),
    )


def price_book(book: SettingBook) -> PriceBook:
    """The farm's charges as a setting book has them."""
    return PriceBook(
        box_charges={size: book.decimal(f"box_charge_{size}") for size in "SML"},
        heat_pack=book.decimal("heat_pack_price"),
        gel_pack=book.decimal("gel_pack_price"),
        export_papers=book.decimal("export_papers_price"),
    )


def lane_day(*, ship_to: ShipTo, forecast: Forecast, is_depot_accepted: bool = False) -> LaneDay:
    """A ship-to's lane with one forecast, as the numbers-only rooms want it.

    ``is_depot_accepted`` allows the depot for one order whose ship-to does not as a rule.
    """
    lane = ship_to.lane
    named = {
        "evening": forecast.evening_c,
        "hub": forecast.hub_c,
        "morning": forecast.morning_c,
        "midday": forecast.midday_c,
    }
    legs = [
        Leg(
            name=leg.name,
            hours=leg.hours,
            mode=leg.mode,
            share=leg.share,
            point=leg.point,
            fixed_share=leg.fixed_share,
            fixed_c=leg.fixed_c or 0.0,
            shift_share=leg.shift_share,
            rule=leg.rule,
        )
        for leg in LaneLeg.objects.filter(profile=lane.profile).order_by("leg")
    ]
    return LaneDay(
        legs=tuple(legs),
        points={name: value for name, value in named.items() if value is not None},
        is_sunny=lane.is_sunny,
        is_depot_allowed=ship_to.is_depot_allowed or is_depot_accepted,
        is_collected=ship_to.is_collected,
    )


def bag_items(*, rows: Sequence[BagRow], kinds: dict[str, BagKind]) -> list[BagItem]:
    """Every single bag, in order-line order."""
    items = []
    for row in rows:
        kind = kinds[row.bag]
        items += [
            BagItem(
                line=row.line_id,
                kind=row.bag,
                strain_class=row.strain_class,
                water_ml=kind.water_ml,
                packed_ml=round(kind.packed_l * 1000),
                mass_g=round(kind.mass_kg * 1000),
            )
        ] * row.bags
    return items


def money_of(
    ship_to: ShipTo, filled: Sequence[FilledBox], heat: int, gel: int, bench: Bench
) -> tuple[Decimal, Decimal]:
    """Freight, and boxes with packs, of a set of filled boxes."""
    base, rate_per_lb = bench.rate_of(ship_to.zone)
    road = freight(
        base=base,
        rate_per_lb=rate_per_lb,
        billables_lb=[billable_of(box, bench) for box in filled],
        first_lb=bench.book.whole("freight_first_lb"),
        fuel_factor=bench.book.decimal("fuel_factor"),
    )
    charge = boxes_and_packs(
        sizes=[box.size.code for box in filled],
        heat_packs=heat,
        gel_packs=gel,
        price_book=bench.prices,
    )
    return road, charge


def billable_of(box: FilledBox, bench: Bench) -> int:
    outer = outer_sides_in(
        inner_cm=box.size.inner_cm,
        foam_cm=box.size.foam_cm,
        carton_cm=bench.book.number("carton_cm"),
    )
    return billable_lb(
        gross_lb=lb_from_kg(mass_kg=box.gross_kg(bench.box_limits)),
        outer_in=outer,
        divisor=bench.book.whole("billable_divisor"),
        side_rounding=bench.book.text("side_rounding"),
    )
