"""Sharing out a short listing: the farm's three weeks, and hand-worked cases.

Expected numbers are worked figures of the farm or counted by hand beside the check.
"""

import json
from dataclasses import replace
from datetime import datetime

import pytest

from orders.calc.sharing import RULES, Ask, RuleSettings, share
from tests.calc.share_cases import SHORT_LISTINGS, ask, farm_asks, listing_called


def given_to(rule: str, available: int, asks: list[Ask], **settings) -> dict[str, int]:
    outcome = share(rule=rule, available=available, asks=asks, settings=RuleSettings(**settings))
    return dict(outcome.promised)


def hundredths(fractions: dict[str, str]) -> list[float]:
    """Exact fractions of a trace, in order-number sequence, to the two decimals of the figures."""
    return [round(_as_float(fractions[ref]), 2) for ref in sorted(fractions)]


def _as_float(text: str) -> float:
    over, _, under = text.partition("/")
    return int(over) / int(under or 1)


# The farm's three weeks


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize(
    ("available", "asked", "by_rule"),
    [row[1:] for row in SHORT_LISTINGS],
    ids=[row[0] for row in SHORT_LISTINGS],
)
def test_short_listings_are_shared_as_worked(rule, available, asked, by_rule):
    outcome = share(rule=rule, available=available, asks=farm_asks(asked))

    assert [outcome.promised[order] for order in asked] == by_rule[rule]
    assert outcome.left_over == available - sum(by_rule[rule])


def test_the_trace_holds_each_number_of_the_worked_listing():
    available, asks = listing_called("W49 PLT plug")

    trace = share(rule="mixed", available=available, asks=asks).trace

    assert (trace["available"], trace["asked"], trace["floor"]) == (56, 88, 2)
    assert [trace["floors"][ref] for ref in sorted(trace["floors"])] == [2, 2, 2, 2, 2, 2, 2, 12]
    first, second = trace["rounds"]
    assert (first["left"], second["left"]) == (30, 5)
    assert hundredths(first["shares"]) == [2.58, 4.94, 1.72, 4.94, 3.44, 1.72, 3.95, 6.70]
    # The distributor's 6.70 is 0 dozens and a remainder of 6.70 / 12 = 0.56 dozen.
    assert hundredths(first["remainders"]) == [0.58, 0.94, 0.72, 0.94, 0.44, 0.72, 0.95, 0.56]
    assert first["given"] == {
        "4901": 3,
        "4902": 5,
        "4903": 2,
        "4904": 5,
        "4905": 4,
        "4907": 2,
        "4908": 4,
    }
    assert second["given"] == {"4901": 1, "4902": 1, "4904": 1, "4905": 1, "4908": 1}
    assert all(row["is_capped"] for row in trace["rounds"])
    # Half of 56 is 28: two dozen of it, and no more than was asked.
    assert trace["caps"]["4910"] == 24
    assert (trace["dropped"], trace["offers"], trace["note"]) == ([], [], "")


def test_the_trace_is_plain_json_that_reads_back_the_same():
    for _, available, asked, _ in SHORT_LISTINGS:
        for rule in RULES:
            trace = share(rule=rule, available=available, asks=farm_asks(asked)).trace
            assert json.loads(json.dumps(trace)) == trace


def test_a_dozen_is_granted_up_to_one_and_a_half_times_its_fair_share():
    available, asks = listing_called("W49 APT base")

    trace = share(rule="mixed", available=available, asks=asks).trace

    # 29 x 1.30 x 12 / (4 + 6.9 + 4 + 6 + 9.2 + 15.6 + 6.9 = 52.6) = 8.60, x 1.5 = 12.9.
    assert round(_as_float(trace["fair_shares"]["4910"]), 2) == 8.60
    assert trace["floors"]["4910"] == 12


def test_a_narrower_stretch_refuses_the_dozen_and_offers_loose_pieces():
    available, asks = listing_called("W49 APT base")

    outcome = share(
        rule="mixed", available=available, asks=asks, settings=RuleSettings(unit_stretch="1.2")
    )

    # 12 is more than 1.2 x 8.60 = 10.3.
    assert [outcome.promised[ref] for ref in sorted(outcome.promised)] == [4, 5, 3, 5, 7, 0, 5]
    assert outcome.left_over == 0
    assert outcome.trace["offers"] == [
        {"ref": "4910", "order": "4910", "words": "take loose pieces?"}
    ]


def test_half_of_the_stock_is_the_cap_and_less_than_a_dozen_goes_back():
    available, asks = listing_called("W50 PLT plug")

    outcome = share(rule="mixed", available=available, asks=asks)

    assert (outcome.promised["5009"], outcome.trace["caps"]["5009"]) == (12, 12)
    assert outcome.left_over == 4


