"""Boxes: what they hold, how bags are filled in, and which sets of boxes can carry an order."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement, count


@dataclass(frozen=True, slots=True)
class BoxSize:
    """A foam box. [cm, kg]"""

    code: str
    inner_cm: tuple[float, float, float]
    foam_cm: float
    tare_kg: float
    max_heat_packs: int

    @property
    def inner_area_m2(self) -> float:
        long, wide, high = (side / 100 for side in self.inner_cm)
        return 2 * (long * wide + long * high + wide * high)

    @property
    def inner_l(self) -> float:
        long, wide, high = self.inner_cm
        return long * wide * high / 1000


@dataclass(frozen=True, slots=True)
class BagItem:
    """One tied bag. ``line`` is its order line, in whose order equal bags are filled."""

    line: int
    kind: str
    strain_class: str
    water_ml: int
    packed_ml: int
    mass_g: int


@dataclass(frozen=True, slots=True)
class BoxLimits:
    """What a box may hold. Common practice, no source."""

    fill_share: float = 0.80
    fill_kg: float = 0.3
    most_kg: float = 22.7


@dataclass(frozen=True, slots=True)
class FilledBox:
    size: BoxSize
    bags: tuple[BagItem, ...]

    @property
    def water_l(self) -> float:
        return sum(bag.water_ml for bag in self.bags) / 1000

    def gross_kg(self, limits: BoxLimits) -> float:
        mass_g = sum(bag.mass_g for bag in self.bags)
        return (mass_g + round((self.size.tare_kg + limits.fill_kg) * 1000)) / 1000


def usable_ml(*, size: BoxSize, limits: BoxLimits) -> int:
    """Volume that packed bags may take. [mL]"""
    return round(size.inner_l * limits.fill_share * 1000)


def room_g(*, size: BoxSize, limits: BoxLimits) -> int:
    """Mass of bags that keeps the box within the handling limit. [g]"""
    return round((limits.most_kg - size.tare_kg - limits.fill_kg) * 1000)


def fill_boxes(
    *, sizes: Sequence[BoxSize], bags: Sequence[BagItem], limits: BoxLimits
) -> list[FilledBox] | None:
    """Fill a set of boxes evenly, or None where the set cannot carry the bags.

    Largest packed volume first, equal ones in order-line order; each bag goes into the box with the
    largest free share before placing that still takes its volume and mass, of equal ones the
    larger box, then the lower number. A half-empty box is a cold box, so the boxes are kept evenly
    full and none may stay empty.

    Parameters
    ----------
    sizes : sequence of BoxSize, shape (n_boxes,)
        The set, larger boxes first.
    bags : sequence of BagItem, shape (n_bags,)
        In order-line order.
    limits : BoxLimits
        Fill share and mass.

    Returns
    -------
    list of FilledBox, shape (n_boxes,), or None

    Source
    ------
    None, chosen by the farm.
    """
    usable = [usable_ml(size=size, limits=limits) for size in sizes]
    free_ml, free_g = list(usable), [room_g(size=size, limits=limits) for size in sizes]
    filled: list[list[BagItem]] = [[] for _ in sizes]
    for bag in sorted(bags, key=lambda bag: -bag.packed_ml):
        fits = [
            index
            for index in range(len(sizes))
            if bag.packed_ml <= free_ml[index] and bag.mass_g <= free_g[index]
        ]
        if not fits:
            return None
        # Compared as products of whole numbers: shares of two sizes may be equal.
        chosen = fits[0]
        for index in fits[1:]:
            ours, best = free_ml[index] * usable[chosen], free_ml[chosen] * usable[index]
            if (ours, usable[index]) > (best, usable[chosen]):
                chosen = index
        filled[chosen].append(bag)
        free_ml[chosen] -= bag.packed_ml
        free_g[chosen] -= bag.mass_g
    if not all(filled):
        return None
    return [FilledBox(size, tuple(rows)) for size, rows in zip(sizes, filled, strict=True)]


def box_sets(
    *, sizes: Sequence[BoxSize], bags: Sequence[BagItem], limits: BoxLimits, most_boxes: int = 3
) -> Iterator[list[FilledBox]]:
    """Every filled set of one to three boxes; more only where no smaller set can carry the bags.

    Nothing where a bag fits no box at all: adding boxes would never end.

    Source: none, chosen by the farm.
    """
    by_volume = sorted(sizes, key=lambda size: -size.inner_l)
    if not all(any(_may_hold((size,), (bag,), limits) for size in sizes) for bag in bags):
        return
    is_found = False
    for boxes in count(1):
        if boxes > len(bags) or (boxes > most_boxes and is_found):
            return
        for chosen in combinations_with_replacement(by_volume, boxes):
            if not _may_hold(chosen, bags, limits):
                continue
            filled = fill_boxes(sizes=chosen, bags=bags, limits=limits)
            if filled is not None:
                is_found = True
                yield filled


def _may_hold(sizes: Sequence[BoxSize], bags: Sequence[BagItem], limits: BoxLimits) -> bool:
    """Whether the bags' whole volume and mass fit the boxes' together. Cheaper than filling."""
    free_ml = sum(usable_ml(size=size, limits=limits) for size in sizes)
    free_g = sum(room_g(size=size, limits=limits) for size in sizes)
    return (
        sum(bag.packed_ml for bag in bags) <= free_ml and sum(bag.mass_g for bag in bags) <= free_g
    )
