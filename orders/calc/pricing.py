"""Money of an order: unit prices, lines, freight, boxes and packs, totals, credits.

Money is Decimal and rounded half up, once, where a rule says so. A float is refused: 1.005 as a
float lies below the half and would lose its cent.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

CENT = Decimal("0.01")
KG_PER_LB = Decimal("0.45359237")
CM_PER_IN = Decimal("2.54")
# Far below any scale or tape: takes off the dust of float sums before rounding up.
DUST = Decimal("0.000001")


@dataclass(frozen=True, slots=True)
class PriceBook:
    """The farm's charges for boxes, packs and papers as they stand on a day."""

    box_charges: Mapping[str, Decimal]
    heat_pack: Decimal
    gel_pack: Decimal
    export_papers: Decimal


@dataclass(frozen=True, slots=True)
class DeadPieces:
    """Pieces of one line lost on the way, at the price paid for its sale unit."""

    pieces: int
    unit_price: Decimal
    pieces_per_unit: int = 1


@dataclass(frozen=True, slots=True)
class BoxLoss:
    """How many bags of one box arrived dead."""

    bags: int
    dead_bags: int
    billable_lb: int


def round_money(amount: Decimal) -> Decimal:
    """An amount in whole cents, halves up and away from zero.

    Raises
    ------
    TypeError
        If the amount is not a Decimal.
    """
    if not isinstance(amount, Decimal):
        raise TypeError(f"Money is Decimal, not {type(amount).__name__} {amount!r}.")
    return amount.quantize(CENT, rounding=ROUND_HALF_UP)


def unit_price(*, list_price: Decimal, tier_factor: Decimal) -> Decimal:
    """Price of one sale unit for a customer's tier.

    Parameters
    ----------
    list_price : Decimal
        The listing's own list price; a winter look has its own. Over zero. [money]
    tier_factor : Decimal
        Share of the list price that the tier pays, over 0 to 1. [1]

    Returns
    -------
    Decimal
        Two places, half up. [money]

    Raises
    ------
    ValueError
        If the price or the factor is out of its range.

    Source
    ------
    Chosen by the farm.
    """
    if list_price <= 0:
        raise ValueError(f"The list price must be over zero, not {list_price}.")
    if not 0 < tier_factor <= 1:
        raise ValueError(f"The tier factor must be over 0 and at most 1, not {tier_factor}.")
    return round_money(list_price * tier_factor)


def winter_list_price(*, list_price: Decimal, factor: Decimal = Decimal("0.75")) -> Decimal:
    """List price of a listing's winter look, rounded before any tier is applied to it."""
    return unit_price(list_price=list_price, tier_factor=factor)


def best_unit_price(
    *,
    tier_price: Decimal,
    units: int,
    break_units: int | None = None,
    break_price: Decimal | None = None,
) -> Decimal:
    """Unit price of a line: the tier's or the quantity break's, whichever is better.

    The two are never multiplied: a break price is what it says, for every tier.

    Parameters
    ----------
    tier_price : Decimal
        Unit price of the customer's tier. [money]
    units : int
        Sale units of this one line; lines are not added up for a break. [sale units]
    break_units, break_price : int and Decimal, or None
        Fewest units for the break, and its unit price; None where there is no break.

    Returns
    -------
    Decimal
        Two places. [money]

    Source
    ------
    Chosen by the farm.
    """
    if break_units is None or break_price is None or units < break_units:
        return round_money(tier_price)
    return round_money(min(tier_price, break_price))


def lb_from_kg(*, mass_kg: Decimal | float) -> Decimal:
    """Pounds of a mass. Source: international pound of 1959, 0.45359237 kg exactly."""
    return Decimal(str(mass_kg)) / KG_PER_LB


def outer_sides_in(
    *,
    inner_cm: Sequence[Decimal | float],
    foam_cm: Decimal | float,
    carton_cm: Decimal | float = Decimal("0.5"),
) -> tuple[Decimal, ...]:
    """Outer sides of a foam-lined carton, not yet rounded to whole inches.

    Parameters
    ----------
    inner_cm : sequence of Decimal or float, shape (3,)
        Inner length, width and height. [cm]
    foam_cm, carton_cm : Decimal or float
        Wall of the foam and of the carton, each met twice on a side. [cm]

    Returns
    -------
    tuple of Decimal, shape (3,)
        Outer sides. [in]
    """
    walls_cm = 2 * (Decimal(str(foam_cm)) + Decimal(str(carton_cm)))
    return tuple((Decimal(str(side_cm)) + walls_cm) / CM_PER_IN for side_cm in inner_cm)


