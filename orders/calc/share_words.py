"""A sentence for every share: what was asked and promised, and by which numbers."""

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from orders.calc.share_mixed import UNIT_TOO_LARGE
from orders.calc.sharing import Share

# With fewer customers than this a rival's ask could be worked out from the totals.
LEAST_CUSTOMERS_FOR_TOTALS = 5


def sentence(share: Share, ref: str, hand_reason: str = "", counted_in: str = "pieces") -> str:
    """The staff's sentence for one line: every number that decided it.

    Source: none, the farm's own wording.
    """
    if _has_enough(share):
        return f"{_head(share, ref)}: there was enough for everyone."
    total = f"{share.available} {counted_in} for {share.trace['asked']} asked"
    hand = f"hand changes: {hand_reason or 'none'}"
    return f"{_head(share, ref)}: {total}; {_why(share, ref)}; same rule for all; {hand}."


def buyer_sentence(
    share: Share, ref: str, hand_reason: str = "", counted_in: str = "pieces"
) -> str:
    """A buyer's sentence: totals, stock and weights only where enough customers asked.

    Source: none, the farm's own wording.
    """
    if _has_enough(share) or share.trace["customers"] >= LEAST_CUSTOMERS_FOR_TOTALS:
        return sentence(share, ref, hand_reason, counted_in)
    words = f"there was not enough for all; the same rule for everyone: {_rule(share)}"
    if _dropped(share, ref):
        words += "; your share was below the least you accept"
    if hand_reason:
        words += f"; changed by hand: {hand_reason}"
    return f"{_head(share, ref)}: {words}."


def hand_words(share: Share, reasons: Mapping[str, str]) -> str:
    """The staff's words for every change by hand on a listing, by the reason of each line."""
    return "; ".join(
        f"order {share.trace['lines'][ref]['order']} set to {share.promised[ref]}, {reason}"
        for ref, reason in sorted(reasons.items())
    )


def buyer_hand_words(ref: str, reasons: Mapping[str, str]) -> str:
    """A buyer reads the reason of the own line; of others only that there was a change."""
    if ref in reasons:
        return reasons[ref]
    return f"{len(reasons)} of the lines set by the farm" if reasons else ""


def _has_enough(share: Share) -> bool:
    return share.trace["is_enough"] and not share.trace.get("hand")


def _head(share: Share, ref: str) -> str:
    line = share.trace["lines"][ref]
    return f"Asked {line['asked']}, promised {line['promised']}"


def _rule(share: Share) -> str:
    by_order = share.trace.get("by_order")
    first = f"every order brought to {percent(by_order['fill'])} first; then " if by_order else ""
    steps = share.trace.get("rest", share.trace)
    floor = f"a floor of {steps['floor']}, then " if "floor" in steps else ""
    return (
        first
        + {
            "mixed": f"{floor}by what was asked and by tier",
            "first_come": "first come, first served",
            "equal": "one unit at a time to whoever held fewest",
            "proportional": "by what was asked, in whole units",
        }[share.rule]
    )


def _dropped(share: Share, ref: str) -> int:
    """What a line had before it fell below the least it accepts, else 0."""
    return sum(row["had"] for row in share.trace["dropped"] if row["ref"] == ref)


def _why(share: Share, ref: str) -> str:
    if had := _dropped(share, ref):
        least = share.trace["lines"][ref]["least"]
        return f"its share of {had} was below the least it accepts, {least}, so nothing"
    if "rest" in share.trace:
        return _first_and_rest(share, ref)
    words = {
        "mixed": _mixed_words,
        "first_come": _first_come_words,
        "equal": _equal_words,
        "proportional": _proportional_words,
    }[share.rule]
    return words(share, ref)


