"""The edit tables of lanes, the legs of their profiles, freight zones and minimum lines.

Call from: config/edit_subjects.py.
"""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, ClassVar

from django.db.models import Q

from config.edit_fields import Field, code, maybe, money, number, one_of, tick, whole, words
from config.edit_rows import RowSubject, orders_under_way
from config.edit_trials import UNDER_WAY
from config.editing import Edit, Touched, Values
from inventory.errors import Unknown
from inventory.models import Form
from orders.models import FreightRate, FreightZone, Lane, LaneLeg, Line


def _profiles() -> Sequence[tuple[str, str]]:
    names = LaneLeg.objects.order_by("profile").values_list("profile", flat=True).distinct()
    return [(name, name) for name in names]


class Lanes(RowSubject):
    key = "lanes"
    title = "Lanes"
    one = "lane"
    intro = "The way to one door: which legs, sun on the dock, a Saturday delivery."
    columns: ClassVar[tuple[str, ...]] = ("legs", "", "ship-tos", "note")
    right = "edit_lanes"
    has_start = True
    model = Lane
    table: ClassVar[tuple[Field, ...]] = (
        Field("code", "Code", code(12), hint="never changed afterwards", is_for_new=True),
        Field("profile", "Legs", one_of(_profiles), "", "the profile whose legs it has", "choice",
              _profiles),
        Field("is_sunny", "The sun stands on its dock", tick, "", "", "tick"),
        Field("has_saturday", "Is delivered on a Saturday", tick, "", "", "tick"),
        Field("note", "Note", words(200)),
    )  # fmt: skip

    def cells(self, row: Lane, *, on: date) -> tuple[str, ...]:
        said = ["sunny" if row.is_sunny else "", "Saturday" if row.has_saturday else ""]
        codes = sorted(door.code for door in row.ship_tos.all())
        return (row.profile, ", ".join(filter(None, said)), ", ".join(codes), row.note)

    def all(self) -> Any:
        return Lane.objects.order_by("code").prefetch_related("ship_tos")

    def touched(
        self, row: Lane | None, *, after: Values, starts_on: date, now: datetime
    ) -> Touched:
        return orders_under_way(ship_to__lane=row) if row is not None else []

    def plans_moved(self, row: Lane | None, *, after: Values) -> Q | None:
        return Q(order__ship_to__lane=row) if row is not None else None


POINTS = ("", "evening", "hub", "morning", "midday", "mean")
SHARE = number(least=0, most=1, like="0.4")


def _points() -> Sequence[tuple[str, str]]:
    return [(point, point or "none") for point in POINTS]


class Legs(RowSubject):
    key = "legs"
    title = "Legs"
    one = "leg"
    intro = "Hours of each leg, and how much of the forecast is felt in it."
    columns: ClassVar[tuple[str, ...]] = ("hours", "when", "forecast", "fixed")
    right = "edit_lanes"
    has_start = True
    model = LaneLeg
    can_add = False
    table: ClassVar[tuple[Field, ...]] = (
        Field("name", "Name", words(60, is_needed=True)),
        Field("hours", "Lasts", number(least=0.1, most=96, like="3.5"), "hours"),
        Field("share", "Share of the forecast", SHARE, "0 to 1"),
        Field("point", "Forecast of the", one_of(_points), "", "", "choice", _points),
        Field("fixed_share", "Share of a fixed temperature", SHARE, "0 to 1"),
        Field("fixed_c", "Fixed temperature", maybe(number(least=-40, most=50, like="18")), "°C"),
        Field("shift_share", "Share of the forecast's uncertainty", SHARE, "0 to 1"),
    )  # fmt: skip

    def words(self, row: LaneLeg) -> str:
        return f"{row.leg} {row.name}"

    def heading(self, row: LaneLeg) -> str:
        return f"{row.profile}: {row.name}"

    def name_of(self, row: LaneLeg) -> str:
        return f"{row.profile} {row.leg} {row.mode}"

    def key_of(self, row: LaneLeg) -> str:
        return f"{row.profile}:{row.leg}:{row.mode}"

    def group(self, row: LaneLeg) -> str:
        return row.profile

    def find(self, key: str) -> LaneLeg:
        profile, _, rest = key.partition(":")
        leg, _, mode = rest.partition(":")
        rows = LaneLeg.objects.filter(profile=profile, mode=mode)
        row = rows.filter(leg=int(leg)).first() if leg.isdecimal() and len(leg) < 5 else None
        if row is None:
            raise Unknown(kind="leg", name=key[:60])
        return row

    def cells(self, row: LaneLeg, *, on: date) -> tuple[str, ...]:
        felt = f"{row.share:g} of {row.point}" if row.share else ""
        fixed = f"{row.fixed_share:g} of {row.fixed_c:g} °C" if row.fixed_c is not None else ""
        return (f"{row.hours:g}", row.get_mode_display(), felt, fixed)

    def faults(self, row: LaneLeg, values: Values) -> dict[str, str]:
        if values["share"] and not values["point"]:
            return {"point": "A share of the forecast needs a point of it. Choose one."}
        if values["fixed_share"] and values["fixed_c"] is None:
            return {"fixed_c": "A share of a fixed temperature needs one. Type it in °C."}
        if values["share"] + values["fixed_share"] != 1:
            return {"fixed_share": "The two shares must make 1 together. Type one less the other."}
        return {}

    def value(self, row: LaneLeg, name: str) -> Any:
        kept = getattr(row, name)
        # A float's own words, so that 0.4 stands as it was typed.
        return number(least=-1000, most=1000)(f"{kept:g}") if isinstance(kept, float) else kept

    def put(self, row: LaneLeg, name: str, value: Any, edit: Edit) -> None:
        is_number = name in ("hours", "share", "fixed_share", "fixed_c", "shift_share")
        setattr(row, name, float(value) if is_number and value is not None else value)

    def touched(self, row: LaneLeg, *, after: Values, starts_on: date, now: datetime) -> Touched:
        lanes = Lane.objects.filter(profile=row.profile).order_by("code")
        codes = ", ".join(lanes.values_list("code", flat=True))
        return [
            ("lanes", codes or "none has this profile"),
            *orders_under_way(ship_to__lane__profile=row.profile),
        ]

    def plans_moved(self, row: LaneLeg, *, after: Values) -> Q | None:
        return Q(order__ship_to__lane__profile=row.profile)


