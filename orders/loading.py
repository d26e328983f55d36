"""The farm's own CSV -> calendar, prices, customers, lanes, region rules and papers.

Call from: management command `load_farm`, after inventory.loading.
"""

from datetime import timedelta

from inventory.csv_reading import Reading, Row
from inventory.loading import load_rows, named
from inventory.models import Listing, StrainClass, User
from inventory.people import Role
from orders.models import (
    Customer,
    CustomerTier,
    FreightZone,
    Lane,
    LaneLeg,
    NoDeliveryDay,
    Paper,
    Price,
    RegionRule,
    Seat,
    ShipTo,
)


def load_orders(reading: Reading) -> None:
    """Load who wants what, and what may go where."""
    load_rows(reading, "no_delivery_days.csv", "day region reason", _no_delivery_day)
    load_rows(reading, "listings.csv", "listing list_price price_from", _price)
    load_rows(reading, "zones.csv", "zone base rate_per_lb", _zone)
    load_rows(reading, "lane_legs.csv", "lane leg name hours mode share point", _lane_leg)
    load_rows(reading, "lanes.csv", "lane ship_to is_sunny has_saturday", _lane)
    load_rows(reading, "customers.csv", "customer name tier tier_from", _customer)
    load_rows(reading, "ship_tos.csv", "ship_to customer town region lane zone", _ship_to)
    load_rows(reading, "people.csv", "code customer", _seat)
    load_rows(reading, "region_rules.csv", "region class taxon verdict checked_on", _region_rule)
    load_rows(reading, "papers.csv", "paper kind classes taxa", _paper)


def _no_delivery_day(row: Row) -> None:
    NoDeliveryDay.objects.update_or_create(
        day=row.need_day("day"),
        region=row.text("region", longest=8),
        defaults={"reason": row.text("reason", is_required=True, longest=120)},
    )


def _price(row: Row) -> None:
    listings = named(row.reading, Listing.objects.all(), "name")
    Price.objects.update_or_create(
        listing=row.known("listing", listings, "listing"),
        starts_on=row.need_day("price_from"),
        defaults={"list_price": row.need_decimal("list_price")},
    )


def _zone(row: Row) -> None:
    FreightZone.objects.update_or_create(
        zone=row.need_whole("zone", least=1),
        defaults={
            "base": row.need_decimal("base"),
            "rate_per_lb": row.need_decimal("rate_per_lb"),
        },
    )


def _lane_leg(row: Row) -> None:
    LaneLeg.objects.update_or_create(
        profile=row.text("lane", is_required=True, longest=16),
        leg=row.need_whole("leg", least=1),
        mode=row.choice("mode", {value: value for value in LaneLeg.Mode.values}),
        defaults={
            "name": row.text("name", is_required=True, longest=60),
            "hours": row.real("hours") or 0,
            "share": row.real("share") or 0,
            "point": row.text("point", longest=16),
            "fixed_share": row.real("fixed_share") or 0,
            "fixed_c": row.real("fixed_c"),
            "shift_share": row.real("shift_share") or 0,
            "rule": row.text("rule", longest=16),
        },
    )


def _lane(row: Row) -> None:
    profiles = set(LaneLeg.objects.values_list("profile", flat=True))
    code = row.text("lane", is_required=True, longest=12)
    profile = row.text("profile") or (code if code in profiles else "overnight")
    Lane.objects.update_or_create(
        code=code,
        defaults={
            "profile": row.known("lane", {code: profile}, "lane"),
            "is_sunny": row.yes("is_sunny"),
            "has_saturday": row.yes("has_saturday"),
            "note": row.text("note", longest=200),
        },
    )


def _customer(row: Row) -> None:
    customer, _ = Customer.objects.update_or_create(
        code=row.text("customer", is_required=True, longest=6),
        defaults={
            "name": row.text("name", is_required=True, longest=80),
            "minimum_order": row.decimal("minimum_order"),
            "takes_substitutes": row.choice(
                "takes_substitutes", {"": "no", "no": "no", "yes": "yes", "ask": "ask"}
            ),
            "late_risk_choice": row.text("late_risk_choice", longest=40),
            "prefers": row.text("prefers", longest=60),
            "payment_terms": row.text("payment_terms", longest=60),
            "note": row.text("note", longest=200),
        },
    )
    CustomerTier.objects.update_or_create(
        customer=customer,
        starts_on=row.need_day("tier_from"),
        defaults={"tier": row.need_whole("tier", least=1, most=3)},
    )