def test_first_come_clams_are_filled_in_part():
    # HBC clam-m: 3 pieces; C05 (4905) asks 1, C12 (4914) asks 2 four days later.
    asks = farm_asks({"4905": 1, "4914": 2})
    assert given_to("first_come", 3, asks) == {"4905": 1, "4914": 2}
    assert given_to("first_come", 2, asks) == {"4905": 1, "4914": 1}


# Floors


@pytest.mark.parametrize("rule", RULES)
def test_what_is_enough_is_given_whole(rule):
    asks = [ask("a", 5, least=5), ask("b", 24, unit=12)]
    outcome = share(rule=rule, available=29, asks=asks)
    assert outcome.promised == {"a": 5, "b": 24}
    assert outcome.trace["is_enough"]
    assert outcome.trace.keys().isdisjoint({"floors", "rounds", "turns", "stops", "quotas"})


@pytest.mark.parametrize("rule", RULES)
def test_nothing_to_share_gives_nothing_and_offers_nothing(rule):
    outcome = share(rule=rule, available=0, asks=[ask("a", 5), ask("b", 12, unit=12)])
    assert outcome.promised == {"a": 0, "b": 0}
    assert (outcome.trace["offers"], outcome.trace["note"]) == ([], "")


@pytest.mark.parametrize("rule", RULES)
def test_no_asks_leave_all_of_it(rule):
    assert share(rule=rule, available=7, asks=[]).left_over == 7


def test_fewer_pieces_than_lines_go_to_the_higher_tier_then_the_earlier():
    asks = [ask("a", 4), ask("b", 4), ask("c", 4), ask("d", 4, tier=2), ask("e", 4, tier=3)]
    assert given_to("mixed", 1, asks) == {"a": 0, "b": 0, "c": 0, "d": 0, "e": 1}
    assert given_to("mixed", 3, asks) == {"a": 1, "b": 0, "c": 0, "d": 1, "e": 1}


def test_the_floor_is_one_or_two_however_much_there_is():
    def floor_of(available):
        asks = [ask("a", 50), ask("b", 50)]
        return share(rule="mixed", available=available, asks=asks).trace["floor"]

    assert [floor_of(available) for available in (1, 3, 4, 90)] == [1, 1, 2, 2]


def test_a_unit_that_does_not_fit_is_passed_over_for_the_next_line():
    # Weighted asks 10.4 + 10.4 + 4 = 24.8: a fair share of 7 x 10.4 / 24.8 = 2.94, x 1.5 = 4.40,
    # so a four is allowed. The first takes it; of the 3 left no four fits, and the loose line has
    # its floor of 2, then the last one.
    asks = [ask("a", 8, unit=4, tier=3), ask("b", 8, unit=4, tier=3), ask("c", 4)]

    outcome = share(rule="mixed", available=7, asks=asks)

    assert outcome.promised == {"a": 4, "b": 0, "c": 3}
    assert outcome.trace["no_floor"] == {"b": "does not fit what was left"}
    assert [offer["ref"] for offer in outcome.trace["offers"]] == ["b"]


@pytest.mark.parametrize("rule", RULES)
def test_units_larger_than_all_there_is_give_nothing_and_tell_the_office(rule):
    asks = [ask("a", 12, unit=12), ask("b", 24, unit=12)]
    outcome = share(rule=rule, available=11, asks=asks)
    assert outcome.promised == {"a": 0, "b": 0}
    assert outcome.trace["note"] == "11 loose pieces: offer them?"
    # With the twelfth piece a dozen fits, and there is nothing to ask.
    assert share(rule=rule, available=12, asks=asks).trace["note"] == ""


# Caps


def test_the_cap_holds_one_line_to_half_until_nobody_else_wants_more():
    # 1.30 x 40 = 52 and 3: floors 2 and 2, 16 left. By weight the first would take
    # 16 x 1.3 x 38 / (49.4 + 1) = 15.68, but stops at its cap of 20 / 2 = 10; the second gets its
    # last one; then the cap is lifted and the first takes the other 7.
    outcome = share(rule="mixed", available=20, asks=[ask("a", 40, tier=3), ask("b", 3)])

    assert outcome.promised == {"a": 17, "b": 3}
    assert [row["is_capped"] for row in outcome.trace["rounds"]] == [True, False]
    assert outcome.trace["rounds"][0]["given"] == {"a": 8, "b": 1}
    assert round(_as_float(outcome.trace["rounds"][0]["shares"]["a"]), 2) == 15.68


