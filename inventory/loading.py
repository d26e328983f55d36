"""The farm's own CSV -> places, strains, lots, people, settings and opening counts.

Call from: management command `load_farm`, which wraps every app's loading in one transaction.
A row that cannot be read is a problem with file, row, column and reason; the others are read on.
Loading the same file again changes what the row says and moves no piece twice.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime, time
from typing import Any

from django.db import DataError, IntegrityError, transaction
from django.db.models import QuerySet

from inventory import ledger
from inventory.csv_reading import CellRefused, Reading, Row
from inventory.errors import FarmError
from inventory.models import (
    Balance,
    BaseBatch,
    Cohort,
    FirstDrop,
    Form,
    Listing,
    Lot,
    Place,
    PlugLot,
    Setting,
    ShadeLog,
    Site,
    Strain,
    StrainClass,
    StrainForm,
    Substitute,
    Tray,
    Trough,
    User,
    WaterSystem,
)
from inventory.people import Role


@contextmanager
def one_row(row: Row) -> Iterator[None]:
    """A row in its own savepoint: what the database or a hop refuses becomes the row's problem."""
    try:
        with transaction.atomic():
            yield
    except CellRefused:
        pass
    except FarmError as error:
        row.refuse("", error.code, error.sentence)
    except (IntegrityError, DataError) as error:
        row.refuse("", "rule_broken", f"breaks a rule of the database ({error})")


def load_rows(
    reading: Reading,
    file: str,
    columns: str,
    load: Callable[[Row], None],
    *,
    is_required: bool = True,
) -> None:
    """Give every row of a file to ``load``; ``columns`` are the names the header must have."""
    for row in reading.rows(file, columns.split(), is_required):
        with one_row(row):
            load(row)


def load_inventory(reading: Reading) -> None:
    """Load what stands in the water, floor by floor: each file names rows of those before it."""
    load_rows(reading, "farm.csv", "code name time_zone is_origin", _site)
    load_rows(reading, "settings.csv", "name scope_kind scope value set_on", _setting)
    load_rows(reading, "people.csv", "code name email role", _person)
    load_rows(reading, "systems.csv", "system name volume_m3", _system)
    _troughs(reading)
    _classes(reading)
    load_rows(reading, "forms.csv", "form name unit_pieces minimum_line positions", _form)
    load_rows(reading, "strains.csv", "key name taxon class floor_pieces", _strain)
    load_rows(reading, "strain_forms.csv", "strain form bag", _strain_form)
    load_rows(reading, "listings.csv", "listing strain form look title rule", _listing)
    load_rows(reading, "substitutes.csv", "listing substitute", _substitute, is_required=False)
    load_rows(reading, "trays.csv", "tray trough slot form positions use", _tray)
    load_rows(reading, "first_drops.csv", "strain dropped_on", _first_drop, is_required=False)
    load_rows(reading, "cohorts.csv", "cohort strain collected_on", _cohort, is_required=False)
    load_rows(reading, "shade.csv", "from_on to_on fraction", _shade, is_required=False)
    load_rows(reading, "bases.csv", "batch pieces", _base_batch, is_required=False)
    load_rows(reading, "plugs.csv", "kind count state", _plug_lot, is_required=False)
    load_rows(reading, "stock.csv", "tray lot strain form pieces counted_on state", _stock)


def named(reading: Reading, rows: QuerySet[Any], key: str) -> dict[str, Any]:
    """Rows of an earlier file by the code this one names them by, read once a file."""
    name = f"{rows.model.__name__}.{key}"
    if name not in reading.known_rows:
        reading.known_rows[name] = {str(getattr(row, key)): row for row in rows}
    return reading.known_rows[name]


def _site(row: Row) -> None:
    Site.objects.update_or_create(
        code=row.text("code", is_required=True),
        defaults={
            "name": row.text("name", is_required=True),
            "town": row.text("town"),
            "time_zone": row.text("time_zone", is_required=True),
            "latitude_deg": row.real("latitude_deg"),
            "longitude_deg": row.real("longitude_deg"),
            "country": row.text("country"),
            "is_origin": row.yes("is_origin"),
            "imports_from": row.text("imports_from"),
        },
    )


