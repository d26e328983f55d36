"""HOP 10 heat: boxes, lane, forecast -> pack plan and verdict: clear, care, stop.

Call from: shipping/pages.py, config/playing.py.
Locks: the order's row, so that one live plan stands for an order.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from django.db import transaction

from inventory.errors import FarmError
from inventory.models import Happening
from inventory.people import User
from inventory.setting_book import SettingBook
from orders.calc.pricing import (
    PriceBook,
    billable_lb,
    boxes_and_packs,
    freight,
    lb_from_kg,
    order_total,
    outer_sides_in,
)
from orders.models import LaneLeg, Order, ShipTo, ShipWeek
from shipping.boxing import BagRow, bags_hash, bags_of, goods_of
from shipping.calc.bags import place_rank, place_words
from shipping.calc.boxes import BagItem, BoxLimits, BoxSize, FilledBox
from shipping.calc.heat import HeatSettings
from shipping.calc.plans import (
    Guards,
    Limits,
    PackChoice,
    PackedBox,
    PlanOutcome,
    curves_of,
    model_act,
    plan_order,
    thumb_rule,
)
from shipping.calc.weather import LaneDay, Leg
from shipping.handing_over import make_shipment, move_shipment
from shipping.models import BagKind, BoxKind, Forecast, PackPlan, Shipment

CLASSES = ("SPS", "LPS", "SOFT", "ZOA", "MUSH", "CLAM", "MANG")
PLANNABLE = ("promised", "in pick", "packed")
CAUTIONS = (
    "Heat packs get hot, to 60 C and more where oxygen leaks: wrapped, on the lid, 3 cm of air and "
    "paper between pack and bag, never against a bag or skin, holes punched in the liner.",
    "Oxygen feeds fire: no flame, no oil or grease at the valve, cylinder tied upright, room aired. "
    "Never dry ice with live animals. Local codes and the carrier's rules come first.",
)


class NothingToPack(FarmError):
    code = "nothing_to_pack"
    title = "There is nothing to pack"
    message = "Order {order} has no inked promise for {day}. Share out and ink first."


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
            prices=_prices(book),
            shift_c=book.number("forecast_shift_c"),
        )


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
        pack_w=book.number("pack_72_w"), pack_life_h=book.number("pack_72_life_h"), **numbers
    )


def _guards(book: SettingBook) -> Guards:
    return Guards(
        no_heat_door_from_c=book.number("no_heat_door_from_c"),
        no_cool_hub_below_c=book.number("no_cool_hub_below_c"),
        door_least_c=book.number("door_least_c"),
        door_most_c=book.number("door_most_c"),
        most_gel_packs=book.whole("max_gel_packs"),
    )


def _prices(book: SettingBook) -> PriceBook:
    return PriceBook(
        box_charges={size: book.decimal(f"box_charge_{size}") for size in "SML"},
        heat_pack=book.decimal("heat_pack_price"),
        gel_pack=book.decimal("gel_pack_price"),
        export_papers=book.decimal("export_papers_price"),
    )


def plan_week(
    *,
    week: ShipWeek,
    now: datetime,
    user: User | None = None,
    ship_on: date | None = None,
    stage: str = "by hand",
    is_final: bool = False,
) -> list[PackPlan]:
    """Plan the boxes of every order of a week, or of one ship day, against the newest forecast.

    ``is_final`` is the check on the morning of the ship day: an order that is then not clear and
    whose shop said "move day if late risk" is set aside to the next ship day.
    """
    if user is not None:
        user.must("plan_packs")
    orders = Order.objects.filter(week=week, state__in=PLANNABLE)
    if ship_on is not None:
        orders = orders.filter(ship_on=ship_on)
    bench = Bench.read(on=ship_on or week.first_ship_on)
    plans = []
    for order in orders.select_related("ship_to__lane", "ship_to__zone", "customer", "week"):
        if bags_of(order=order):
            plans.append(make_plan(order=order, now=now, bench=bench, stage=stage))
            if is_final:
                plans[-1] = _move_day_if_asked(order, plans[-1], now, bench, stage)
    return plans


@transaction.atomic
def make_plan(
    *, order: Order, now: datetime, bench: Bench, stage: str, has_holes: bool = True
) -> PackPlan:
    """Plan one order's boxes and let the verdict move its shipment. The last plan is void.

    Raises NothingToPack.
    """
    Order.objects.select_for_update().get(pk=order.pk)
    rows = bags_of(order=order)
    if not rows:
        raise NothingToPack(order=order.number, day=f"{order.ship_on:%a %-d %b}")
    forecast = newest_forecast(ship_to=order.ship_to, ship_on=order.ship_on, now=now)
    is_fresh = forecast is not None and now - forecast.issued_at <= timedelta(
        hours=bench.book.number("forecast_max_age_h")
    )
    outcome = None
    if forecast is not None and is_fresh:
        day = lane_day(ship_to=order.ship_to, forecast=forecast)
        outcome = _outcome(order.ship_to, rows, day, bench, has_holes)
    PackPlan.objects.filter(order=order, void_at__isnull=True).update(
        void_at=now, void_reason="planned again"
    )
    if outcome is None or outcome.choice is None:
        plan = _stop_plan(order, rows, forecast, now, stage, outcome)
    else:
        plan = _write_plan(order, rows, forecast, outcome, day, now, stage, bench, has_holes)
    _move_shipment(order, plan, now)
    return plan


def newest_forecast(*, ship_to: ShipTo, ship_on: date, now: datetime) -> Forecast | None:
    """The forecast issued last by now for a ship-to and ship day."""
    rows = Forecast.objects.filter(ship_to=ship_to, ship_on=ship_on, issued_at__lte=now)
    return rows.order_by("-issued_at").first()


def lane_day(*, ship_to: ShipTo, forecast: Forecast) -> LaneDay:
    """A ship-to's lane with one forecast, as the numbers-only rooms want it."""
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
        is_depot_allowed=ship_to.is_depot_allowed,
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


