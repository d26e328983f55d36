"""Every subject that has an edit page, in the order they are offered."""

from config.edit_prices import Prices
from config.edit_settings import Settings
from config.editing import Subject
from inventory.errors import Unknown

SUBJECTS: tuple[Subject, ...] = (Prices(), Settings())


def subject_of(key: str) -> Subject:
    """The subject of an address. Raises Unknown."""
    for subject in SUBJECTS:
        if subject.key == key:
            return subject
    raise Unknown(kind="edit page", name=key[:30])