def _setting(row: Row) -> None:
    Setting.objects.update_or_create(
        name=row.text("name", is_required=True),
        scope_kind=row.choice("scope_kind", {"farm": "farm", "class": "class", "strain": "strain"}),
        scope=row.text("scope"),
        set_on=row.need_day("set_on", may_lie_ahead=False),
        defaults={
            "value": row.text("value", is_required=True, longest=60),
            "unit": row.text("unit"),
            "confidence": row.choice("confidence", {"H": "H", "M": "M", "L": "L"}),
            "owner": row.text("owner"),
            "reason": row.text("reason"),
        },
    )


def _person(row: Row) -> None:
    role = row.choice("role", {value: value for value in Role.values})
    user, is_new = User.objects.update_or_create(
        code=row.text("code", is_required=True),
        defaults={
            "name": row.text("name", is_required=True),
            "email": row.text("email", is_required=True).lower(),
            "role": role,
        },
    )
    if is_new:
        user.set_unusable_password()
        user.save(update_fields=["password"])


def _system(row: Row) -> None:
    WaterSystem.objects.update_or_create(
        code=row.text("system", is_required=True),
        defaults={
            "name": row.text("name", is_required=True),
            "volume_m3": row.need_decimal("volume_m3", most=9999),
            "last_lifted_on": row.day("last_lifted_on", may_lie_ahead=False),
            "is_quarantine": row.yes("is_quarantine"),
        },
    )


def _troughs(reading: Reading) -> None:
    systems = named(reading, WaterSystem.objects.all(), "code")
    columns = "trough system light_index flow kind slots aisle aisle_length_m"
    for order, row in enumerate(reading.rows("troughs.csv", columns.split()), 1):
        with one_row(row):
            system = row.known("system", systems, "water system")
            code = row.text("trough", is_required=True)
            known = Trough.objects.filter(code=code).first()
            if known is not None and known.system_id != system.pk:
                reason = f"{code} belongs to {known.system.code}; a trough never changes its water"
                raise row.refuse("system", "trough_moved", reason)
            Trough.objects.update_or_create(
                code=code,
                defaults={
                    "system": system,
                    "light_index": row.need_decimal("light_index"),
                    "flow": row.text("flow"),
                    "kind": row.text("kind"),
                    "slots": row.need_whole("slots", least=1),
                    "aisle": row.need_whole("aisle", least=1),
                    "aisle_length_m": row.need_decimal("aisle_length_m", most=999),
                    "walk_order": order,
                },
            )


def _classes(reading: Reading) -> None:
    for order, row in enumerate(reading.rows("classes.csv", ["class", "name"]), 1):
        with one_row(row):
            StrainClass.objects.update_or_create(
                code=row.text("class", is_required=True),
                defaults={"name": row.text("name", is_required=True), "list_order": order},
            )


def _form(row: Row) -> None:
    Form.objects.update_or_create(
        key=row.text("form", is_required=True),
        defaults={
            "name": row.text("name", is_required=True),
            "unit_pieces": row.need_whole("unit_pieces", least=1),
            "minimum_line": row.need_whole("minimum_line", least=1),
            "positions": row.need_whole("positions", least=1),
        },
    )


def _strain(row: Row) -> None:
    key = row.text("key", is_required=True)
    if len(key) != 3 or not key.isalpha() or key != key.upper():
        raise row.refuse("key", "key_shape", f"{key!r} is not three capital letters")
    colours = {"": "none", "-": "none", "none": "none"} | {
        value: value for value in ("winter-out", "summer-out")
    }
    Strain.objects.update_or_create(
        key=key,
        defaults={
            "name": row.text("name", is_required=True),
            "taxon": row.text("taxon", is_required=True),
            "strain_class": row.known(
                "class", named(row.reading, StrainClass.objects.all(), "code"), "class"
            ),
            "level": row.need_whole("level", most=5),
            "sting": row.need_whole("sting", most=3),
            "toxin": row.need_whole("toxin", most=3),
            "is_spiky": row.yes("is_spiky"),
            "cites_appendix": row.text("cites_appendix").strip("-"),
            "is_reexport": row.yes("is_reexport"),
            "law_watch": row.text("law_watch", longest=200),
            "colour": row.choice("colour_profile", colours),
            "colour_n50_h": row.real("n50_h"),
            "colour_k_per_h": row.real("k_per_h"),
            "colour_lag_days": row.whole("lag_days"),
            "drop_season": row.text("drop_season", longest=20),
            "held_since": row.need_whole("held_since", least=1900, most=2200),
            "is_making": row.yes("is_making"),
            "floor_pieces": row.need_whole("floor_pieces"),
            "hard_floor_pieces": row.need_whole("hard_floor_pieces"),
        },
    )


