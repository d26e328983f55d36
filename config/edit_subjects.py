"""Every subject that has an edit page, in the order they are offered."""

from config.edit_calendar import Calendar
from config.edit_customers import Customers, ShipTos
from config.edit_lanes import Forms, Lanes, Legs, Zones
from config.edit_laws import Papers, RegionRules
from config.edit_people import People
from config.edit_prices import Prices
from config.edit_settings import Settings
from config.edit_strains import Listings, StrainForms, Strains
from config.editing import Subject
from inventory.errors import Unknown

SUBJECTS: tuple[Subject, ...] = (
    Prices(),
    Forms(),
    Zones(),
    Customers(),
    ShipTos(),
    Lanes(),
    Legs(),
    Strains(),
    StrainForms(),
    Listings(),
    RegionRules(),
    Papers(),
    Calendar(),
    Settings(),
    People(),
)


def subject_of(key: str) -> Subject:
    """The subject of an address. Raises Unknown."""
    for subject in SUBJECTS:
        if subject.key == key:
            return subject
    raise Unknown(kind="edit page", name=key[:30])
