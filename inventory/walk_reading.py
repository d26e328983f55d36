"""A walk note as a phone or a form sends it -> Note, with a sentence for what cannot be read.

Call from: inventory/walk_sync.py.
"""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any

from django.utils import timezone

from inventory.errors import FarmError
from inventory.models import WalkNote
from inventory.walking import Note

COUNT = "count"
KINDS = frozenset(WalkNote.Kind.values) | {COUNT}
CHOICES = {
    "light": {"", "low", "right", "too much"},
    "flow": {"", "low", "right", "too much"},
    "scope": {"", "system", "trough", "tray"},
}
MOST_DAYS = 366
MOST_PIECES = 30_000


class NoteUnreadable(FarmError):
    code = "note_unreadable"
    status = 422
    title = "That note cannot be read"
    message = "{field} reads {value}: {remedy}."


def read_note(raw: Any, *, shift: timedelta = timedelta(0)) -> Note:
    """One note out of its JSON. ``shift`` sets a phone's clock right. Raises NoteUnreadable."""
    if not isinstance(raw, Mapping):
        raise NoteUnreadable(field="The note", value=repr(raw)[:40], remedy="send an object")
    kind = _text(raw, "kind", 10) or WalkNote.Kind.LOOK.value
    if kind not in KINDS:
        words = ", ".join(sorted(KINDS))
        raise NoteUnreadable(field="kind", value=repr(kind), remedy=f"use one of {words}")
    sent_at = _time(raw, "looked_at")
    kept_sent_at = _time(raw, "sent_looked_at") if raw.get("sent_looked_at") else None
    is_count = kind == COUNT
    return Note(
        client_id=_client_id(raw),
        looked_at=sent_at + shift,
        sent_looked_at=sent_at if shift else kept_sent_at,
        kind=WalkNote.Kind.LOOK if is_count else kind,
        is_pest=kind == WalkNote.Kind.PEST,
        # Below zero is left to the tray, which names its own positions.
        pieces=_need(raw, "pieces", -MOST_PIECES) if is_count else None,
        dead_pieces=_need(raw, "dead", 1) if kind == WalkNote.Kind.DEAD else None,
        shade_share=_share(raw) if kind == WalkNote.Kind.SHADE else None,
        shade_days=_need(raw, "days", 1, MOST_DAYS) if kind == WalkNote.Kind.SHADE else None,
        # Along what was sent, not along what might be: a note leaves most fields out.
        **{FIELDS[field][0]: FIELDS[field][1](raw) for field in raw if field in FIELDS},
    )


def _code(field: str, most: int) -> Callable[[Mapping[str, Any]], str]:
    return lambda raw: _text(raw, field, most).strip().upper()


# What a note may leave out: field -> the note's own name for it, and how it is read.
FIELDS: dict[str, tuple[str, Callable[[Mapping[str, Any]], Any]]] = {
    "place": ("place", _code("place", 8)),
    "strain": ("strain", _code("strain", 3)),
    "cohort": ("cohort", _code("cohort", 12)),
    "to_trough": ("to_trough", _code("to_trough", 8)),
    "grade": ("grade", lambda raw: _decimal(raw, "grade")),
    "signed": ("is_signed", lambda raw: raw["signed"] is True),
    "polyp": ("polyp", lambda raw: _whole(raw, "polyp", 0, 3)),
    "growth": ("growth", lambda raw: _whole(raw, "growth", 0, 3)),
    "light": ("light", lambda raw: _choice(raw, "light")),
    "flow": ("flow", lambda raw: _choice(raw, "flow")),
    "sampled": ("sampled_pieces", lambda raw: _whole(raw, "sampled", 0, MOST_PIECES)),
    "rooted": ("rooted_pieces", lambda raw: _whole(raw, "rooted", 0, MOST_PIECES)),
    "stalled_min": ("stalled_min", lambda raw: _whole(raw, "stalled_min", 0, MOST_PIECES)),
    "text": ("text", lambda raw: _text(raw, "text", 2000)),
    "scope": ("scope_kind", lambda raw: _choice(raw, "scope")),
    "undoes": ("undoes", lambda raw: _text(raw, "undoes", 60)),
    "sure": ("is_sure", lambda raw: raw["sure"] is True),
}


def _client_id(raw: Mapping[str, Any]) -> str:
    client_id = _text(raw, "client_id", 60)
    if not client_id:
        raise NoteUnreadable(
            field="client_id", value="nothing", remedy="give each note an id of its own"
        )
    return client_id


def _text(raw: Mapping[str, Any], field: str, most: int) -> str:
    value = raw.get(field)
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > most or "\x00" in value:
        raise NoteUnreadable(
            field=field, value=repr(value)[:40], remedy=f"type at most {most} letters"
        )
    return value


def _time(raw: Mapping[str, Any], field: str) -> datetime:
    value = raw.get(field)
    try:
        at = datetime.fromisoformat(value)  # type: ignore[arg-type]
        # Years at either end of the calendar cannot be told in another zone.
        if not 1970 <= at.year <= 2200:
            raise ValueError(value)
    except (TypeError, ValueError):
        raise NoteUnreadable(
            field=field, value=repr(value)[:40], remedy="send it as 2026-11-25T08:30:00-06:00"
        ) from None
    # As the database keeps it: every row that tells of this note is then written without another
    # look at its zone.
    return (at if at.tzinfo else timezone.make_aware(at)).astimezone(UTC)


def _decimal(raw: Mapping[str, Any], field: str) -> Decimal | None:
    value = raw.get(field)
    if value in (None, ""):
        return None
    try:
        if isinstance(value, bool):
            raise ValueError(value)
        number = Decimal(str(value))
        if not number.is_finite() or abs(number) > 1000:
            raise ValueError(value)
    except (InvalidOperation, ValueError):
        raise NoteUnreadable(
            field=field, value=repr(value)[:40], remedy="type a number such as 2.5"
        ) from None
    return number


def _whole(raw: Mapping[str, Any], field: str, least: int, most: int = MOST_PIECES) -> int | None:
    number = _decimal(raw, field)
    if number is None:
        return None
    if number != number.to_integral_value() or not least <= number <= most:
        raise NoteUnreadable(
            field=field,
            value=str(raw.get(field))[:40],
            remedy=f"type a whole number from {max(least, 0)} to {most}",
        )
    return int(number)


def _need(raw: Mapping[str, Any], field: str, least: int, most: int = MOST_PIECES) -> int:
    number = _whole(raw, field, least, most)
    if number is None:
        raise NoteUnreadable(field=field, value="nothing", remedy="type a whole number")
    return number


def _share(raw: Mapping[str, Any]) -> Decimal:
    share = _decimal(raw, "shade")
    if share is None or not 0 <= share <= 1:
        raise NoteUnreadable(
            field="shade", value=str(raw.get("shade"))[:40], remedy="send a share from 0 to 1"
        )
    return share.quantize(Decimal("0.01"))


def _choice(raw: Mapping[str, Any], field: str) -> str:
    value = _text(raw, field, 10)
    if value not in CHOICES[field]:
        words = ", ".join(sorted(filter(None, CHOICES[field])))
        raise NoteUnreadable(field=field, value=repr(value), remedy=f"use one of {words}")
    return value