def test_a_line_refused_at_the_floor_is_let_in_when_the_cap_is_lifted():
    # a: 18 x 4 / (28 + 4) = 2.25, x 1.5 = 3.4, no four. b: floor 2, then up to its cap of 9; the
    # cap lifted, 9 are left: 9 x 19 / (19 + 4) = 7.43 for b, 1.57 for a, which is 0 fours and a
    # remainder of 0.39 four against b's 0.43: b takes 8, and 1 more than 4 is not left for a.
    asks = [ask("a", 4, unit=4), ask("b", 28)]
    outcome = share(rule="mixed", available=18, asks=asks)
    assert outcome.promised == {"a": 0, "b": 18}

    # A stretch of 0.5 refuses a's four of 16 x 4 / 17 = 3.76 too. b: floor 2, then its cap of 8; of
    # the 8 left 8 x 5 / 9 = 4.44 for b and 3.56 for a, which is 0 fours and a remainder of 0.89.
    asks = [ask("a", 4, unit=4), ask("b", 13)]
    outcome = share(
        rule="mixed", available=16, asks=asks, settings=RuleSettings(unit_stretch="0.5")
    )
    assert outcome.trace["no_floor"] == {"a": "unit above its fair share"}
    assert outcome.promised == {"a": 4, "b": 12}
    assert outcome.trace["offers"] == []


def test_the_cap_is_never_less_than_one_unit():
    # Half of 14 is 7, less than a dozen; 14 x 1.3 x 24 / (31.2 + 4) = 12.4 allows one.
    outcome = share(rule="mixed", available=14, asks=[ask("a", 24, unit=12, tier=3), ask("b", 4)])
    assert (outcome.promised["a"], outcome.trace["caps"]["a"]) == (12, 12)


# The least a line accepts


def test_a_line_below_its_least_gets_nothing_and_the_others_share_its_pieces():
    # Floors 2, 2, 2; the 4 left make 1.33 each: 1, 1, 1 and the last to the earliest: 4, 3, 3.
    # a accepts 6 at the least: 0, and its 4 go 2 and 2.
    asks = [ask("a", 8, least=6), ask("b", 8), ask("c", 8)]

    outcome = share(rule="mixed", available=10, asks=asks)

    assert outcome.promised == {"a": 0, "b": 5, "c": 5}
    assert outcome.trace["dropped"] == [{"ref": "a", "had": 4}]
    assert outcome.trace["offers"] == []


def test_the_lowest_fair_share_is_dropped_first_and_may_save_the_next():
    # Floors 2, 2, 2; 6 left: 6 x 8/18, 4/18, 6/18 = 2.67, 1.33, 2.00, so 5, 3, 4. Both a (least 6)
    # and b (least 4) are below; fair shares 5 and 3, so b goes. Its 3 by 5 : 4 make 1.67 and 1.33;
    # a reaches 6, half of 12, and c 6 as well.
    asks = [ask("a", 10, least=6), ask("b", 6, least=4), ask("c", 8)]

    outcome = share(rule="mixed", available=12, asks=asks)

    assert outcome.promised == {"a": 6, "b": 0, "c": 6}
    assert outcome.trace["dropped"] == [{"ref": "b", "had": 3}]


@pytest.mark.parametrize(
    "asks",
    [
        [ask("a", 5, least=4), ask("b", 5, least=4)],
        [ask("a", 5, least=4, order="99"), ask("b", 5, least=4, minute=0, order="100")],
    ],
    ids=["sent later", "higher order number"],
)
def test_of_equal_fair_shares_the_later_goes_first(asks):
    # Floors 2 and 2, then 1 and 1: 3 each, below 4. b goes; a's cap of 3 is lifted, a has its 5,
    # and 1 goes back to the list.
    outcome = share(rule="mixed", available=6, asks=asks)
    assert outcome.promised == {"a": 5, "b": 0}
    assert outcome.left_over == 1


def test_a_line_let_in_late_and_below_its_least_is_offered_no_loose_pieces():
    # The stretch refuses a's four. b: floor 2, then its cap of 6; of the 6 left 6 x 8/11 = 4.36 for
    # a, 1.64 for b: a four and 1, and b's remainder of 0.64 takes the last: 4 and 8. a accepts 8 at
    # the least: its four goes to b, which has 1 more to get; 3 go back.
    asks = [ask("a", 8, unit=4, least=8), ask("b", 9)]
    settings = RuleSettings(unit_stretch="0.5")
    outcome = share(rule="mixed", available=12, asks=asks, settings=settings)
    assert outcome.promised == {"a": 0, "b": 9}
    assert outcome.trace["dropped"] == [{"ref": "a", "had": 4}]
    assert (outcome.trace["offers"], outcome.left_over) == ([], 3)


