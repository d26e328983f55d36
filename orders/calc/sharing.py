"""Sharing a short listing out: four rules, each a replayable trace of exact numbers.

Arithmetic is in fractions, so that a replay gives the same bytes on every machine; no rule takes a
random step and none depends on the sequence in which the asks arrive here.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orders.calc.share_mixed import mixed
from orders.calc.share_rules import (
    Ask,
    Outcome,
    RuleSettings,
    age,
    equal,
    first_come,
    proportional,
)

__all__ = ["RULES", "Ask", "RuleSettings", "Share", "share"]

Rule = Callable[[int, Sequence[Ask], RuleSettings], Outcome]
RULES: dict[str, Rule] = {
    "mixed": mixed,
    "first_come": first_come,
    "equal": equal,
    "proportional": proportional,
}


@dataclass(frozen=True, slots=True)
class Share:
    """What each line gets, and the trace from which any sentence about it is printed."""

    rule: str
    available: int
    promised: Mapping[str, int]
    left_over: int
    trace: Mapping[str, Any]


def share(
    *, rule: str, available: int, asks: Sequence[Ask], settings: RuleSettings | None = None
) -> Share:
    """Share what is available among asks by one of the farm's four rules.

    Parameters
    ----------
    rule : str
        "mixed", "first_come", "equal" or "proportional".
    available : int
        Sale units to share. Zero or more. [sale unit]
    asks : sequence of Ask, shape (n_lines,)
        Lines that nothing stops, in any sequence.
    settings : RuleSettings, optional
        Weights, unit stretch, floor and cap of the mixed rule.

    Returns
    -------
    Share
        Promised by ``ref``: never above the ask, whole units, summing to ``available`` at most.

    Raises
    ------
    ValueError
        If the rule or a tier is unknown, a number is below zero, a time has no zone, an ask is not
        a whole number of its units or less than its least, or two asks share a ``ref``.

    Source
    ------
    Proportional: largest remainder (Hamilton). Equal: constrained equal awards in whole units.
    Mixed: chosen by the farm.
    """
    check_asks(rule, available, asks)
    lines = sorted(asks, key=age)
    if sum(line.asked for line in lines) <= available:
        outcome = Outcome({line.ref: line.asked for line in lines}, {})
    else:
        outcome = RULES[rule](available, lines, settings or RuleSettings())
    trace = {
        **trace_of(rule, available, lines, outcome.got),
        "offers": _offers(lines, outcome),
        **outcome.steps,
    }
    promised = {line.ref: outcome.got[line.ref] for line in lines}
    return Share(rule, available, promised, trace["left_over"], trace)


def check_asks(rule: str, available: int, asks: Sequence[Ask]) -> None:
    """Raise ValueError as share does."""
    if rule not in RULES:
        raise ValueError(f"There is no rule {rule!r}; there are {', '.join(RULES)}")
    if available < 0:
        raise ValueError(f"{available} available makes no sense")
    if len({ask.ref for ask in asks}) != len(asks):
        raise ValueError("Two asks share a reference")
    for ask in asks:
        _check_ask(ask)


def _check_ask(ask: Ask) -> None:
    if ask.asked < 1 or ask.unit < 1 or ask.asked % ask.unit:
        raise ValueError(f"{ask.ref} asks {ask.asked}: not whole units of {ask.unit}")
    if ask.least > ask.asked:
        raise ValueError(f"{ask.ref} asks {ask.asked} and accepts no less than {ask.least}")
    if ask.sent_at.tzinfo is None:
        raise ValueError(f"{ask.ref} was sent at {ask.sent_at}, in no time zone")


def trace_of(
    rule: str, available: int, lines: Sequence[Ask], got: Mapping[str, int]
) -> dict[str, Any]:
    """What every trace holds. Lines by age, got in sale units."""
    asked = sum(line.asked for line in lines)
    return {
        "rule": rule,
        "available": available,
        "asked": asked,
        "customers": len({line.customer or line.order_number for line in lines}),
        "is_enough": asked <= available,
        "lines": {line.ref: _line_row(line, got[line.ref]) for line in lines},
        "left_over": available - sum(got.values()),
        "note": _note(available, lines),
        "offers": [],
    }


def _line_row(line: Ask, promised: int) -> dict[str, Any]:
    return {
        "order": line.order_number,
        "asked": line.asked,
        "unit": line.unit,
        "tier": line.tier,
        "least": line.least,
        "promised": promised,
    }


def _note(available: int, lines: Sequence[Ask]) -> str:
    """What the office reads where no line's unit is as small as what there is."""
    if available and lines and all(line.unit > available for line in lines):
        return f"{available} loose pieces: offer them?"
    return ""


def _offers(lines: Sequence[Ask], outcome: Outcome) -> list[dict[str, str]]:
    """Lines that got nothing only because they take whole units."""
    return [
        {"ref": line.ref, "order": line.order_number, "words": "take loose pieces?"}
        for line in lines
        if line.ref in outcome.stuck
    ]
