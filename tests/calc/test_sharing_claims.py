"""Two rules against published sets of rationing problems.

Proportional is a quota by claim, rounded to whole units by largest remainder (Hamilton's method);
equal share is constrained equal awards in whole units. The published set also holds constrained
equal losses, the Talmud's rule and random arrival: the farm uses none of the three, so those
columns are not compared. First come and mixed are the farm's own and stand in no published table.
"""

import json
from fractions import Fraction

import pytest

from orders.calc.sharing import share
from tests.calc.share_cases import ask

# Claims, estate, proportional and constrained equal awards. Sources: R. J. Aumann, M. Maschler,
# Journal of Economic Theory 36 (1985) 195-213, the three wives' contracts; "Constrained equal
# awards", worked examples, Wikipedia.
CLAIMS = [
    ([100, 200, 300], 100, ["50/3", "100/3", "50"], ["100/3", "100/3", "100/3"]),
    ([100, 200, 300], 200, ["100/3", "200/3", "100"], ["200/3", "200/3", "200/3"]),
    ([100, 200, 300], 300, ["50", "100", "150"], ["100", "100", "100"]),
    ([60, 90], 100, ["40", "60"], ["50", "50"]),
    ([40, 80], 100, ["100/3", "200/3"], ["40", "60"]),
    ([50, 100, 150], 200, ["100/3", "200/3", "100"], ["50", "75", "75"]),
    ([100, 200, 300], 500, ["250/3", "500/3", "250"], ["100", "200", "200"]),
]

# Weights, units and seats by largest remainder. Sources: "Largest remainder method", the Alabama
# paradox, Wikipedia; M. L. Balinski, H. P. Young, American Mathematical Monthly 82 (1975) 701-730.
LARGEST_REMAINDER = [
    ([1500, 1500, 900, 500, 500, 200], 25, [7, 7, 4, 3, 3, 1]),
    ([1500, 1500, 900, 500, 500, 200], 26, [8, 8, 5, 2, 2, 1]),
    ([5117, 4400, 162, 161, 160], 100, [51, 44, 2, 2, 1]),
]


def shared_units(rule: str, claims: list[int], estate: int) -> list[int]:
    return [_outcome(rule, claims, estate).promised.get(str(i), 0) for i in range(len(claims))]


def _outcome(rule: str, claims: list[int], estate: int):
    """Claims as lines sent one after another; whoever claims nothing sends no line."""
    asks = [
        ask(str(index), claim, minute=index, order=str(1000 + index))
        for index, claim in enumerate(claims)
        if claim
    ]
    return share(rule=rule, available=estate, asks=asks)


def is_whole_unit_rounding(units: list[int], exact: list[str], estate: int) -> bool:
    """Whole units are within one of the exact award, and none is lost."""
    gaps = [abs(got - Fraction(award)) for got, award in zip(units, exact, strict=True)]
    return sum(units) == estate and max(gaps) < 1


def check_claims(claims: list[int], estate: int, by_claim: list[str], equal: list[str]) -> None:
    quotas = _outcome("proportional", claims, estate).trace["quotas"]
    assert [quotas[str(index)] for index in range(len(claims))] == by_claim
    units = shared_units("proportional", claims, estate)
    assert is_whole_unit_rounding(units, by_claim, estate)
    units = shared_units("equal", claims, estate)
    assert is_whole_unit_rounding(units, equal, estate)


@pytest.mark.parametrize(("claims", "estate", "by_claim", "equal"), CLAIMS)
def test_published_claims(claims, estate, by_claim, equal):
    check_claims(claims, estate, by_claim, equal)


@pytest.mark.parametrize(("weights", "units", "expected"), LARGEST_REMAINDER)
def test_published_roundings_by_largest_remainder(weights, units, expected):
    assert shared_units("proportional", weights, units) == expected


def test_one_more_piece_can_take_one_from_a_line():
    # The Alabama paradox, above: 25 pieces give the fourth and fifth line 3 each, 26 give them 2.
    # So a share run made again on more stock may lower a pencilled line; inked ones it never sees.
    before, after = (shared_units("proportional", LARGEST_REMAINDER[0][0], n) for n in (25, 26))
    assert [late < early for early, late in zip(before, after, strict=True)] == [
        False,
        False,
        False,
        True,
        True,
        False,
    ]


def test_the_whole_published_set(farm_checks):
    cases = json.loads((farm_checks / "02_claims.json").read_text())["cases"]

    compared = {case["id"]: _compare(case["inputs"], case["expected"]) for case in cases}

    assert [name for name, is_equal in compared.items() if not is_equal] == []
    assert len(compared) == len(cases)


def _compare(given: dict, expected: dict) -> bool:
    """Whether a case of the set comes out, by the rule that it is about."""
    if "weights" in given:
        return shared_units("proportional", given["weights"], given["units"]) == expected["units"]
    if "demands" in given:
        # Max-min fair rates are constrained equal awards; in tenths they are whole numbers.
        tenths = [round(demand * 10) for demand in given["demands"]]
        rates = shared_units("equal", tenths, given["capacity"] * 10)
        return rates == [round(rate * 10) for rate in expected["rates"]]
    if "tie" in given:
        return shared_units("equal", given["claims"], given["estate"]) == expected["units"]
    check_claims(given["claims"], given["estate"], expected["proportional"], expected["cea"])
    return True