class Zones(RowSubject):
    key = "freight"
    title = "Freight"
    one = "freight zone"
    intro = (
        "What a box costs to each zone: its first pounds, and each pound more. Fuel is a setting."
    )
    columns: ClassVar[tuple[str, ...]] = ("base, $", "each pound more, $", "ship-tos", "next")
    right = "edit_prices"
    model = FreightZone
    known_by = "zone"
    has_start = True
    keeps_days = True
    table: ClassVar[tuple[Field, ...]] = (
        Field("zone", "Zone", whole(least=1, most=99), is_for_new=True),
        Field("base", "A box with its first pounds", money(least="0.01"), "$"),
        Field("rate_per_lb", "Each billable pound more", money(), "$ a lb"),
    )

    def words(self, row: FreightZone) -> str:
        return f"zone {row.zone}"

    def all(self) -> Any:
        return FreightZone.objects.order_by("zone").prefetch_related("ship_tos", "rates")

    def cells(self, row: FreightZone, *, on: date) -> tuple[str, ...]:
        base, rate = row.rate_on(on)
        codes = sorted(door.code for door in row.ship_tos.all())
        later = sorted((r for r in row.rates.all() if r.starts_on > on), key=lambda r: r.starts_on)
        coming = [f"{r.base} and {r.rate_per_lb} from {r.starts_on:%-d %b}" for r in later[:1]]
        return (f"{base}", f"{rate}", ", ".join(codes), "".join(coming))

    def values(self, row: FreightZone | None, *, on: date) -> Values:
        if row is None:
            return {}
        base, rate = row.rate_on(on)
        return {"base": base, "rate_per_lb": rate}

    def write(self, row: FreightZone | None, edit: Edit) -> FreightZone:
        numbers = {name: edit.after[name] for name in ("base", "rate_per_lb")}
        if row is None:
            row = FreightZone(zone=edit.after["zone"], **numbers)
            self.save(row, edit)
        FreightRate.objects.update_or_create(zone=row, starts_on=edit.starts_on, defaults=numbers)
        fields = self.note_fields(row, edit)
        edit.note(what=self.one, name=self.name_of(row), fields=fields, day=edit.starts_on)
        return row

    def dated(self, row: FreightZone) -> Sequence[tuple[date, str]]:
        rows = row.rates.order_by("-starts_on")
        return [(rate.starts_on, f"{rate.base}, then {rate.rate_per_lb} a lb") for rate in rows]

    def plans_moved(self, row: FreightZone | None, *, after: Values) -> Q | None:
        return Q(order__ship_to__zone=row) if row is not None else None


class Forms(RowSubject):
    key = "forms"
    title = "Minimum lines"
    one = "form"
    intro = "The fewest that are sent of a form in one line of an order."
    columns: ClassVar[tuple[str, ...]] = ("name", "least", "pieces a unit")
    right = "edit_prices"
    has_start = True
    model = Form
    known_by = "key"
    can_add = False
    table: ClassVar[tuple[Field, ...]] = (
        Field("name", "Name", words(40, is_needed=True)),
        Field("minimum_line", "Least in one line", whole(least=1, most=500), "sale units"),
    )

    def all(self) -> Any:
        return Form.objects.order_by("key")

    def cells(self, row: Form, *, on: date) -> tuple[str, ...]:
        return (row.name, f"{row.minimum_line} {row.unit_word}", f"{row.unit_pieces}")

    def touched(self, row: Form, *, after: Values, starts_on: date, now: datetime) -> Touched:
        lines = Line.objects.filter(
            listing__strain_form__form=row,
            order__state__in=UNDER_WAY,
            asked__lt=after["minimum_line"],
        )
        return [
            ("line", f"order {line.order.number}, {line.listing.name}: {line.asked} asked, stays")
            for line in lines.select_related("order", "listing").order_by("order__number")
        ]
