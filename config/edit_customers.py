"""The edit tables of customers and of the doors they receive at.

Call from: config/edit_subjects.py.
"""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, ClassVar

from django.db.models import Q

from config.edit_fields import (
    Field,
    clock_time,
    code,
    maybe,
    money,
    one_of,
    region,
    tick,
    time_zone,
    words,
)
from config.edit_rows import RowSubject, choices_of, orders_under_way
from config.editing import Edit, Touched, Values
from orders.loading import HOME_COUNTRY_NAMES
from orders.models import (
    Basket,
    Customer,
    CustomerTier,
    FreightZone,
    Lane,
    Paper,
    RegionRule,
    Seat,
    ShipTo,
)


def _substitutes() -> Sequence[tuple[str, str]]:
    return (("no", "no"), ("yes", "yes"), ("ask", "ask first"))


def _tiers() -> Sequence[tuple[str, str]]:
    return (("1", "tier 1"), ("2", "tier 2"), ("3", "tier 3"))


class Customers(RowSubject):
    key = "customers"
    title = "Customers"
    one = "customer"
    intro = "Shops: price tier, minimum order, what they accept. Orders keep the tier they had."
    columns: ClassVar[tuple[str, ...]] = ("tier", "minimum", "substitutes", "")
    right = "edit_customers"
    has_start = True
    model = Customer
    table: ClassVar[tuple[Field, ...]] = (
        Field("code", "Code", code(6), hint="never changed afterwards", is_for_new=True),
        Field("name", "Name", words(80, is_needed=True)),
        Field("tier", "Price tier", one_of(_tiers), "", "orders sent keep theirs",
              "choice", _tiers),
        Field("minimum_order", "Minimum order", maybe(money()), "$ of goods",
              "empty: the farm's own, a setting"),
        Field("takes_substitutes", "Takes substitutes", one_of(_substitutes), "", "", "choice",
              _substitutes),
        Field("late_risk_choice", "When a box is at late risk", words(40), "",
              "such as: move day if late risk"),
        Field("prefers", "Prefers", words(60)),
        Field("payment_terms", "Pays", words(60), "", "as the shop reads it: net 14 days"),
        Field("is_credit_stopped", "Credit is stopped: lines are refused", tick, "", "", "tick"),
        Field("note", "Note", words(200)),
    )  # fmt: skip
    begins_with: ClassVar[Values] = {"tier": "1", "takes_substitutes": "no"}

    def words(self, row: Customer) -> str:
        return f"{row.code} {row.name}"

    def cells(self, row: Customer, *, on: date) -> tuple[str, ...]:
        least = f"{row.minimum_order}" if row.minimum_order is not None else "the farm's"
        stopped = "credit stopped" if row.is_credit_stopped else ""
        return (f"tier {row.tier_on(on)}", least, row.takes_substitutes, stopped)

    def all(self) -> Any:
        return Customer.objects.prefetch_related("tiers")

    def value(self, row: Customer, name: str) -> Any:
        if name != "tier":
            return super().value(row, name)
        newest = row.tiers.order_by("starts_on").last()
        return str(newest.tier if newest else 1)

    def put(self, row: Customer, name: str, value: Any, edit: Edit) -> None:
        if name != "tier":
            super().put(row, name, value, edit)

    def written(self, row: Customer, edit: Edit) -> None:
        if edit.differs("tier"):
            CustomerTier.objects.update_or_create(
                customer=row, starts_on=edit.starts_on, defaults={"tier": int(edit.after["tier"])}
            )

    def dated(self, row: Customer) -> Sequence[tuple[date, str]]:
        return [(tier.starts_on, f"tier {tier.tier}") for tier in row.tiers.order_by("-starts_on")]

    def touched(
        self, row: Customer | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        if row is None:
            return [("next", "it needs a ship-to, and a person who orders for it")]
        baskets = Basket.objects.filter(ship_to__customer=row, week__closed_at__isnull=True)
        seats = Seat.objects.filter(customer=row, user__is_active=True).select_related("user")
        return [
            *(("reader", f"{seat.user.name} sees it on the next page") for seat in seats),
            *(
                ("basket", f"{basket.week.name}: its prices are shown anew")
                for basket in baskets.select_related("week")
            ),
            *(
                (kind, f"{said}; keeps the tier it was sent at")
                for kind, said in orders_under_way(customer=row)
            ),
        ]


class ShipTos(RowSubject):
    key = "ship-tos"
    title = "Ship-tos"
    one = "ship-to"
    intro = "Doors: address, region, time zone, lane and freight zone."
    columns: ClassVar[tuple[str, ...]] = ("customer", "region", "lane", "zone")
    right = "edit_customers"
    has_start = True
    model = ShipTo
    links: ClassVar[Any] = {
        "customer": (Customer, "code"),
        "lane": (Lane, "code"),
        "zone": (FreightZone, "zone"),
    }
    table: ClassVar[tuple[Field, ...]] = (
        Field("code", "Code", code(6), hint="never changed afterwards", is_for_new=True),
        Field("customer", "Customer", one_of(choices_of(Customer, "code")), "", "", "choice",
              choices_of(Customer, "code"), is_for_new=True),
        Field("contact", "Contact", words(80)),
        Field("street", "Street", words(120)),
        Field("town", "Town", words(80, is_needed=True)),
        Field("region", "Region", region, "", "country and part by their ISO 3166 codes: US-MN"),
        Field("country", "Country", words(40, is_needed=True)),
        Field("time_zone", "Time zone", time_zone, "", "such as America/Chicago"),
        Field("lane", "Lane", one_of(choices_of(Lane, "code")), "", "", "choice",
              choices_of(Lane, "code")),
        Field("zone", "Freight zone", one_of(choices_of(FreightZone, "zone")), "", "", "choice",
              choices_of(FreightZone, "zone")),
        Field("is_depot_allowed", "May be held at the depot", tick, "", "", "tick"),
        Field("is_collected", "Is collected from the depot", tick, "", "", "tick"),
        Field("opens_at", "Opens at", maybe(clock_time), "in its own zone", "", "time"),
        Field("note", "Note", words(200)),
    )  # fmt: skip
    begins_with: ClassVar[Values] = {"country": "United States"}

    def words(self, row: ShipTo) -> str:
        return f"{row.code} {row.town}"

    def cells(self, row: ShipTo, *, on: date) -> tuple[str, ...]:
        return (row.customer.name, row.region, row.lane.code, f"zone {row.zone.zone}")

    def all(self) -> Any:
        return ShipTo.objects.select_related("customer", "lane", "zone")

    def written(self, row: ShipTo, edit: Edit) -> None:
        is_export = row.country not in HOME_COUNTRY_NAMES
        if row.is_export != is_export:
            ShipTo.objects.filter(pk=row.pk).update(is_export=is_export)

    def touched(
        self, row: ShipTo | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        found: Touched = []
        if row is None or after["region"] != row.region:
            found += _law_rows(row.region if row else "", after["region"])
        if row is None:
            return found
        papers = Paper.objects.filter(ship_to=row)
        return [
            *found,
            *orders_under_way(ship_to=row),
            *(("paper", f"{paper.code}, {paper.kind}") for paper in papers),
        ]

    def plans_moved(self, row: ShipTo | None, *, after: Values) -> Q | None:
        return Q(order__ship_to=row) if row is not None else None

    def lines_judged(self, row: ShipTo | None, *, after: Values) -> Q | None:
        is_elsewhere = row is not None and (
            (row.region, row.country) != (after["region"], after["country"])
        )
        return Q(order__ship_to=row) if is_elsewhere else None


def _law_rows(was: str, now: str) -> Touched:
    """What the law table says of the new region where it differs from the old one."""
    said: dict[str, dict[str, str]] = {was: {}, now: {}}
    for rule in RegionRule.objects.filter(region__in=[was, now]).select_related("strain_class"):
        name = rule.taxon or (rule.strain_class.name if rule.strain_class else "everything")
        said[rule.region][name] = rule.get_verdict_display()
    if not said[now]:
        return [("law", f"{now} has no row yet: a person confirms every line that goes there")]
    names = sorted(said[was].keys() | said[now].keys())
    return [
        ("law", f"{name}: {said[was].get(name, 'no row')} to {said[now].get(name, 'no row')}")
        for name in names
        if said[was].get(name) != said[now].get(name)
    ]