def _first_and_rest(share: Share, ref: str) -> str:
    """Units that were given first, by hand or to bring the order to t*, then the listing's rule."""
    trace = share.trace
    if ref in trace.get("hand", {}):
        return "set by hand"
    words = []
    if by_hand := sum(trace.get("hand", {}).values()):
        words.append(f"{by_hand} of them set by hand")
    first = trace["first"].get(ref, 0)
    if "by_order" in trace:
        fill = percent(trace["by_order"]["fill"])
        words.append(f"{first} first, so that every order can have {fill} of what it asked")
    rest = trace["rest"]
    if ref not in rest["lines"]:
        return ", ".join(words)
    given = rest["lines"][ref]["promised"]
    if rest["is_enough"]:
        words.append(f"then all of the {given} it still lacked")
    elif not rest["available"]:
        words.append("then nothing was left")
    else:
        inner = Share(share.rule, rest["available"], {}, rest["left_over"], rest)
        words.append(f"then {given} of the {rest['available']} left: {_why(inner, ref)}")
    return ", ".join(words)


def percent(fill: str) -> str:
    """An exact fraction in hundredths with two decimals, rounded down: what is surely reached."""
    hundredths = Fraction(fill) * 10_000 // 1
    return f"{hundredths // 100}.{hundredths % 100:02d} %"


def _first_come_words(share: Share, ref: str) -> str:
    left = next(turn["left"] for turn in share.trace["turns"] if turn["ref"] == ref)
    return f"first come, first served, {left} left at its turn{_by_unit(share, ref)}"


def _equal_words(share: Share, ref: str) -> str:
    words = "one unit at a time to whoever held fewest"
    stop = next((row for row in share.trace["stops"] if row["ref"] == ref), None)
    if stop is None:
        return words
    return f"{words}, until {stop['left']} were left{_by_unit(share, ref)}"


def _proportional_words(share: Share, ref: str) -> str:
    words = f"share {_two(share.trace['quotas'][ref])} by what was asked{_by_unit(share, ref)}"
    if ref in share.trace["extra"]:
        return f"{words}, rounded up by its remainder {_two(share.trace['remainders'][ref])}"
    return f"{words}, rounded down, remainder {_two(share.trace['remainders'][ref])}"


def _by_unit(share: Share, ref: str) -> str:
    unit = share.trace["lines"][ref]["unit"]
    return f", in whole units of {unit}" if unit > 1 else ""


def _mixed_words(share: Share, ref: str) -> str:
    floor = share.trace["floors"][ref]
    words = [f"floor {floor}" if floor else _no_floor(share, ref)]
    rounds: list[dict[str, Any]] = [row for row in share.trace["rounds"] if ref in row["shares"]]
    if rounds:
        first = rounds[0]
        words.append(
            f"weighted share {_two(first['shares'][ref])} of the {first['left']} then left"
        )
    for row in rounds[1:]:
        if ref in row["given"]:
            words.append(f"{row['given'][ref]} of the {_rest(row)}")
    if _is_held_at_cap(share, ref, rounds):
        words.append(f"cap {share.trace['caps'][ref]}")
    return ", ".join(words)


def _rest(row: dict[str, Any]) -> str:
    return f"{row['left']} given back" if row["drops"] else f"last {row['left']}"


def _is_held_at_cap(share: Share, ref: str, rounds: list[dict[str, Any]]) -> bool:
    """Whether the cap decided: others went on sharing, or it cut a share, and it was not lifted."""
    line = share.trace["lines"][ref]
    is_at_cap = line["promised"] == share.trace["caps"][ref] < line["asked"]
    if not is_at_cap or not all(row["is_capped"] for row in rounds):
        return False
    if not rounds or rounds[-1] != share.trace["rounds"][-1]:
        return True
    last = rounds[-1]
    return Fraction(last["shares"][ref]) - last["given"].get(ref, 0) >= line["unit"]


def _no_floor(share: Share, ref: str) -> str:
    reason = share.trace["no_floor"].get(ref)
    if reason is None:
        return "no floor, nothing was left"
    unit = share.trace["lines"][ref]["unit"]
    if reason != UNIT_TOO_LARGE:
        return f"no unit of {unit}: it did not fit what was left"
    stretch, fair = share.trace["settings"]["unit_stretch"], share.trace["fair_shares"][ref]
    return f"no unit of {unit}: it is more than {stretch} x its fair share {_two(fair)}"


def _two(text: str) -> str:
    """An exact fraction as two decimals, rounded half up."""
    hundredths = int(Fraction(text) * 100 + Fraction(1, 2))
    return f"{hundredths // 100}.{hundredths % 100:02d}"
