"""The sentences of a share: what staff read, and how much of it a buyer may read.

The sentence of order 4902 is the farm's own wording; the numbers of the others are worked figures
of the farm or counted by hand beside the check.
"""

from dataclasses import replace

import pytest

from orders.calc.share_words import buyer_sentence, sentence
from orders.calc.sharing import RULES, RuleSettings, Share, share
from tests.calc.share_cases import ask, listing_called


def shared(name: str, rule: str = "mixed", **settings) -> Share:
    available, asks = listing_called(name)
    return share(rule=rule, available=available, asks=asks, settings=RuleSettings(**settings))


# Staff


def test_the_staff_read_every_number_that_decided_a_share():
    assert sentence(shared("W49 PLT plug"), "4902") == (
        "Asked 12, promised 8: 56 pieces for 88 asked; floor 2, weighted share 4.94 of the 30 then "
        "left, 1 of the last 5; same rule for all; hand changes: none."
    )


def test_a_share_without_a_piece_of_the_last_round_says_no_more():
    assert sentence(shared("W49 PLT plug"), "4903") == (
        "Asked 6, promised 4: 56 pieces for 88 asked; floor 2, weighted share 1.72 of the 30 then "
        "left; same rule for all; hand changes: none."
    )


@pytest.mark.parametrize("rule", RULES)
def test_where_there_is_enough_nothing_needs_explaining(rule):
    outcome = share(rule=rule, available=6, asks=[ask("a", 6)])
    expected = "Asked 6, promised 6: there was enough for everyone."
    assert sentence(outcome, "a") == buyer_sentence(outcome, "a") == expected


def test_the_cap_is_named_where_it_decided():
    words = sentence(shared("W50 PLT plug"), "5009")
    assert words == (
        "Asked 36, promised 12: 46 pieces for 66 asked; floor 12, cap 12; same rule for all; "
        "hand changes: none."
    )


def test_a_cap_that_cut_a_share_is_named_and_a_lifted_one_is_not():
    # a: floor 2, then 6 x 1.3 x 18 / (23.4 + 8) = 4.47 of the 6 left, cut to 3: its cap is 10 / 2.
    asks = [ask("a", 20, tier=3), ask("b", 10)]
    outcome = share(rule="mixed", available=10, asks=asks)
    assert outcome.promised == {"a": 5, "b": 5}
    assert "weighted share 4.47 of the 6 then left, cap 5;" in sentence(outcome, "a")
    # Of 20, a may have 10, and 7 more once b has all it asked.
    outcome = share(rule="mixed", available=20, asks=[ask("a", 40, tier=3), ask("b", 3)])
    assert "15.68 of the 16 then left, 7 of the last 7;" in sentence(outcome, "a")


def test_a_lifted_cap_is_not_named_where_the_unit_was_too_large():
    # a: one dozen, which is its cap (23 of 47 hold one); b: 2, then its cap of 23. The cap lifted,
    # 12 are left: 12 x 12/49 = 2.94 for a, and after b's 10 its next dozen does not fit.
    asks = [ask("a", 24, unit=12), ask("b", 60)]
    outcome = share(rule="mixed", available=47, asks=asks)
    assert outcome.promised == {"a": 12, "b": 35}
    assert "; floor 12, weighted share 2.94 of the 12 then left; same" in sentence(outcome, "a")


def test_a_refused_dozen_is_told_by_its_fair_share():
    words = sentence(shared("W49 APT base", unit_stretch="1.2"), "4910")
    assert "no unit of 12: it is more than 1.2 x its fair share 8.60;" in words


def test_a_unit_that_did_not_fit_is_told():
    asks = [ask("a", 8, unit=4, tier=3), ask("b", 8, unit=4, tier=3), ask("c", 4)]
    outcome = share(rule="mixed", available=7, asks=asks)
    assert "no unit of 4: it did not fit what was left;" in sentence(outcome, "b")


def test_a_line_after_the_last_piece_is_told():
    outcome = share(rule="mixed", available=1, asks=[ask("a", 4), ask("b", 4)])
    assert "no floor, nothing was left;" in sentence(outcome, "b")


def test_a_line_below_its_least_is_told_what_it_had_and_the_others_what_came_back():
    # 4, 3, 3, and a accepts 6 at the least: its 4 go 2 and 2.
    asks = [ask("a", 8, least=6), ask("b", 8), ask("c", 8)]
    outcome = share(rule="mixed", available=10, asks=asks)
    assert sentence(outcome, "a") == (
        "Asked 8, promised 0: 10 pieces for 24 asked; its share of 4 was below the least it "
        "accepts, 6, so nothing; same rule for all; hand changes: none."
    )
    assert sentence(outcome, "b") == (
        "Asked 8, promised 5: 10 pieces for 24 asked; floor 2, weighted share 1.33 of the 4 then "
        "left, 2 of the 4 given back; same rule for all; hand changes: none."
    )