def _strain_form(row: Row) -> None:
    StrainForm.objects.update_or_create(
        strain=row.known("strain", named(row.reading, Strain.objects.all(), "key"), "strain"),
        form=row.known("form", named(row.reading, Form.objects.all(), "key"), "form"),
        defaults={
            "bag": row.text("bag", longest=2),
            "reference_days": row.whole("reference_days"),
            "heal_share": row.decimal("heal_share", most=1),
            "yield_pieces": row.whole("yield_pieces"),
        },
    )


def _row_strain_form(row: Row) -> StrainForm:
    key = f"{row.text('strain', is_required=True)} {row.text('form', is_required=True)}"
    rows = StrainForm.objects.select_related("strain", "form")
    if "by words" not in row.reading.known_rows:
        row.reading.known_rows["by words"] = {str(known): known for known in rows}
    forms = row.reading.known_rows["by words"]
    if key not in forms:
        raise row.refuse("form", "name_unknown", f"there is no strain-form {key!r}")
    return forms[key]  # type: ignore[no-any-return]


def _listing(row: Row) -> None:
    Listing.objects.update_or_create(
        name=row.text("listing", is_required=True, longest=24),
        defaults={
            "strain_form": _row_strain_form(row),
            "look": row.choice("look", {"": "", "winter": "winter"}),
            "title": row.text("title", is_required=True),
            "share_rule": row.choice("rule", {value: value for value in Listing.Rule.values}),
            "photo": row.text("photo", longest=120),
            "photo_light": row.text("photo_light", longest=10),
            "photo_on": row.day("photo_on", may_lie_ahead=False),
        },
    )


def _substitute(row: Row) -> None:
    listings = named(row.reading, Listing.objects.all(), "name")
    Substitute.objects.get_or_create(
        listing=row.known("listing", listings, "listing"),
        substitute=row.known("substitute", listings, "listing"),
    )


def _tray(row: Row) -> None:
    code = row.text("tray", is_required=True, longest=6)
    trough = row.known("trough", named(row.reading, Trough.objects.all(), "code"), "trough")
    tray, _ = Tray.objects.update_or_create(
        code=code,
        defaults={
            "trough": trough,
            "slot": row.need_whole("slot", least=1, most=trough.slots),
            "form": row.known("form", named(row.reading, Form.objects.all(), "key"), "form"),
            "positions": row.need_whole("positions", least=1),
            "use": row.choice("use", {value: value for value in Tray.Use.values}),
        },
    )
    ledger.tray_place(tray)


def _first_drop(row: Row) -> None:
    FirstDrop.objects.update_or_create(
        strain=row.known("strain", named(row.reading, Strain.objects.all(), "key"), "strain"),
        dropped_on=row.need_day("dropped_on", may_lie_ahead=False),
        defaults={"note": row.text("note", longest=200)},
    )


def _cohort(row: Row) -> None:
    strain = row.known("strain", named(row.reading, Strain.objects.all(), "key"), "strain")
    collected_on = row.need_day("collected_on", may_lie_ahead=False)
    if not FirstDrop.objects.filter(strain=strain, dropped_on__lte=collected_on).exists():
        reason = "no first drop was logged by then; log it before anything is collected"
        raise row.refuse("collected_on", "before_first_drop", reason)
    Cohort.objects.update_or_create(
        code=row.text("cohort", is_required=True),
        defaults={
            "strain": strain,
            "collected_on": collected_on,
            "collected_pieces": row.need_whole("collected_pieces", least=1),
            "rooted_on": row.day("rooted_on", may_lie_ahead=False),
            "p50_on": row.day("p50_on"),
            "p80_on": row.day("p80_on"),
            "state": row.choice("state", {value: value for value in Cohort.State.values}),
            "note": row.text("note", longest=200),
        },
    )


def _shade(row: Row) -> None:
    trough = row.text("trough")
    ShadeLog.objects.get_or_create(
        trough=Trough.objects.filter(code=trough).first() if trough else None,
        from_on=row.need_day("from_on"),
        to_on=row.need_day("to_on"),
        fraction=row.need_decimal("fraction"),
    )


