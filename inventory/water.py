"""HOP 2d water: tests by hand or as CSV -> WaterTest; a hold proposed where one is out of range.

Call from: inventory/care_pages.py.
Locks: none. A test never raises a hold: a probe that needs cleaning must not stop the farm. Copper
and fish medicine do, since they go straight into the animals.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from inventory.csv_reading import CellRefused, Reading, Row
from inventory.errors import FarmError, Unknown
from inventory.holds import raise_hold
from inventory.models import MEASURES, Hold, WaterSystem, WaterTest
from inventory.people import User
from inventory.setting_book import SettingBook

# What a kit can show at all. Outside it a cell holds a slip, such as 350 for 35.0.
BELIEVABLE: Mapping[str, tuple[float, float]] = {
    "salinity_ppt": (0, 60),
    "temperature_c": (0, 45),
    "alkalinity_dkh": (0, 30),
    "calcium_mg_l": (0, 1000),
    "magnesium_mg_l": (0, 3000),
    "nitrate_mg_l": (0, 500),
    "phosphate_mg_l": (0, 20),
}
AHEAD = timedelta(minutes=5)


class WaterUnreadable(FarmError):
    code = "water_unreadable"
    status = 422
    title = "That water test cannot be"
    message = "Nothing was noted: {first}."


@dataclass(frozen=True, slots=True)
class OutOfRange:
    """One measure of a system's newest test that lies outside the farm's range."""

    system: WaterSystem
    measure: str
    value: float
    low: float
    high: float
    taken_at: datetime
    is_held: bool

    @property
    def words(self) -> str:
        name, unit = next((name, unit) for key, name, unit in MEASURES if key == self.measure)
        is_low = self.value < self.low
        side, limit = ("below", self.low) if is_low else ("above", self.high)
        when = f"{timezone.localtime(self.taken_at):%-d %b %H:%M}"
        return f"{name} {self.value:g} {unit}, {side} {limit:g}, tested {when}"


def _problem(measure: str, value: float) -> str:
    low, high = BELIEVABLE[measure]
    if low <= value <= high:
        return ""
    name, unit = next((name, unit) for key, name, unit in MEASURES if key == measure)
    return f"{name} {value:g} {unit} lies outside {low:g} to {high:g}; read the kit again"


@transaction.atomic
def note_test(
    *,
    system_code: str,
    taken_at: datetime,
    values: Mapping[str, float],
    user: User,
    now: datetime,
    note: str = "",
) -> WaterTest:
    """Note one test of a system's water. The same system and moment lands once.

    Raises Unknown, WaterUnreadable, NotAllowed.
    """
    user.must("test_water")
    system = WaterSystem.objects.filter(code=system_code).first()
    if system is None:
        raise Unknown(kind="water system", name=system_code or "(none)")
    if not values:
        raise WaterUnreadable(first="no measure is filled in; type at least one")
    if taken_at > now + AHEAD:
        when = f"{timezone.localtime(taken_at):%-d %b %Y %H:%M}"
        raise WaterUnreadable(
            first=f"{when} lies ahead of the farm's clock; type when it was taken"
        )
    problems = [words for name, value in values.items() if (words := _problem(name, value))]
    if problems:
        raise WaterUnreadable(first="; ".join(problems))
    test, _ = WaterTest.objects.get_or_create(
        system=system,
        taken_at=taken_at,
        defaults={**values, "user": user, "note": note[:200]},
    )
    return test


def read_tests(*, reading: Reading, file: str, user: User) -> int:
    """Note every readable row of a CSV with columns system, taken_at and any measures.

    Rows that cannot be read become problems of the reading; the others are kept. Returns how many
    rows were noted; a row that was noted before counts, and changes nothing.
    """
    user.must("test_water")
    noted = 0
    systems = {row.code: row for row in WaterSystem.objects.all()}
    for row in reading.rows(file, ["system", "taken_at"]):
        try:
            _note_row(row, systems, user)
        except CellRefused:
            continue
        noted += 1
    return noted


def _note_row(row: Row, systems: dict[str, WaterSystem], user: User) -> None:
    system = row.known("system", systems, "water system")
    taken_at = row.need_moment("taken_at")
    if taken_at > row.reading.now + AHEAD:
        raise row.refuse("taken_at", "day_ahead", "lies ahead of the farm's clock; type it again")
    values = {}
    for measure, _, _ in MEASURES:
        value = row.real(measure)
        if value is not None and (words := _problem(measure, value)):
            raise row.refuse(measure, "water_unbelievable", words)
        if value is not None:
            values[measure] = value
    if not values:
        raise row.refuse("", "row_empty", "has no measure; fill in at least one")
    WaterTest.objects.get_or_create(
        system=system,
        taken_at=taken_at,
        defaults={**values, "user": user, "note": row.text("note", longest=200)},
    )


def proposals(*, book: SettingBook) -> list[OutOfRange]:
    """Measures out of range in each system's newest test that took them: holds one may raise."""
    newest: dict[tuple[int, str], WaterTest] = {}
    for test in WaterTest.objects.select_related("system"):
        for measure, _, _ in MEASURES:
            if getattr(test, measure) is not None:
                newest[test.system_id, measure] = test
    held = set(
        Hold.objects.filter(state__in=Hold.OPEN, system__isnull=False).values_list(
            "system_id", flat=True
        )
    )
    found = []
    for (system_id, measure), test in newest.items():
        low = book.number(f"water_{measure}_low")
        high = book.number(f"water_{measure}_high")
        value = getattr(test, measure)
        if not low <= value <= high:
            found.append(
                OutOfRange(test.system, measure, value, low, high, test.taken_at, system_id in held)
            )
    return sorted(found, key=lambda row: (row.system.code, row.measure))


def note_medicine(*, system_code: str, what: str, user: User, at: datetime) -> Hold:
    """Note that copper or a fish medicine went into a system. It forces a hold on all of it.

    Copper kills corals and clams and stays in bases and sand. Raises Unknown, ReasonMissing,
    NotAllowed. Source: common practice, no source.
    """
    user.must("note_care")
    return raise_hold(
        scope_kind="system",
        scope=system_code,
        reason=f"copper or fish medicine in the water: {what}" if what else "",
        grade=Hold.Grade.CONFIRMED,
        at=at,
        user=user,
    )