def billable_lb(
    *,
    gross_lb: Decimal | float,
    outer_in: Sequence[Decimal | float],
    divisor: int = 139,
    side_rounding: str = "up",
) -> int:
    """Pounds that the carrier bills for a box: its mass or its dimensional weight, the greater.

    Parameters
    ----------
    gross_lb : Decimal or float
        Mass of the packed box. [lb]
    outer_in : sequence of Decimal or float, shape (3,)
        Outer sides, unrounded. [in]
    divisor : int
        Volume billed as one pound. [in3/lb]
    side_rounding : str
        "up" to the next whole inch, or "nearest" with halves up; carriers differ.

    Returns
    -------
    int
        Whole pounds. [lb]

    Raises
    ------
    ValueError
        If there are not three sides, a measure is not over zero or the rounding is unknown.

    Source
    ------
    Carriers' published rule: sides to whole inches, product over 139 rounded up; mass rounded up.
    """
    if len(outer_in) != 3 or gross_lb <= 0 or divisor <= 0 or min(outer_in) <= 0:
        raise ValueError(f"Not a box: {gross_lb} lb, sides {tuple(outer_in)}, over {divisor}.")
    volume_in3 = math.prod(_whole_inches(side, side_rounding) for side in outer_in)
    # Whole numbers throughout, so that an exact multiple of the divisor stays what it is.
    dimensional_lb = -(-volume_in3 // divisor)
    return max(math.ceil(_without_dust(gross_lb)), dimensional_lb)


def freight(
    *,
    base: Decimal,
    rate_per_lb: Decimal,
    billables_lb: Iterable[int],
    first_lb: int = 10,
    fuel_factor: Decimal = Decimal("1.12"),
) -> Decimal:
    """Freight of an order's boxes, rounded once for the order.

    Parameters
    ----------
    base : Decimal
        The zone's charge for a box, its first pounds included. [money/box]
    rate_per_lb : Decimal
        The zone's charge for each pound after them. [money/lb]
    billables_lb : iterable of int, shape (n_boxes,)
        Billable pounds of each box. [lb]
    first_lb : int
        Pounds included in the base. [lb]
    fuel_factor : Decimal
        Factor on the sum of all boxes for fuel. [1]

    Returns
    -------
    Decimal
        Two places, half up. Rounding each box instead would drift by a cent. [money]

    Source
    ------
    Chosen by the farm.
    """
    boxes = [base + rate_per_lb * max(0, pounds - first_lb) for pounds in billables_lb]
    return round_money(sum(boxes, Decimal(0)) * fuel_factor)


def boxes_and_packs(
    *, sizes: Iterable[str], heat_packs: int, gel_packs: int, price_book: PriceBook
) -> Decimal:
    """Charge for an order's boxes and the packs in them.

    Parameters
    ----------
    sizes : iterable of str, shape (n_boxes,)
        Size name of each box.
    heat_packs, gel_packs : int
        Packs in all boxes together.
    price_book : PriceBook
        Charges in force.

    Returns
    -------
    Decimal
        Two places. [money]

    Raises
    ------
    ValueError
        If the price book has no charge for a size, or a count is below zero.
    """
    names = list(sizes)
    unknown = sorted(set(names) - set(price_book.box_charges))
    if unknown or heat_packs < 0 or gel_packs < 0:
        raise ValueError(f"No charge for boxes {unknown}, {heat_packs} heat, {gel_packs} gel.")
    charge = sum((price_book.box_charges[name] for name in names), Decimal(0))
    packs = price_book.heat_pack * heat_packs + price_book.gel_pack * gel_packs
    return round_money(charge + packs)


def order_total(
    *,
    goods: Decimal,
    freight: Decimal,
    boxes_and_packs: Decimal,
    export_papers: Decimal = Decimal(0),
) -> Decimal:
    """What the buyer pays: goods, freight, boxes and packs, and the paper set where one is due."""
    return round_money(goods + freight + boxes_and_packs + export_papers)


def credit_amount(*, losses: Iterable[DeadPieces], share: Decimal = Decimal(1)) -> Decimal:
    """Credit for pieces lost on the way, freight apart.

    Parameters
    ----------
    losses : iterable of DeadPieces, shape (n_lines,)
        Pieces and the price paid. A piece out of a pack costs its part of the pack.
    share : Decimal
        1 as a rule; 0.5 where the buyer took the late risk and the box was late. [1]

    Returns
    -------
    Decimal
        Two places, rounded half up for each line and again after the share. [money]

    Raises
    ------
    ValueError
        If a count is below zero, a pack is empty or the share is not 0 to 1.

    Source
    ------
    Chosen by the farm.
    """
    if not 0 <= share <= 1:
        raise ValueError(f"A credit's share is 0 to 1, not {share}.")
    total = Decimal(0)
    for loss in losses:
        if loss.pieces < 0 or loss.pieces_per_unit < 1:
            raise ValueError(f"{loss.pieces} pieces of a unit of {loss.pieces_per_unit}.")
        total += round_money(loss.pieces * loss.unit_price / loss.pieces_per_unit)
    return round_money(total * share)


def freight_credit(*, freight: Decimal, boxes: Sequence[BoxLoss], is_cause_ours: bool) -> Decimal:
    """Freight given back for boxes of which more than half the bags arrived dead.

    Parameters
    ----------
    freight : Decimal
        Freight charged for the whole order. [money]
    boxes : sequence of BoxLoss, shape (n_boxes,)
        Every box of the order; its freight is shared over them by billable pound.
    is_cause_ours : bool
        A carrier's delay is claimed from the carrier and gives no freight back here.

    Returns
    -------
    Decimal
        Two places. [money]

    Source
    ------
    More than half and our cause: chosen by the farm. The sharing by billable pound likewise.
    """
    lost_lb = sum(box.billable_lb for box in boxes if 2 * box.dead_bags > box.bags)
    if not is_cause_ours or not lost_lb:
        return Decimal("0.00")
    return round_money(freight * lost_lb / sum(box.billable_lb for box in boxes))


def _whole_inches(side_in: Decimal | float, side_rounding: str) -> int:
    side = _without_dust(side_in)
    if side_rounding == "up":
        return math.ceil(side)
    if side_rounding == "nearest":
        return max(1, int(side.quantize(Decimal(1), rounding=ROUND_HALF_UP)))
    raise ValueError(f"Sides are rounded 'up' or 'nearest', not {side_rounding!r}.")


def _without_dust(measure: Decimal | float) -> Decimal:
    return Decimal(str(measure)).quantize(DUST, rounding=ROUND_HALF_UP)