def test_equal_share_drops_once_and_gives_the_pieces_back():
    # 2, 2, 2: a and b fall below 4, and nobody else gets their pieces.
    asks = [ask("a", 5, least=4), ask("b", 5, least=4), ask("c", 3)]
    outcome = share(rule="equal", available=6, asks=asks)
    assert outcome.promised == {"a": 0, "b": 0, "c": 2}
    assert outcome.left_over == 4


def test_proportional_drops_once_and_gives_the_pieces_back():
    # 6 x 5/12 = 2.5, 2.5 and 1: 2, 2, 1 and the last by age to a. a accepts 4 at the least.
    asks = [ask("a", 5, least=4), ask("b", 5), ask("c", 2)]
    outcome = share(rule="proportional", available=6, asks=asks)
    assert outcome.promised == {"a": 0, "b": 2, "c": 1}
    assert outcome.left_over == 3


def test_first_come_passes_a_line_below_its_least_and_serves_the_next():
    # 5: a 4, then 1 is left; b accepts 2 at the least; c takes it.
    asks = [ask("a", 4), ask("b", 4, least=2), ask("c", 1)]
    outcome = share(rule="first_come", available=5, asks=asks)
    assert outcome.promised == {"a": 4, "b": 0, "c": 1}
    assert outcome.trace["dropped"] == [{"ref": "b", "had": 1}]


# Turns and ties


def test_order_numbers_are_compared_as_numbers_where_the_times_are_equal():
    asks = [ask("a", 3, minute=0, order="1000"), ask("b", 3, minute=0, order="999")]
    assert given_to("first_come", 3, asks) == {"a": 0, "b": 3}
    assert given_to("equal", 3, asks) == {"a": 1, "b": 2}
    assert given_to("proportional", 3, asks) == {"a": 1, "b": 2}
    assert given_to("mixed", 3, asks) == {"a": 1, "b": 2}


@pytest.mark.parametrize("rule", RULES)
def test_two_lines_of_one_order_stand_by_their_own_names(rule):
    asks = [ask("b", 3, minute=0, order="999"), ask("a", 3, minute=0, order="999")]
    for rows in (asks, asks[::-1]):
        assert given_to(rule, 1, rows) == {"a": 1, "b": 0}


def test_proportional_gives_no_second_pass():
    # 14 x 12/20 = 8.4 and 5.6: no dozen and 5; of the 9 left no dozen fits, one goes to b.
    asks = [ask("a", 12, unit=12), ask("b", 8)]
    outcome = share(rule="proportional", available=14, asks=asks)
    assert outcome.promised == {"a": 0, "b": 6}
    assert outcome.left_over == 8
    assert [offer["ref"] for offer in outcome.trace["offers"]] == ["a"]


def test_a_weight_is_read_as_written():
    # 23 x 1.15 x 20 / (1.15 x 20 + 1.00 x 23) = 11.5 to the last digit.
    asks = [ask("a", 20, tier=2), ask("b", 23)]
    for weights in ({1: "1.00", 2: "1.15"}, {1: 1.0, 2: 1.15}):
        outcome = share(
            rule="mixed", available=23, asks=asks, settings=RuleSettings(weights=weights)
        )
        assert outcome.trace["fair_shares"] == {"a": "23/2", "b": "23/2"}


# Refusals


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"asked": 0}, "a asks 0: not whole units of 1"),
        ({"asked": 13, "unit": 12}, "a asks 13: not whole units of 12"),
        ({"least": 6}, "a asks 5 and accepts no less than 6"),
        ({"tier": 4}, r"Tier 4 has no weight; there are \[1, 2, 3\]"),
        ({"sent_at": datetime(2026, 11, 25, 20)}, "a was sent at .*, in no time zone"),
        ({"ref": "b"}, "Two asks share a reference"),
    ],
)
def test_asks_that_make_no_sense_are_refused(change, words):
    asks = [replace(ask("a", 5), **change), ask("b", 5)]
    with pytest.raises(ValueError, match=words):
        share(rule="mixed", available=4, asks=asks)


def test_unknown_rules_and_less_than_nothing_are_refused():
    with pytest.raises(ValueError, match="There is no rule 'lottery'; there are mixed, first_come"):
        share(rule="lottery", available=4, asks=[])
    with pytest.raises(ValueError, match="-1 available makes no sense"):
        share(rule="equal", available=-1, asks=[])
