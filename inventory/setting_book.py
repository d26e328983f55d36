"""The farm's defaults, read in one statement; the nearest row wins: strain, class, farm."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from inventory.bulk import day_value, rows_of
from inventory.errors import FarmError

# The newest row of each wins, being read last.
IN_FORCE = """
SELECT name, scope_kind, scope, value FROM inventory_setting WHERE set_on <= %s ORDER BY set_on, id
"""


class SettingMissing(FarmError):
    code = "setting_missing"
    status = 500
    title = "A setting is missing"
    message = "The setting {name} is not loaded. Add a row to settings.csv and load it again."


@dataclass(frozen=True)
class SettingBook:
    """Every setting in force on a day, keyed by (name, scope kind, scope)."""

    values: dict[tuple[str, str, str], str]

    @classmethod
    def read(cls, *, on: date) -> "SettingBook":
        """The book as it stood on that farm day, in one statement."""
        rows = rows_of(IN_FORCE, [day_value(on)])
        return cls({(name, kind, scope): value for name, kind, scope, value in rows})

    def text(self, name: str, *, strain: str = "", strain_class: str = "") -> str:
        for key in (
            (name, "strain", strain),
            (name, "class", strain_class),
            (name, "farm", ""),
        ):
            if key in self.values:
                return self.values[key]
        raise SettingMissing(name=name)

    def number(self, name: str, *, strain: str = "", strain_class: str = "") -> float:
        return float(self.text(name, strain=strain, strain_class=strain_class))

    def whole(self, name: str, *, strain: str = "", strain_class: str = "") -> int:
        return int(self.text(name, strain=strain, strain_class=strain_class))

    def decimal(self, name: str, *, strain: str = "", strain_class: str = "") -> Decimal:
        return Decimal(self.text(name, strain=strain, strain_class=strain_class))
