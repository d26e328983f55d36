"""HOP 2h mounts: what bases and plugs have in common: who did what to how many, and when.

Call from: inventory/bases.py, inventory/plugs.py.
"""

from datetime import date, datetime

from inventory.errors import FarmError
from inventory.models import BaseBatch, MountAct, PlugLot
from inventory.people import User

MOST_AT_ONCE = 10_000


class MountsUnbelievable(FarmError):
    code = "mounts_unbelievable"
    status = 422
    title = "That number of mounts cannot be"
    message = "Nothing was noted: {pieces} {what} cannot be. Type 1 to {most}."


def believe(pieces: int, what: str) -> None:
    """Refuse a number that nobody mixes, buys or brings back at once."""
    if not 1 <= pieces <= MOST_AT_ONCE:
        raise MountsUnbelievable(pieces=pieces, what=what, most=MOST_AT_ONCE)


def note_act(
    what: str,
    of: BaseBatch | PlugLot,
    pieces: int,
    on: date,
    user: User,
    at: datetime,
    note: str = "",
) -> None:
    """Keep an act with bases or plugs in the record."""
    whose = {"base_batch": of} if isinstance(of, BaseBatch) else {"plug_lot": of}
    MountAct.objects.create(
        what=what, pieces=pieces, done_on=on, user=user, at=at, note=note.strip()[:200], **whose
    )