def _base_batch(row: Row) -> None:
    BaseBatch.objects.update_or_create(
        code=row.text("batch", is_required=True),
        defaults={
            "pieces": row.need_whole("pieces"),
            "mixed_on": row.day("mixed_on", may_lie_ahead=False),
            "usable_on": row.day("usable_on"),
            "state": row.choice("state", {value: value for value in BaseBatch.State.values}),
        },
    )


def _plug_lot(row: Row) -> None:
    PlugLot.objects.update_or_create(
        kind=row.text("kind", is_required=True, longest=20),
        state=row.choice("state", {value: value for value in PlugLot.State.values}),
        source_system=named(row.reading, WaterSystem.objects.all(), "code").get(
            row.text("source_system")
        ),
        cleaned_on=None,
        defaults={"count": row.need_whole("count")},
    )


def _stock(row: Row) -> None:
    trays = named(row.reading, Tray.objects.select_related("trough"), "code")
    tray = row.known("tray", trays, "tray")
    strain_form = _row_strain_form(row)
    pieces = row.need_whole("pieces", most=tray.positions)
    counted_on = row.need_day("counted_on", may_lie_ahead=False)
    lot = _lot(row, strain_form)
    _refuse_wrong_use(row, tray, lot)
    balance = Balance.objects.filter(tray=tray, pieces__gt=0).select_related("lot").first()
    if balance is not None and balance.lot_id != lot.pk:
        reason = f"{tray.code} already holds lot {balance.lot.code}; one lot stands in a sale tray"
        raise row.refuse("lot", "two_lots_in_tray", reason)
    if balance is not None and (balance.pieces, balance.counted_on) != (pieces, counted_on):
        reason = f"{tray.code} holds {balance.pieces} already; recount it on the walk instead"
        raise row.refuse("pieces", "tray_counted_already", reason)
    if balance is None and pieces:
        _open_tray(row, tray, lot, pieces, counted_on)


def _refuse_wrong_use(row: Row, tray: Tray, lot: Lot) -> None:
    is_kept = lot.state == Lot.State.KEPT
    if is_kept != (tray.use == Tray.Use.KEPT):
        reason = f"a {lot.state} lot cannot stand in {tray.code}, which is {tray.get_use_display()}"
        raise row.refuse("state", "tray_use", reason)


def _open_tray(row: Row, tray: Tray, lot: Lot, pieces: int, counted_on: date) -> None:
    noon = datetime.combine(counted_on, time(12), row.reading.zone)
    ledger.move_pieces(
        lot=lot,
        from_place=ledger.end_place(Place.End.FOUND),
        to_place=ledger.tray_place(tray),
        pieces=pieces,
        reason="opening",
        at=min(noon, row.reading.now),
        client_key=f"opening:{tray.code}:{lot.code}",
        note=f"{row.file} row {row.number}",
    )
    is_sample = row.choice("method", {"all": False, "sample": True, "": False})
    Balance.objects.filter(tray=tray).update(counted_on=counted_on, is_sample=is_sample)


def _lot(row: Row, strain_form: StrainForm) -> Lot:
    code = row.text("lot", is_required=True, longest=24)
    cohorts = named(row.reading, Cohort.objects.all(), "code")
    cohort = row.known("cohort", cohorts, "cohort") if row.text("cohort") else None
    state = row.choice("state", {value: value for value in Lot.State.values})
    known = Lot.objects.filter(code=code).first()
    if known is not None and known.state != state:
        # Its pieces carry their standing in the roll-up: only a grade may change it.
        reason = f"lot {code} is {known.state}; grade it on the walk instead"
        raise row.refuse("state", "lot_graded_already", reason)
    lot, _ = Lot.objects.update_or_create(
        code=code,
        defaults={
            "strain_form": strain_form,
            "state": state,
            "cut_on": row.day("cut_on", may_lie_ahead=False),
            "cohort": cohort,
            "p50_on": row.day("p50_on"),
            "p80_on": row.day("p80_on"),
            "shell_min_cm": row.decimal("shell_min_cm", most=999),
            "shell_max_cm": row.decimal("shell_max_cm", most=999),
            "age_months": row.whole("age_months"),
            "origin": row.text("origin", longest=12) or "farm-raised",
            "paper": row.text("paper", longest=12),
        },
    )
    return lot
