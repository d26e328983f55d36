"""A small farm at the packing bench: order 4902 for Buffalo, picked from five systems' trays.

Its rows stand in scene_rows.py.
"""

import json
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any

from inventory import ledger
from inventory.models import (
    Form,
    Hold,
    Listing,
    Lot,
    Place,
    Strain,
    StrainClass,
    StrainForm,
    Tray,
    Trough,
    WaterSystem,
)
from inventory.people import Role, User
from orders.models import (
    Line,
    Order,
    Promise,
    ShipTo,
    ShipWeek,
)
from orders.promising import change_promise
from shipping.boxing import bags_hash, bags_of
from shipping.models import BagKind, BoxKind, Forecast, PackPlan, PickSheet, PickTask
from tests.shipping.scene_rows import (
    BAGS,
    BOXES,
    CLASSES,
    FARM,
    FORMS,
    LINES_4902,
    SHIP_ON,
    STRAINS,
    add_customers,
    add_settings,
    farm_time,
)


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
    add_settings()
    _add_people(scene)
    _add_strains(scene)
    _add_places(scene)
    add_customers(scene.people[Role.BUYER])
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
