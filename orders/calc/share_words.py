"""A sentence for every share: what was asked and promised, and by which numbers."""

from typing import Any

from orders.calc.sharing import Share

# With fewer customers than this a rival's ask could be worked out from the totals.
LEAST_CUSTOMERS_FOR_TOTALS = 5


def sentence(share: Share, ref: str, hand_reason: str = "") -> str:
    """The staff's sentence for one line: every number that decided it.

    Source: none, the farm's own wording.
    """
    line = share.trace["lines"][ref]
    head = f"Asked {line['asked']}, promised {line['promised']}"
    if share.trace["is_enough"]:
        return f"{head}: there was enough for everyone."
    total = f"{share.available} for {share.trace['asked']} asked"
    total = total.replace(" for ", " pieces for ", 1)
    hand = f"hand changes: {hand_reason or 'none'}."
    return f"{head}: {total}; {_why(share, ref)}; same rule for all; {hand}"


def buyer_sentence(share: Share, ref: str) -> str:
    """A buyer's sentence: the totals only where enough customers asked.

    Source: none, the farm's own wording.
    """
    line = share.trace["lines"][ref]
    head = f"Asked {line['asked']}, promised {line['promised']}"
    if share.trace["is_enough"]:
        return f"{head}: there was enough for everyone."
    if share.trace["customers"] >= LEAST_CUSTOMERS_FOR_TOTALS:
        return sentence(share, ref)
    return f"{head}: there was not enough for all; the same rule for everyone: {_rule(share)}."


def _rule(share: Share) -> str:
    return {
        "mixed": f"a floor of {share.trace.get('floor', 1)}, then by what was asked and by tier",
        "first_come": "first come, first served",
        "equal": "the same number for each",
        "proportional": "by what was asked",
    }[share.rule]


def _why(share: Share, ref: str) -> str:
    if ref in share.trace.get("dropped", []):
        return "the share was below the least accepted, so nothing"
    if share.rule == "mixed":
        return _mixed_words(share, ref)
    if share.rule == "proportional":
        return f"share {_two(share.trace['quotas'][ref])} by what was asked, in whole units"
    if share.rule == "equal":
        return "one unit at a time to whoever held fewest"
    return "first come, first served"


def _mixed_words(share: Share, ref: str) -> str:
    line = share.trace["lines"][ref]
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
            words.append(f"{row['given'][ref]} of the last {row['left']}")
    if line["promised"] < line["asked"] and line["promised"] == share.trace["caps"][ref]:
        words.append(f"capped at {share.trace['caps'][ref]}, half of what there is")
    return ", ".join(words)


def _no_floor(share: Share, ref: str) -> str:
    line = share.trace["lines"][ref]
    if line["unit"] == 1:
        return "no floor, nothing was left"
    fair = _two(share.trace["fair_shares"][ref])
    return (
        f"no unit of {line['unit']}: it is more than {share.trace['unit_stretch']} x its fair "
        f"share {fair}; take loose pieces?"
    )


def _two(text: str) -> str:
    """Four decimals as two, rounded half up."""
    hundredths = (int(text.replace(".", "")) + 50) // 100
    return f"{hundredths // 100}.{hundredths % 100:02d}"
