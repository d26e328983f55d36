"""A small farm at the packing bench: order 4902 for Buffalo, picked from five systems' trays.

Prices, counts and times are the worked figures of the farm: 49 bags, PLT at 12.88, CTH at 18.40.
"""

import json
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from inventory import ledger
from inventory.models import (
    Form,
    Hold,
    Listing,
    Lot,
    Place,
    Setting,
    Site,
    Strain,
    StrainClass,
    StrainForm,
    Tray,
    Trough,
    WaterSystem,
)
from inventory.people import Role, User
from orders.models import (
    Customer,
    FreightZone,
    Lane,
    Line,
    Order,
    Promise,
    RegionRule,
    Seat,
    ShipTo,
    ShipWeek,
)
from orders.promising import change_promise
from shipping.boxing import bags_hash, bags_of
from shipping.models import BagKind, BoxKind, Forecast, PackPlan, PickSheet, PickTask

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


@dataclass
class Scene:
    """The farm's rows by name, and the acts that lead up to each hop."""

    people: dict[str, User] = field(default_factory=dict)
    listings: dict[str, Listing] = field(default_factory=dict)
    trays: dict[str, Tray] = field(default_factory=dict)
    lots: dict[str, Lot] = field(default_factory=dict)
    systems: dict[str, WaterSystem] = field(default_factory=dict)
    week: ShipWeek | None = None

    def add_order(
        self,
        number: str = "4902",
        lines: tuple[tuple[str, int, str], ...] = LINES_4902,
        *,
        ship_to: str = "C02",
        ship_on: date = SHIP_ON,
    ) -> Order:
        """An order with inked promises. Counts are sale units."""
        to = ShipTo.objects.get(code=ship_to)
        order = Order.objects.create(
            number=number,
            customer=to.customer,
            ship_to=to,
            week=self.week,
            ship_on=ship_on,
            tier=2,
            source="page",
            state=Order.State.PROMISED,
            idempotency_key=number,
            sent_at=farm_time(25, "14:22", 11),
        )
        for position, (name, units, price) in enumerate(lines, 1):
            self.add_line(order, name, units, price, position)
        return order

    def add_line(self, order: Order, name: str, units: int, price: str, position: int) -> Promise:
        listing = self.listings[name]
        line = Line.objects.create(
            order=order, position=position, listing=listing, asked=units, unit_price=Decimal(price)
        )
        return Promise.objects.create(
            line=line,
            strain_form=listing.strain_form,
            week=self.week,
            units=units,
            pieces=units * listing.strain_form.form.unit_pieces,
            state=Promise.State.INKED,
            inked_at=farm_time(30, "14:30", 11),
        )

    def draw(self, order: Order) -> list[PickSheet]:
        """A sheet a system and one for the toxic lines, a task a promise from its strain's tray."""
        sheets: dict[tuple[str, bool], PickSheet] = {}
        for promise in Promise.objects.filter(line__order=order, state="inked").order_by("pk"):
            strain = promise.strain_form.strain
            tray = self.trays[STRAINS[strain.key][8]]
            key = (tray.trough.system.code, strain.toxin >= 2)
            if key not in sheets:
                sheets[key] = self._sheet(order, tray.trough.system, is_toxin=key[1])
            PickTask.objects.create(
                sheet=sheets[key],
                stop=sheets[key].tasks.count() + 1,
                tray=tray,
                lot=self.lots[tray.code],
                promise=promise,
                pieces=promise.pieces,
                leave_pieces=1,
            )
        for sheet in sheets.values():
            sheet.checksum_pieces = sum(sheet.tasks.values_list("pieces", flat=True))
            sheet.save()
        return list(sheets.values())

    def _sheet(self, order: Order, system: WaterSystem, *, is_toxin: bool) -> PickSheet:
        number = PickSheet.objects.count() + 1
        return PickSheet.objects.create(
            week=self.week,
            ship_on=order.ship_on,
            number=number,
            system=system,
            is_toxin=is_toxin,
            stamp=f"KEEL{number:02d}",
            drawn_at=farm_time(30, "15:30", 11),
            checksum_pieces=0,
            walk_m=62.4,
            walk_min=11.2,
        )

    def pick(self, order: Order, short: dict[str, int] | None = None) -> None:
        """Key in every task in full but for the pieces named short: tray -> bench."""
        at = farm_time(1, "08:00")
        bench = ledger.end_place(Place.End.BENCH)
        for task in PickTask.objects.filter(promise__line__order=order):
            missing = (short or {}).get(task.promise.line.listing.name, 0)
            task.picked_pieces = task.pieces - missing
            if task.picked_pieces:
                task.movement = ledger.move_pieces(
                    lot=task.lot,
                    from_place=ledger.tray_place(task.tray),
                    to_place=bench,
                    pieces=task.picked_pieces,
                    reason="pull",
                    at=at,
                    client_key=f"pick:{task.pk}",
                )
            task.save()
            change_promise(
                promise_id=task.promise_id, state="pulled", pieces_out=task.picked_pieces
            )
        PickSheet.objects.filter(tasks__promise__line__order=order).update(state="keyed in")
        Order.objects.filter(pk=order.pk).update(state=Order.State.IN_PICK)
        order.refresh_from_db()

    def plan(self, order: Order, *, made_at: datetime | None = None, **fields: Any) -> PackPlan:
        """A pack plan that stands: everything in one L with three packs, to the door."""
        made_at = made_at or datetime.combine(order.ship_on, time(5, 30), FARM)
        forecast, _ = Forecast.objects.get_or_create(
            ship_to=order.ship_to,
            ship_on=order.ship_on,
            issued_at=datetime.combine(order.ship_on, time(5), FARM),
            defaults={"source": "file", "hub_c": -8, "morning_c": -6, "midday_c": -2},
        )
        rows = bags_of(order=order)
        box = {
            "size": "L",
            "bags": sum(row.bags for row in rows),
            "packs": 3,
            "gels": 0,
            "water_l": 13.7,
            "gross_kg": 19.7,
            "billable_lb": 61,
            "base": [22.3, 25.6],
            "shifted": [21.5, 25.8],
            "late": [19.7, 25.6],
            "bag_lines": [[row.line_id, row.bags] for row in rows],
        }
        record = {
            "boxes": fields.pop("boxes", [box]),
            "limits": {"caution_low_c": 20, "caution_high_c": 29},
        }
        defaults = {
            "ship_on": order.ship_on,
            "made_at": made_at,
            "stage": "morning",
            "forecast": forecast,
            "verdict": "clear",
            "delivery": "door",
            "sentence": "clear",
            "goods": Decimal("826.16"),
            "freight": Decimal("156.35"),
            "boxes_and_packs": Decimal("19.75"),
            "total": Decimal("1002.26"),
            "bags_hash": bags_hash(rows=rows),
            "record": json.dumps(record),
        }
        return PackPlan.objects.create(order=order, **(defaults | fields))


