"""What planned boxes would cost under other numbers: the boxes stay, the money is reckoned anew.

Call from: config/edit_lanes.py, config/edit_settings.py. Reads only.
"""

import json
from datetime import date
from decimal import Decimal

from config.edit_rows import UNDER_WAY
from config.editing import Touched
from inventory.setting_book import SettingBook
from orders.calc.pricing import boxes_and_packs, freight
from orders.models import FreightZone
from shipping.bench_numbers import price_book
from shipping.models import PackPlan

Money = tuple[Decimal, Decimal]


def plans_anew(
    *,
    book: SettingBook,
    starts_on: date,
    zone: FreightZone | None = None,
    rate: Money | None = None,
) -> Touched:
    """Each order under way that ships from a day on and would pay otherwise once planned again.

    ``book`` holds the numbers as they would be; ``rate`` is what a zone's box would cost, its
    first pounds and each pound more.
    """
    plans = PackPlan.objects.filter(
        void_at__isnull=True, order__state__in=UNDER_WAY, ship_on__gte=starts_on
    )
    if zone is not None:
        plans = plans.filter(order__ship_to__zone=zone)
    rows = plans.select_related("order__ship_to__zone").order_by("ship_on", "order__number")
    found: Touched = []
    for plan in rows:
        was = (plan.freight, plan.boxes_and_packs)
        then = _money(plan, book, rate or plan.order.ship_to.zone.rate_on(plan.ship_on))
        if then != was:
            found.append(("order", f"{plan.order.number}: {_words(was, then)} when planned again"))
    return found


def _money(plan: PackPlan, book: SettingBook, rate: Money) -> Money:
    """Freight, and boxes with packs, of a plan's boxes. [money]"""
    boxes = json.loads(plan.record)["boxes"]
    road = freight(
        base=rate[0],
        rate_per_lb=rate[1],
        billables_lb=[box["billable_lb"] for box in boxes],
        first_lb=book.whole("freight_first_lb"),
        fuel_factor=book.decimal("fuel_factor"),
    )
    charge = boxes_and_packs(
        sizes=[box["size"] for box in boxes],
        heat_packs=sum(box["packs"] for box in boxes),
        gel_packs=sum(box.get("gels", 0) for box in boxes),
        price_book=price_book(book),
    )
    return road, charge


def _words(was: Money, then: Money) -> str:
    names = ("freight", "boxes and packs")
    return ", ".join(
        f"{name} {before} to {after}"
        for name, before, after in zip(names, was, then, strict=True)
        if before != after
    )
