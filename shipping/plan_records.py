"""HOP 10b the record of a plan: boxes, curves, what was tried, cautions, and its sentence.

Call from: shipping/clearing.py.
"""

from collections.abc import Sequence
from typing import Any

from shipping.bench_numbers import Bench, billable_of
from shipping.boxing import BagRow
from shipping.calc.bags import place_rank, place_words
from shipping.calc.plans import PackChoice, PackedBox, PlanOutcome, curves_of
from shipping.calc.verdicts import Limits
from shipping.calc.weather import LaneDay

HEAT_CAUTION = (
    "Heat packs get hot, to 60 °C and more where oxygen leaks: wrapped, on the lid, 3 cm of air "
    "and paper between pack and bag, never against a bag or skin, holes punched in the liner."
)
OXYGEN_CAUTION = (
    "Oxygen feeds fire: no flame, no oil or grease at the valve, cylinder tied upright, room "
    "aired. "
    "Never dry ice with live animals. Local codes and the carrier's rules come first."
)
CAUTIONS = (HEAT_CAUTION, OXYGEN_CAUTION)


def _tenths(band: tuple[float, float]) -> list[float]:
    return [round(band[0], 1), round(band[1], 1)]


def limit_lines(limits: Limits) -> dict[str, float]:
    return {
        "caution_low_c": limits.caution_low_c,
        "caution_high_c": limits.caution_high_c,
        "stop_low_c": limits.stop_low_c,
        "stop_high_c": limits.stop_high_c,
    }


def box_record(
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
        "billable_lb": billable_of(filled, bench),
        "packs": option.heat_packs,
        "gels": option.gel_packs,
        "base": _tenths(option.base),
        "shifted": _tenths(option.shifted),
        "late": _tenths(option.late),
        "bag_lines": [[row.line_id, counts[row.line_id]] for row in lines],
        "limits": limit_lines(box.limits),
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


def worth_showing(outcome: PlanOutcome) -> list[PackChoice]:
    """The chosen set and the nearest others: each box set once a delivery, cheapest first."""
    return sorted(
        outcome.tried,
        key=lambda row: (row.is_barred, ("clear", "care", "stop").index(row.verdict), row.money),
    )[:12]


def tried_record(choice: PackChoice) -> dict[str, Any]:
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


def option_record(option: Any) -> dict[str, Any]:
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


def cautions_for(rows: Sequence[BagRow], heat_packs: int) -> list[str]:
    cautions = [OXYGEN_CAUTION]
    if heat_packs:
        cautions.insert(0, HEAT_CAUTION)
    if any(row.toxin >= 2 for row in rows):
        cautions.append(
            "Zoanthids and Palythoa can carry palytoxin: own sealed liner, gloves and goggles, no "
            "bare cuts, no scraping or heating; surfaces with household bleach 1 to 9 parts water, "
            'aired. Feeling ill: see a doctor and say "possible palytoxin".'
        )
    return cautions


def plan_sentence(choice: PackChoice) -> str:
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
    numbers = f"{min(lows):.1f} to {max(highs):.1f} °C on the way, {late:.1f} if a day late"
    if choice.is_barred:
        return f"Every way to pack it is barred; nearest is {way}: {numbers}."
    if choice.verdict == "clear":
        return f"{way}: {numbers}."
    if choice.verdict == "care":
        return f"{way}: {numbers}. It needs the shop's consent to the late risk."
    return f"{way} comes closest: {numbers}."