def build_scene() -> Scene:
    """The farm's places, strains, people and counted trays, and the week that ships on 1 Dec."""
    scene = Scene()
    _add_settings()
    _add_people(scene)
    _add_strains(scene)
    _add_places(scene)
    _add_customers(scene)
    scene.week = ShipWeek.objects.create(
        monday=date(2026, 11, 30),
        name="2026-W49",
        publish_at=farm_time(25, "14:00", 11),
        cut_off_at=farm_time(30, "12:00", 11),
        first_ship_on=date(2026, 12, 1),
        last_ship_on=date(2026, 12, 2),
        inked_at=farm_time(30, "14:30", 11),
    )
    return scene


def _add_settings() -> None:
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


def _add_people(scene: Scene) -> None:
    for role in Role.values:
        scene.people[role] = User.objects.create(
            code=role.upper(), email=f"{role}@saltmarrow.example", name=role.title(), role=role
        )


def _add_strains(scene: Scene) -> None:
    for rank, (code, name) in enumerate(CLASSES.items(), 1):
        StrainClass.objects.create(code=code, name=name, list_order=rank)
    for key, (name, unit, positions) in FORMS.items():
        Form.objects.create(key=key, name=name, unit_pieces=unit, positions=positions)
    for code, (use, water, packed, mass) in BAGS.items():
        BagKind.objects.create(
            code=code, use=use, water_ml=water, packed_l=packed, mass_kg=mass, rule="upright"
        )
    for code, (length, width, height, foam, tare, packs) in BOXES.items():
        BoxKind.objects.create(
            code=code,
            inner_l_cm=length,
            inner_w_cm=width,
            inner_h_cm=height,
            foam_cm=foam,
            tare_kg=tare,
            max_heat_packs=packs,
        )
    for key, (name, taxon, cls, form, bag, sting, toxin, spiky, _) in STRAINS.items():
        strain = Strain.objects.create(
            key=key,
            name=name,
            taxon=taxon,
            strain_class_id=cls,
            level=1,
            sting=sting,
            toxin=toxin,
            is_spiky=spiky,
            held_since=2002,
        )
        strain_form = StrainForm.objects.create(
            strain=strain, form=Form.objects.get(key=form), bag=bag
        )
        listing = Listing.objects.create(name=f"{key} {form}", strain_form=strain_form, title=name)
        scene.listings[listing.name] = listing


