"""Keep who changed what, from which day and why. Every edit hop calls it in its own transaction.

Call from: inventory/holds.py, orders/pricing.py, config/editing.py.
"""

from datetime import date, datetime

from django.utils import timezone

from inventory.errors import ReasonMissing
from inventory.models import Change
from inventory.people import User


def note_change(
    *,
    what: str,
    name: str,
    field: str,
    was: object,
    now_is: object,
    reason: str,
    user: User,
    at: datetime,
    starts_on: date | None = None,
) -> Change:
    """One row of the record. Raises ReasonMissing when nobody said why."""
    if not reason.strip():
        raise ReasonMissing(what=f"a change of {what} {name}")
    return Change.objects.create(
        what=what,
        name=name[:60],
        field=field,
        was=_text(was),
        now=_text(now_is),
        starts_on=starts_on or timezone.localdate(at),
        reason=reason.strip()[:300],
        user=user,
        at=at,
    )


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)[:300]
