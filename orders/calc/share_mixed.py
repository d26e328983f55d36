"""The mixed rule: a small floor for all, then a weighted share with a cap, lifted for the rest."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from orders.calc.share_rules import (
    Ask,
    Outcome,
    RuleSettings,
    age,
    as_text,
    by_remainder,
    read_exactly,
    remainder,
)

UNIT_TOO_LARGE = "unit above its fair share"
DOES_NOT_FIT = "does not fit what was left"


def mixed(available: int, lines: Sequence[Ask], settings: RuleSettings) -> Outcome:
    """Floors, shares below the cap, shares without it, then the least each line accepts."""
    table = _Table(available, lines, settings)
    table.give_floors()
    table.share_rest()
    table.drop_below_least()
    return Outcome(table.got, table.steps(), table.stuck())


class _Table:
    """The lines of one listing, what each has got, and what is left. Lines stand by age."""

    def __init__(self, available: int, lines: Sequence[Ask], settings: RuleSettings) -> None:
        self.available = available
        self.lines = list(lines)
        self.settings = settings
        self.got = {line.ref: 0 for line in lines}
        self.left = available
        per_line = available // len(lines)
        self.floor = min(settings.most_floor, max(settings.least_floor, per_line))
        self.weights = {line.ref: settings.weight(line.tier) for line in lines}
        weighted = sum(self.weights[line.ref] * line.asked for line in lines)
        self.fair = {
            line.ref: available * self.weights[line.ref] * line.asked / weighted for line in lines
        }
        self.caps = {line.ref: self._cap(line) for line in lines}
        self.floors: dict[str, int] = {}
        self.no_floor: dict[str, str] = {}
        self.rounds: list[dict[str, Any]] = []
        self.dropped: list[dict[str, Any]] = []
        self.dropped_refs: set[str] = set()

    def _cap(self, line: Ask) -> int:
        half = self.available // self.settings.cap_divisor // line.unit * line.unit
        return min(line.asked, max(self.floor, line.unit, half))

    def give_floors(self) -> None:
        """Higher tiers first; a unit that does not fit is passed over for the next line."""
        for line in sorted(self.lines, key=lambda line: (-line.tier, *age(line))):
            units = self._floor_of(line)
            self.floors[line.ref] = units
            self.got[line.ref] = units
            self.left -= units

    def _floor_of(self, line: Ask) -> int:
        if line.unit == 1:
            return min(line.asked, self.floor, self.left)
        if line.unit > read_exactly(self.settings.unit_stretch) * self.fair[line.ref]:
            self.no_floor[line.ref] = UNIT_TOO_LARGE
            return 0
        if line.unit > self.left:
            self.no_floor[line.ref] = DOES_NOT_FIT
            return 0
        return line.unit

    def share_rest(self) -> None:
        """Rounds below the cap, then rounds without it that let in lines with nothing yet."""
        for is_capped in (True, False):
            while self.left and self._share_round(is_capped):
                pass

    def _share_round(self, is_capped: bool) -> bool:
        tops = self.caps if is_capped else {line.ref: line.asked for line in self.lines}
        sharing = [line for line in self.lines if self._may_share(line, tops, is_capped)]
        if not sharing:
            return False
        wants = {
            line.ref: self.weights[line.ref] * (line.asked - self.got[line.ref]) for line in sharing
        }
        total = sum(wants.values())
        shares = {ref: self.left * want / total for ref, want in wants.items()}
        given = self._hand_out(sharing, shares, tops)
        self.rounds.append(
            {
                "left": self.left,
                "is_capped": is_capped,
                "drops": len(self.dropped),
                "shares": as_text(shares),
                "remainders": as_text({line.ref: remainder(line, shares) for line in sharing}),
                "given": {ref: units for ref, units in given.items() if units},
            }
        )
        for ref, units in given.items():
            self.got[ref] += units
        self.left -= sum(given.values())
        return any(given.values())

    def _may_share(self, line: Ask, tops: Mapping[str, int], is_capped: bool) -> bool:
        got = self.got[line.ref]
        if line.ref in self.dropped_refs or (is_capped and not got):
            return False
        return line.unit <= self.left and got + line.unit <= tops[line.ref]

    def _hand_out(
        self, sharing: Sequence[Ask], shares: Mapping[str, Fraction], tops: Mapping[str, int]
    ) -> dict[str, int]:
        """Whole units of each share, then one unit a line at most by largest remainder."""
        given = {}
        for line in sharing:
            room = (tops[line.ref] - self.got[line.ref]) // line.unit * line.unit
            given[line.ref] = min(int(shares[line.ref] // line.unit) * line.unit, room)
        left = self.left - sum(given.values())
        for line in by_remainder(sharing, shares):
            is_below = self.got[line.ref] + given[line.ref] + line.unit <= tops[line.ref]
            if line.unit <= left and is_below:
                given[line.ref] += line.unit
                left -= line.unit
        return given

    def drop_below_least(self) -> None:
        """Lines below their least get nothing, lowest fair share first; the others share it.

        One at a time, since what one gives back may lift the next above its least.
        """
        while below := [line for line in self.lines if 0 < self.got[line.ref] < line.least]:
            lowest = min(self.fair[line.ref] for line in below)
            # Equal fair shares: the one sent later goes first, then the higher order number.
            line = max((row for row in below if self.fair[row.ref] == lowest), key=age)
            self.dropped.append({"ref": line.ref, "had": self.got[line.ref]})
            self.dropped_refs.add(line.ref)
            self.left += self.got[line.ref]
            self.got[line.ref] = 0
            self.share_rest()

    def stuck(self) -> tuple[str, ...]:
        """Lines with nothing for want of a whole unit, and not for falling below their least."""
        if not self.available:
            return ()
        return tuple(
            ref for ref in self.no_floor if not self.got[ref] and ref not in self.dropped_refs
        )

    def steps(self) -> dict[str, Any]:
        return {
            "settings": self.settings.as_plain(),
            "floor": self.floor,
            "weights": as_text(self.weights),
            "fair_shares": as_text(self.fair),
            "floors": self.floors,
            "no_floor": self.no_floor,
            "caps": self.caps,
            "rounds": self.rounds,
            "dropped": self.dropped,
        }
