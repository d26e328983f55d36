"""What may stand in a field of an edit page: each parser says in a sentence what to type instead.

Call from: config/editing.py and the edit_* tables beside it. Pure: text in, a value or a Fault out.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal, InvalidOperation
from typing import Any
from zoneinfo import ZoneInfo

Parser = Callable[[str], Any]
Choices = Callable[[], Sequence[tuple[str, str]]]
DAY_LIKE = "2026-12-11"


class Fault(ValueError):
    """A text that cannot be that field's value: the sentence says what to type."""


def _no_choices() -> Sequence[tuple[str, str]]:
    return ()


@dataclass(frozen=True, slots=True)
class Field:
    """One field: label above, unit behind, a parser, and how it is typed.

    ``control`` is text, date, time, choice, tick or lines. ``is_for_new`` stands on the form of a
    new row alone: what a row is known by never changes.
    """

    name: str
    label: str
    parse: Parser
    unit: str = ""
    hint: str = ""
    control: str = "text"
    choices: Choices = _no_choices
    is_for_new: bool = False


def as_text(value: object) -> str:
    """A value as it stands in its field."""
    if value is None or value is False:
        return ""
    if value is True:
        return "yes"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, dict):
        return "\n".join(name if of is None else f"{name} = {of}" for name, of in value.items())
    if isinstance(value, list | tuple):
        return " ".join(str(part) for part in value)
    return str(value)


def words(most: int, *, is_needed: bool = False) -> Parser:
    """Text of at most so many characters; one line."""

    def parse(text: str) -> str:
        kept = " ".join(text.split())
        if is_needed and not kept:
            raise Fault("Nothing is typed. Type at least one word.")
        if len(kept) > most:
            raise Fault(f"That is {len(kept)} characters long. Type {most} at most.")
        return kept

    return parse


def code(most: int, *, what: str = "code") -> Parser:
    """What a row is known by: capitals and figures, never changed afterwards."""

    def parse(text: str) -> str:
        kept = text.strip().upper()
        if not re.fullmatch(rf"[A-Z0-9][A-Z0-9-]{{0,{most - 1}}}", kept):
            raise Fault(
                f"{_shown(text)} is no {what}. Type up to {most} letters and figures, such as "
                f"{'AB1'[:most]}."
            )
        return kept

    return parse


def money(*, least: str = "0", most: str = "99999.99") -> Parser:
    """An amount of the farm's money with at most two decimals; never a float."""

    def parse(text: str) -> Decimal:
        amount = _decimal(text, "an amount", "14.00")
        if amount != round(amount, 2):
            raise Fault(f"{_shown(text)} has parts of a cent. Type two decimals, such as 14.00.")
        if not Decimal(least) <= amount <= Decimal(most):
            raise Fault(f"{_shown(text)} is not from {least} to {most}. Type it as 14.00.")
        return amount.quantize(Decimal("0.01"))

    return parse


def number(*, least: float, most: float, like: str = "1.5") -> Parser:
    """A number of any decimals between two limits, kept as it was typed."""

    def parse(text: str) -> Decimal:
        value = _decimal(text, "a number", like)
        if not Decimal(str(least)) <= value <= Decimal(str(most)):
            raise Fault(
                f"{_shown(text)} is not from {least:g} to {most:g}. Type a number such as {like}."
            )
        return value

    return parse


def whole(*, least: int, most: int) -> Parser:
    """A whole number between two limits."""

    def parse(text: str) -> int:
        kept = text.strip()
        is_whole = re.fullmatch(r"-?[0-9]{1,9}", kept) is not None
        if not is_whole or not least <= int(kept) <= most:
            raise Fault(
                f"{_shown(text)} is not a whole number from {least} to {most}. Type one such as "
                f"{max(least, 2)}."
            )
        return int(kept)

    return parse


def day(text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise Fault(f"{_shown(text)} is no day. Type it as {DAY_LIKE}.") from None


def clock_time(text: str) -> time:
    kept = text.strip()
    if not re.fullmatch(r"([01]?[0-9]|2[0-3]):[0-5][0-9](:00)?", kept):
        raise Fault(f"{_shown(text)} is no time of day. Type it as 09:30.")
    hour, minute = kept.split(":")[:2]
    return time(int(hour), int(minute))


def tick(text: str) -> bool:
    return text.strip().lower() in ("yes", "on", "true", "1")


def one_of(choices: Choices) -> Parser:
    """One of the keys that are offered when it is typed."""

    def parse(text: str) -> str:
        kept, known = text.strip(), [key for key, _ in choices()]
        if kept not in known:
            shown = ", ".join(key or "(none)" for key in known[:8])
            raise Fault(f"{_shown(text)} is not offered. Choose one of {shown}.")
        return kept

    return parse


def maybe(parse: Parser) -> Parser:
    """The same, or nothing at all."""
    return lambda text: parse(text) if text.strip() else None


def region(text: str) -> str:
    """A country, or a country and its part, by their published codes (ISO 3166)."""
    kept = text.strip().upper()
    if not re.fullmatch(r"[A-Z]{2}(-[A-Z0-9]{1,3})?", kept):
        raise Fault(f"{_shown(text)} is no region. Type country and state such as US-MN, or CA-ON.")
    return kept


def time_zone(text: str) -> str:
    kept = text.strip()
    try:
        ZoneInfo(kept)
    except (ValueError, OSError, KeyError):
        raise Fault(f"{_shown(text)} is no time zone. Type one such as America/Chicago.") from None
    return kept


def _decimal(text: str, wanted: str, like: str) -> Decimal:
    try:
        value = Decimal(text.strip())
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or len(text.strip()) > 20:
        raise Fault(f"{_shown(text)} is not {wanted}. Type it as {like}.")
    return value


def _shown(text: str) -> str:
    return f"“{text.strip()[:30]}”" if text.strip() else "Nothing"