def _ship_to(row: Row) -> None:
    customers = named(row.reading, Customer.objects.all(), "code")
    lanes = named(row.reading, Lane.objects.all(), "code")
    zones = named(row.reading, FreightZone.objects.all(), "zone")
    country = row.text("country", is_required=True, longest=40)
    ShipTo.objects.update_or_create(
        code=row.text("ship_to", is_required=True, longest=6),
        defaults={
            "customer": row.known("customer", customers, "customer"),
            "contact": row.text("contact", longest=80),
            "street": row.text("street", longest=120),
            "town": row.text("town", is_required=True, longest=80),
            "region": row.text("region", is_required=True, longest=8),
            "country": country,
            "time_zone": row.text("time_zone", is_required=True, longest=40),
            "lane": row.known("lane", lanes, "lane"),
            "zone": row.known("zone", zones, "freight zone"),
            "is_export": country not in HOME_COUNTRY_NAMES,
            "is_depot_allowed": row.yes("is_depot_allowed"),
            "is_collected": row.yes("is_collected"),
            "opens_at": row.clock("opens_at"),
            "note": row.text("notes", longest=200),
        },
    )


# The origin site's country, as people write it.
HOME_COUNTRY_NAMES = frozenset({"US", "USA", "United States"})


def _seat(row: Row) -> None:
    customer = row.text("customer")
    if not customer:
        return
    user = User.objects.get(code=row.text("code"))
    if user.role != Role.BUYER:
        raise row.refuse("customer", "seat_not_a_buyer", "only a buyer sits at a customer")
    customers = named(row.reading, Customer.objects.all(), "code")
    Seat.objects.update_or_create(
        user=user, defaults={"customer": row.known("customer", customers, "customer")}
    )


def _region_rule(row: Row) -> None:
    classes = named(row.reading, StrainClass.objects.all(), "code")
    checked_on = row.need_day("checked_on", may_lie_ahead=False)
    RegionRule.objects.update_or_create(
        region=row.text("region", is_required=True, longest=8),
        strain_class=row.known("class", classes, "class") if row.text("class") else None,
        taxon=row.text("taxon", longest=80),
        defaults={
            "verdict": row.choice("verdict", {value: value for value in RegionRule.Verdict.values}),
            "text": row.text("text"),
            "checked_on": checked_on,
            "checked_by": row.text("checked_by", is_required=True, longest=60),
            "review_by": row.day("review_by") or checked_on + timedelta(days=180),
        },
    )


def _paper(row: Row) -> None:
    customers = named(row.reading, Customer.objects.all(), "code")
    ship_tos = named(row.reading, ShipTo.objects.all(), "code")
    allowed = _allowed_by_taxon(row)
    Paper.objects.update_or_create(
        code=row.text("paper", is_required=True, longest=12),
        defaults={
            "customer": row.known("customer", customers, "customer")
            if row.text("customer")
            else None,
            "ship_to": row.known("ship_to", ship_tos, "ship-to") if row.text("ship_to") else None,
            "kind": row.text("kind", is_required=True, longest=60),
            "number": row.text("number", longest=60),
            "classes": row.text("classes").split(),
            "allowed": allowed,
            "valid_from": row.day("valid_from"),
            "valid_to": row.day("valid_to"),
        },
    )


def _allowed_by_taxon(row: Row) -> dict[str, int | None]:
    """Taxa separated by semicolons, each with its own number after an equals sign or none."""
    allowed: dict[str, int | None] = {}
    for part in filter(None, (part.strip() for part in row.text("taxa").split(";"))):
        taxon, _, pieces = part.partition("=")
        if pieces and not pieces.strip().isdigit():
            raise row.refuse("taxa", "cell_unreadable", f"{pieces!r} is not a whole number")
        allowed[taxon.strip()] = int(pieces) if pieces else None
    return allowed
