"""How a grader's eye differs from the others', from looks that two people take at one tray."""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

# A mean of so many double looks counts half: few looks say little of an eye.
HALF_TRUSTED_LOOKS = 10


@dataclass(frozen=True, slots=True)
class DoubleLook:
    """One tray graded by two or more people on one day: each one's mean grade. [0 to 4]"""

    on: date
    grades: Mapping[str, float]


def grader_offset(
    *, differences: Sequence[float], half_trusted_looks: float = HALF_TRUSTED_LOOKS
) -> float:
    """The grader's mean difference, shrunk towards none while there are few double looks.

    Parameters
    ----------
    differences : sequence of float
        The grader's grade less the mean of all who graded that tray that day, one a double look.
    half_trusted_looks : float
        How many double looks make the mean count half. [looks]

    Returns
    -------
    float
        n / (n + half_trusted_looks) x mean; 0 without a double look. [grade]

    Source
    ------
    None, chosen by the farm; the usual shrinkage of a mean towards nought.
    """
    number = len(differences)
    if not number:
        return 0.0
    return number / (number + half_trusted_looks) * (sum(differences) / number)


@dataclass(slots=True)
class Offsets:
    """Every grader's offset as it was known on each day. A later double look leaves past days be.

    Differences are taken from the mean of the double look, so that two graders who differ by one
    meet in the middle once they are fully trusted.
    """

    half_trusted_looks: float = HALF_TRUSTED_LOOKS
    days: dict[str, list[date]] = field(default_factory=dict)
    differences: dict[str, list[float]] = field(default_factory=dict)

    @classmethod
    def of(
        cls, *, doubles: Iterable[DoubleLook], half_trusted_looks: float = HALF_TRUSTED_LOOKS
    ) -> "Offsets":
        """Offsets from double looks in any order; one with a single grader says nothing."""
        found = cls(half_trusted_looks)
        for double in sorted(doubles, key=lambda row: row.on):
            if len(double.grades) < 2:
                continue
            mean = sum(double.grades.values()) / len(double.grades)
            for grader, grade in double.grades.items():
                found.days.setdefault(grader, []).append(double.on)
                found.differences.setdefault(grader, []).append(grade - mean)
        return found

    def looks(self, *, grader: str, on: date) -> int:
        """How many double looks of a grader were taken up to that day."""
        return bisect_right(self.days.get(grader, []), on)

    def offset(self, *, grader: str, on: date) -> float:
        """A grader's offset as known on that day. [grade]"""
        known = self.differences.get(grader, [])[: self.looks(grader=grader, on=on)]
        return grader_offset(differences=known, half_trusted_looks=self.half_trusted_looks)

    def corrected(self, *, grade: float, grader: str, on: date) -> float:
        """The grade that is used: as given, less the grader's offset, within 0 to 4."""
        return min(4.0, max(0.0, grade - self.offset(grader=grader, on=on)))