def _outcome(
    ship_to: ShipTo, rows: Sequence[BagRow], day: LaneDay, bench: Bench, has_holes: bool
) -> PlanOutcome:
    return plan_order(
        bags=bag_items(rows=rows, kinds=bench.bag_kinds),
        sizes=bench.sizes,
        limits_by_class=bench.limits,
        day=day,
        cost_of=lambda filled, heat, gel: sum(
            _money(ship_to, filled, heat, gel, bench), Decimal(0)
        ),
        heat=bench.heat,
        box_limits=bench.box_limits,
        guards=bench.guards,
        shift_c=bench.shift_c,
        has_holes=has_holes,
    )


def _money(
    ship_to: ShipTo, filled: Sequence[FilledBox], heat: int, gel: int, bench: Bench
) -> tuple[Decimal, Decimal]:
    """Freight, and boxes with packs, of a set of filled boxes."""
    road = freight(
        base=ship_to.zone.base,
        rate_per_lb=ship_to.zone.rate_per_lb,
        billables_lb=[_billable(box, bench) for box in filled],
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


def _billable(box: FilledBox, bench: Bench) -> int:
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


def _stop_plan(
    order: Order,
    rows: list[BagRow],
    forecast: Forecast | None,
    now: datetime,
    stage: str,
    outcome: PlanOutcome | None,
) -> PackPlan:
    """A plan that cannot be made: no fresh forecast, or no box set that carries the bags."""
    sentence = "No set of boxes carries these bags within volume and mass."
    if outcome is None:
        sentence = "No forecast younger than 6 h. Enter one by hand and plan again."
    zero = Decimal("0.00")
    goods = goods_of(rows=rows)
    return PackPlan.objects.create(
        order=order,
        ship_on=order.ship_on,
        made_at=now,
        stage=stage,
        forecast=forecast,
        verdict=PackPlan.Verdict.STOP,
        delivery="",
        sentence=sentence,
        goods=goods,
        freight=zero,
        boxes_and_packs=zero,
        total=goods,
        bags_hash=bags_hash(rows=rows),
        record=json.dumps({"boxes": [], "tried": [], "cautions": list(CAUTIONS), "limits": {}}),
    )


def _write_plan(
    order: Order,
    rows: list[BagRow],
    forecast: Forecast | None,
    outcome: PlanOutcome,
    day: LaneDay,
    now: datetime,
    stage: str,
    bench: Bench,
    has_holes: bool,
) -> PackPlan:
    choice = outcome.choice
    assert choice is not None  # the caller has looked
    filled = [box.filled for box in choice.boxes]
    heat = sum(box.option.heat_packs for box in choice.boxes)
    gel = sum(box.option.gel_packs for box in choice.boxes)
    road, charge = _money(order.ship_to, filled, heat, gel, bench)
    goods = goods_of(rows=rows)
    thumb = thumb_rule(
        day=day,
        pack_below_c=bench.book.number("thumb_pack_below_c"),
        hold_below_c=bench.book.number("thumb_hold_below_c"),
        hold_above_c=bench.book.number("thumb_hold_above_c"),
        cool_from_c=bench.guards.no_heat_door_from_c,
    )
    record = {
        "boxes": [_box_record(box, rows, day, bench, has_holes) for box in choice.boxes],
        "tried": [_tried_record(row) for row in _worth_showing(outcome)],
        "options": [_option_record(row) for row in outcome.options],
        "limits": _lines(choice.boxes[0].limits),
        "cautions": _cautions(rows, heat),
    }
    return PackPlan.objects.create(
        order=order,
        ship_on=order.ship_on,
        made_at=now,
        stage=stage,
        forecast=forecast,
        verdict=choice.verdict,
        delivery=choice.delivery,
        sentence=_sentence(choice, day),
        thumb_rule=thumb.sentence,
        is_thumb_different=thumb.act != model_act(choice=choice),
        goods=goods,
        freight=road,
        boxes_and_packs=charge,
        total=order_total(goods=goods, freight=road, boxes_and_packs=charge),
        bags_hash=bags_hash(rows=rows),
        record=json.dumps(record, ensure_ascii=False, separators=(",", ":")),
    )


def _tenths(band: tuple[float, float]) -> list[float]:
    return [round(band[0], 1), round(band[1], 1)]


def _lines(limits: Limits) -> dict[str, float]:
    return {
        "caution_low_c": limits.caution_low_c,
        "caution_high_c": limits.caution_high_c,
        "stop_low_c": limits.stop_low_c,
        "stop_high_c": limits.stop_high_c,
    }


def _box_record(
    box: PackedBox, rows: Sequence[BagRow], day: LaneDay, bench: Bench, has_holes: bool
) -> dict[str, Any]:
    filled, option = box.filled, box.option
    counts: dict[int, int] = {}
    for bag in filled.bags:
        counts[bag.line] = counts.get(bag.line, 0) + 1
    lines = [row for row in rows if row.line_id in counts]
    return {
        "size": filled.size.code,
        "bags": len(filled.bags),
        "water_l": round(filled.water_l, 2),
        "gross_kg": round(filled.gross_kg(bench.box_limits), 1),
        "billable_lb": _billable(filled, bench),
        "packs": option.heat_packs,
        "gels": option.gel_packs,
        "base": _tenths(option.base),
        "shifted": _tenths(option.shifted),
        "late": _tenths(option.late),
        "bag_lines": [[row.line_id, counts[row.line_id]] for row in lines],
        "limits": _lines(box.limits),
        "contents": [_content(row, counts[row.line_id]) for row in _bottom_first(lines)],
        "curve": curves_of(
            box=box, day=day, heat=bench.heat, shift_c=bench.shift_c, has_holes=has_holes
        ),
    }


def _bottom_first(rows: Sequence[BagRow]) -> list[BagRow]:
    return sorted(
        rows,
        key=lambda row: (
            place_rank(strain_class=row.strain_class, toxin=row.toxin),
            row.position,
        ),
    )


def _content(row: BagRow, bags: int) -> dict[str, Any]:
    return {
        "listing": row.listing,
        "kind": row.bag,
        "bags": bags,
        "where": place_words(
            bag=row.bag, strain_class=row.strain_class, toxin=row.toxin, sting=row.sting
        ),
    }


def _worth_showing(outcome: PlanOutcome) -> list[PackChoice]:
    """The chosen set and the nearest others: each box set once a delivery, cheapest first."""
    return sorted(
        outcome.tried,
        key=lambda row: (row.is_barred, ("clear", "care", "stop").index(row.verdict), row.money),
    )[:12]


def _tried_record(choice: PackChoice) -> dict[str, Any]:
    options = [box.option for box in choice.boxes]
    barred = next((row.barred for row in options if row.barred), "")
    return {
        "boxes": " + ".join(box.filled.size.code for box in choice.boxes),
        "packs": "; ".join(row.words for row in options),
        "verdict": choice.verdict,
        "low": round(min(row.base[0] for row in options), 1),
        "high": round(max(row.base[1] for row in options), 1),
        "late": round(min(row.late[0] for row in options), 1),
        "money": str(choice.money),
        "why": f"barred: {barred}" if barred else f"{choice.money} on the road",
    }


def _option_record(option: Any) -> dict[str, Any]:
    return {
        "words": option.words,
        "delivery": option.delivery,
        "packs": option.heat_packs,
        "gels": option.gel_packs,
        "verdict": option.verdict,
        "barred": option.barred,
        "base": _tenths(option.base),
        "shifted": _tenths(option.shifted),
        "late": _tenths(option.late),
    }


def _cautions(rows: Sequence[BagRow], heat_packs: int) -> list[str]:
    cautions = [CAUTIONS[1]]
    if heat_packs:
        cautions.insert(0, CAUTIONS[0])
    if any(row.toxin >= 2 for row in rows):
        cautions.append(
            "Zoanthids and Palythoa can carry palytoxin: own sealed liner, gloves and goggles, no "
            "bare cuts, no scraping or heating; surfaces with household bleach 1 to 9 parts water, "
            'aired. Feeling ill: see a doctor and say "possible palytoxin".'
        )
    return cautions


def _sentence(choice: PackChoice, day: LaneDay) -> str:
    lows = [box.option.base[0] for box in choice.boxes]
    highs = [box.option.base[1] for box in choice.boxes]
    late = min(box.option.late[0] for box in choice.boxes)
    boxes = " + ".join(box.filled.size.code for box in choice.boxes)
    packs = sum(box.option.heat_packs for box in choice.boxes)
    inside = f"{packs} heat pack{'s' if packs != 1 else ''}" if packs else "no packs"
    gels = sum(box.option.gel_packs for box in choice.boxes)
    if gels:
        inside = f"{gels} cool pack{'s' if gels != 1 else ''}"
    way = f"{boxes}, {inside}, {choice.delivery}"
    numbers = f"{min(lows):.1f} to {max(highs):.1f} C on the way, {late:.1f} if a day late"
    if choice.is_barred:
        return f"Every way to pack it is barred; nearest is {way}: {numbers}."
    if choice.verdict == "clear":
        return f"{way}: {numbers}."
    if choice.verdict == "care":
        return f"{way}: {numbers}. It needs the shop's consent to the late risk."
    return f"{way} comes closest: {numbers}."


def _move_shipment(order: Order, plan: PackPlan, now: datetime) -> None:
    """Let the verdict clear or stop the shipment; care needs the shop's consent."""
    shipment = make_shipment(order=order)
    if shipment.state not in (
        Shipment.State.PLANNED, Shipment.State.CLEARED, Shipment.State.STOPPED,
    ):
        return
    if shipment.ship_on != order.ship_on or shipment.delivery != plan.delivery:
        Shipment.objects.filter(pk=shipment.pk).update(
            ship_on=order.ship_on, delivery=plan.delivery
        )
    is_clear = plan.verdict == PackPlan.Verdict.CLEAR or (
        plan.verdict == PackPlan.Verdict.CARE and order.is_late_risk_accepted
    )
    state = Shipment.State.CLEARED if is_clear else Shipment.State.STOPPED
    was = shipment.state
    move_shipment(shipment=shipment, state=state, reason=plan.sentence)
    if was != state and state == Shipment.State.STOPPED:
        facts = {
            "order": order.number, "customer": order.customer.code, "reason": plan.sentence,
        }
        Happening.objects.create(kind="shipment.stopped", at=now, facts=facts)


def _move_day_if_asked(
    order: Order, plan: PackPlan, now: datetime, bench: Bench, stage: str
) -> PackPlan:
    """On the morning itself: a shop that said so is moved to the next ship day, promises inked."""
    if plan.verdict == PackPlan.Verdict.CLEAR or order.is_late_risk_accepted:
        return plan
    later = [day for day in order.week.ship_days if day > order.ship_on]
    if not later or "move day" not in order.customer.late_risk_choice:
        return plan
    set_aside(order=order, to=later[0], now=now, reason=plan.sentence)
    order.refresh_from_db()
    return make_plan(order=order, now=now, bench=bench, stage=stage)


@transaction.atomic
def set_aside(*, order: Order, to: date, now: datetime, reason: str) -> Order:
    """Move an order to another ship day. Its promises stay inked; its sheets go stale."""
    order = Order.objects.select_for_update().get(pk=order.pk)
    was = order.ship_on
    order.ship_on = to
    order.office_note = f"moved from {was:%a %-d %b} to {to:%a %-d %b}: {reason}"[:300]
    order.save(update_fields=["ship_on", "office_note"])
    facts = {
        "order": order.number, "customer": order.customer.code, "from": was.isoformat(),
        "to": to.isoformat(), "reason": reason,
    }
    Happening.objects.create(kind="order.set_aside", at=now, facts=facts)
    Happening.objects.create(
        kind="order.changed", at=now, facts={**facts, "reason": order.office_note}
    )
    return order
