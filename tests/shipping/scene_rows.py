"""The rows of the small farm at the packing bench: settings, strains, bags, boxes and shops.

Prices, counts and times are the worked figures of the farm: 49 bags, PLT at 12.88, CTH at 18.40.
"""

from datetime import date, datetime, time
from decimal import Decimal
from zoneinfo import ZoneInfo

from inventory.models import Setting, Site, StrainClass
from inventory.people import User
from orders.models import Customer, FreightZone, Lane, RegionRule, Seat, ShipTo

FARM = ZoneInfo("America/Chicago")
EASTERN = ZoneInfo("America/New_York")
SHIP_ON = date(2026, 12, 1)

SETTINGS = {
    "handling_limit_kg": "22.7",
    "forecast_max_age_h": "6",
    "report_window_h": "4",
    "depot_window_h": "6",
    "credit_bag_share": "0.10",
    "credit_most": "150.00",
    "bag_good_h": "24",
    "bag_warn_h": "36",
    "bag_stop_h": "48",
}
BY_CLASS = {("bag_stop_h", "CLAM"): "30", ("bag_stop_h", "MANG"): "72"}
CLASSES = {
    "SPS": "Stony, small polyp",
    "LPS": "Stony, large polyp",
    "SOFT": "Soft coral",
    "ZOA": "Zoanthids",
    "CLAM": "Giant clams",
    "MANG": "Mangroves",
}
FORMS = {
    "plug": ("plug", 1, 72),
    "base": ("base", 1, 40),
    "clam-m": ("clam 7-10 cm", 1, 8),
    "prop-10": ("pack of ten propagules", 10, 300),
}
BAGS = {
    "P1": ("compact plug", 200, "0.45", "0.25"),
    "P2": ("branching or spiky plug", 300, "0.70", "0.36"),
    "FL": ("fleshy LPS plug", 450, "1.00", "0.55"),
    "Z3": ("zoanthid / Palythoa on base", 350, "0.85", "0.48"),
    "CM": ("clam 7-10 cm", 1200, "2.60", "1.50"),
    "MP": ("ten propagules", 60, "0.90", "0.45"),
}
BOXES = {
    "S": (30, 25, 25, "3.2", "0.9", 1),
    "M": (40, 30, 30, "3.8", "1.4", 2),
    "L": (55, 35, 35, "3.8", "2.2", 3),
}
# key: name, taxon, class, form, bag, sting, toxin, spiky, tray, system, list price
STRAINS = {
    "PLT": ("Plum Trellis", "Stylophora pistillata", "SPS", "plug", "P1", 0, 0, False, "T2.1"),
    "HRT": ("Harrow Tine", "Acropora muricata", "SPS", "plug", "P2", 1, 0, False, "A2.4"),
    "SLG": ("Slate Gable", "Acropora valida", "SPS", "plug", "P2", 1, 0, False, "A2.3"),
    "APT": ("Apothecary", "Zoanthus sp.", "ZOA", "base", "Z3", 0, 2, False, "T3.9"),
    "CTH": ("Counting House", "Zoanthus sp.", "ZOA", "base", "Z3", 0, 2, False, "T3.11"),
    "TFT": ("Toffee Tin", "Caulastraea furcata", "LPS", "plug", "P1", 1, 0, False, "H2.3"),
    "CBB": ("Cobbler Bench", "Duncanopsammia axifuga", "LPS", "plug", "P1", 0, 0, False, "H6.4"),
    "TLW": ("Tallow Lamp", "Fimbriaphyllia ancora", "LPS", "plug", "FL", 2, 0, False, "H4.2"),
    "ORG": ("Orchard Gate", "Seriatopora hystrix", "SPS", "plug", "P2", 0, 0, True, "A5.4"),
    "GLB": ("Glassblower", "Galaxea fascicularis", "LPS", "plug", "P2", 3, 0, False, "H1.5"),
    "QYG": ("Quay Giant", "Tridacna gigas", "CLAM", "clam-m", "CM", 0, 0, False, "T5.1"),
    "RMG": ("Red mangrove", "Rhizophora mangle", "MANG", "prop-10", "MP", 0, 0, False, "T6.1"),
}
# Order 4902 as promised, at tier 2: list price x 0.92, rounded half up.
LINES_4902 = (
    ("PLT plug", 8, "12.88"),
    ("HRT plug", 10, "14.72"),
    ("SLG plug", 8, "16.56"),
    ("APT base", 3, "16.56"),
    ("CTH base", 6, "18.40"),
    ("TFT plug", 6, "14.72"),
    ("CBB plug", 5, "20.24"),
    ("TLW plug", 3, "31.28"),
)


def farm_time(day: int, clock: str, month: int = 12) -> datetime:
    return datetime.combine(date(2026, month, day), time.fromisoformat(clock), FARM)


def eastern_time(day: int, clock: str) -> datetime:
    return datetime.combine(date(2026, 12, day), time.fromisoformat(clock), EASTERN)


def add_settings() -> None:
    rows = [(name, "farm", "", value) for name, value in SETTINGS.items()]
    rows += [(name, "class", code, value) for (name, code), value in BY_CLASS.items()]
    Setting.objects.bulk_create(
        Setting(
            name=name,
            scope_kind=kind,
            scope=scope,
            value=value,
            confidence="M",
            owner="office lead",
            set_on=date(2026, 1, 1),
            reason="chosen by the farm",
        )
        for name, kind, scope, value in rows
    )
    Site.objects.create(
        code="SCW",
        name="Saltmarrow Coral Works",
        town="Port Ellery TX",
        country="United States",
        time_zone="America/Chicago",
        is_origin=True,
    )


def add_customers(buyer: User) -> None:
    zone = FreightZone.objects.create(zone=3, base=58, rate_per_lb=Decimal("1.60"))
    rows = (
        ("C01", "Pinfeather Saltwater Room", "Duluth", "US-MN", "America/Chicago", False),
        ("C02", "Gullwick Aquaria", "Buffalo", "US-NY", "America/New_York", False),
        ("C11", "Lakeward Coral Exchange", "Toronto", "CA-ON", "America/Toronto", True),
    )
    for code, name, town, region, time_zone, is_export in rows:
        customer = Customer.objects.create(code=code, name=name)
        ShipTo.objects.create(
            code=code,
            customer=customer,
            contact="Petra Lunn",
            street="220 Lock Street",
            town=town,
            region=region,
            country="Canada" if is_export else "United States",
            time_zone=time_zone,
            lane=Lane.objects.create(code=code, profile="overnight"),
            zone=zone,
            is_export=is_export,
            is_depot_allowed=True,
            opens_at=time(9),
        )
        for strain_class in StrainClass.objects.all():
            RegionRule.objects.create(
                region=region,
                strain_class=strain_class,
                verdict="allow",
                text="allowed",
                checked_on=date(2026, 11, 20),
                checked_by="office lead",
                review_by=date(2027, 5, 19),
            )
    Seat.objects.create(user=buyer, customer=Customer.objects.get(code="C02"))