def test_first_come_names_what_was_left_at_the_turn():
    outcome = shared("W49 PLT plug", "first_come")
    assert sentence(outcome, "4905") == (
        "Asked 10, promised 2: 56 pieces for 88 asked; first come, first served, 2 left at its "
        "turn; same rule for all; hand changes: none."
    )
    assert "56 left at its turn, in whole units of 12;" in sentence(outcome, "4910")


def test_equal_share_names_what_stopped_a_line():
    # W50 APT base: 28; a dozen, then 16 one at a time over three: 5, 5, 6.
    outcome = shared("W50 APT base", "equal")
    assert "held fewest, until 0 were left;" in sentence(outcome, "5006")
    assert sentence(outcome, "5009") == (
        "Asked 12, promised 12: 28 pieces for 38 asked; one unit at a time to whoever held fewest; "
        "same rule for all; hand changes: none."
    )


def test_proportional_names_the_quota_and_its_rounding():
    # W49 APT base: 29 x 4/46 = 2.52, x 8/46 = 5.04, x 12/46 = 7.57 or 0.63 of a dozen. The five
    # lines above a remainder of 0.5 and the last at 0.04 each get one; 5 stay, less than a dozen.
    outcome = shared("W49 APT base", "proportional")
    assert "; share 2.52 by what was asked, rounded up by its remainder 0.52;" in sentence(
        outcome, "4901"
    )
    assert (
        "; share 7.57 by what was asked, in whole units of 12, rounded down, remainder 0.63;"
        in sentence(outcome, "4910")
    )


def test_a_hand_change_and_the_counting_word_stand_in_the_sentence():
    words = sentence(shared("W51 BMG prop-10"), "5103", hand_reason="promised by phone")
    assert words.endswith("hand changes: promised by phone.")
    words = sentence(shared("W51 BMG prop-10"), "5103", counted_in="packs")
    assert ": 13 packs for 19 asked;" in words


def test_two_decimals_are_rounded_once_and_half_up():
    # 10 x 1 / 16 = 0.625.
    asks = [ask("a", 1), ask("b", 15)]
    outcome = share(rule="proportional", available=10, asks=asks)
    assert "share 0.63 by what was asked" in sentence(outcome, "a")
    # 44999 x 1 / 1000000 = 0.044999, which is 0.04, but 0.05 if it were rounded to 0.0450 first.
    asks = [ask("a", 1), ask("b", 999999)]
    outcome = share(rule="proportional", available=44999, asks=asks)
    assert "share 0.04 by what was asked" in sentence(outcome, "a")


# Buyers


def test_fewer_than_five_customers_read_no_totals():
    outcome = shared("W50 PLT plug")
    words = buyer_sentence(outcome, "5009")
    assert words == (
        "Asked 36, promised 12: there was not enough for all; the same rule for everyone: a floor "
        "of 2, then by what was asked and by tier."
    )


def test_five_customers_read_the_totals():
    # W51 BMG: five shops asked.
    outcome = shared("W51 BMG prop-10")
    assert buyer_sentence(outcome, "5103") == sentence(outcome, "5103")
    assert "13 pieces for 19 asked" in buyer_sentence(outcome, "5103")


def test_two_orders_of_one_customer_are_one_customer():
    available, asks = listing_called("W51 BMG prop-10")
    asks[1] = replace(asks[1], customer=asks[0].customer)
    outcome = share(rule="mixed", available=available, asks=asks)
    assert "13" not in buyer_sentence(outcome, "5103")


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("mixed", "a floor of 2, then by what was asked and by tier"),
        ("first_come", "first come, first served"),
        ("equal", "one unit at a time to whoever held fewest"),
        ("proportional", "by what was asked, in whole units"),
    ],
)
def test_each_rule_has_its_words_for_a_buyer_and_shows_no_rival(rule, words):
    asks = [ask("a", 8, tier=2), ask("b", 9)]
    outcome = share(rule=rule, available=11, asks=asks)
    promised = outcome.promised["a"]
    assert buyer_sentence(outcome, "a") == (
        f"Asked 8, promised {promised}: there was not enough for all; the same rule for everyone: "
        f"{words}."
    )


def test_a_buyer_below_the_least_or_changed_by_hand_reads_so():
    outcome = share(rule="equal", available=4, asks=[ask("a", 8, least=5), ask("b", 8)])
    words = buyer_sentence(outcome, "a")
    assert words.endswith("held fewest; your share was below the least you accept.")
    words = buyer_sentence(outcome, "b", hand_reason="agreed by phone")
    assert words.endswith("held fewest; changed by hand: agreed by phone.")