def _add_places(scene: Scene) -> None:
    for rank, (code, name) in enumerate(
        {"A": "Avocet", "T": "Tern", "H": "Heron", "P": "Plover"}.items()
    ):
        scene.systems[code] = WaterSystem.objects.create(
            code=code, name=name, volume_m3=12, last_lifted_on=date(2026, 1 + rank, 1)
        )
    troughs: dict[str, Trough] = {}
    for key, row in STRAINS.items():
        code, slot = row[8].split(".")
        if code not in troughs:
            troughs[code] = Trough.objects.create(
                code=code,
                system=scene.systems[code[0]],
                kind="plug and base trough",
                light_index=1,
                flow="medium",
                slots=48,
                aisle=(int(code[1]) + 1) // 2,
                aisle_length_m=Decimal("14.4"),
                walk_order=len(troughs) + 1,
            )
        _add_tray(scene, key, troughs[code], int(slot))


def _add_tray(scene: Scene, key: str, trough: Trough, slot: int) -> None:
    form = Form.objects.get(key=STRAINS[key][3])
    tray = Tray.objects.create(
        code=STRAINS[key][8],
        trough=trough,
        slot=slot,
        form=form,
        positions=form.positions,
        use=Tray.Use.SALE,
    )
    lot = Lot.objects.create(
        code=f"{key}-260914",
        strain_form=StrainForm.objects.get(strain__key=key),
        state=Lot.State.READY,
        cut_on=date(2026, 9, 14),
    )
    ledger.move_pieces(
        lot=lot,
        from_place=ledger.end_place(Place.End.FOUND),
        to_place=ledger.tray_place(tray),
        pieces=min(40, form.positions),
        reason="opening",
        at=farm_time(24, "09:00", 11),
    )
    scene.trays[tray.code], scene.lots[tray.code] = tray, lot


def _add_customers(scene: Scene) -> None:
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
    Seat.objects.create(user=scene.people[Role.BUYER], customer=Customer.objects.get(code="C02"))


def raise_hold(scene: Scene, **scope: Any) -> Hold:
    """A suspected hold, raised at the bench hour."""
    return Hold.objects.create(
        code="HD-9",
        reason="flatworm eggs",
        grade=Hold.Grade.SUSPECTED,
        raised_at=farm_time(1, "09:30"),
        raised_by=scene.people[Role.LEAD],
        **scope,
    )
