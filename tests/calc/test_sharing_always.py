"""Sharing out a short listing: what holds for any stock, any asks and any settings of a line."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from orders.calc.sharing import RULES, Ask, share

SENT_FIRST = datetime(2026, 11, 25, 20, tzinfo=UTC)


@st.composite
def listings(draw, largest_unit=12):
    """What there is, and up to ten lines with whole units, tiers, times that tie, and leasts."""
    asks = []
    for index in range(draw(st.integers(1, 10))):
        unit = draw(st.sampled_from([u for u in (1, 1, 1, 4, 12) if u <= largest_unit]))
        units = draw(st.integers(1, 8 if unit > 1 else 40))
        asks.append(
            Ask(
                ref=f"r{index}",
                order_number=str(995 + index),
                asked=unit * units,
                unit=unit,
                tier=draw(st.sampled_from([1, 2, 3])),
                sent_at=SENT_FIRST + timedelta(minutes=draw(st.integers(0, 3))),
                least=draw(st.sampled_from([1, unit, unit * units])),
            )
        )
    asked = sum(row.asked for row in asks)
    return draw(st.integers(0, asked + 2)), asks


@given(listing=listings(), rule=st.sampled_from(list(RULES)))
def test_no_rule_gives_more_than_there_is_or_was_asked(listing, rule):
    available, asks = listing

    outcome = share(rule=rule, available=available, asks=asks)

    assert sum(outcome.promised.values()) + outcome.left_over == available
    assert outcome.left_over >= 0
    for row in asks:
        promised = outcome.promised[row.ref]
        assert 0 <= promised <= row.asked
        assert promised % row.unit == 0
        assert promised == 0 or promised >= row.least


@given(
    listing=listings(), rule=st.sampled_from(list(RULES)), chance=st.randoms(use_true_random=False)
)
def test_loaded_in_any_sequence_the_bytes_are_the_same(listing, rule, chance):
    available, asks = listing
    shuffled = list(asks)
    chance.shuffle(shuffled)

    first, second = (share(rule=rule, available=available, asks=rows) for rows in (asks, shuffled))

    assert json.dumps(first.trace) == json.dumps(second.trace)
    assert dict(first.promised) == dict(second.promised)


@given(listing=listings(), rule=st.sampled_from(["mixed", "equal", "first_come"]))
def test_nobody_who_could_still_be_served_goes_short(listing, rule):
    available, asks = listing
    asks = [replace(row, least=1) for row in asks]

    outcome = share(rule=rule, available=available, asks=asks)

    short = [row for row in asks if outcome.promised[row.ref] < row.asked]
    assert all(row.unit > outcome.left_over for row in short)


@given(listing=listings(largest_unit=1))
def test_in_the_mixed_rule_like_lines_fare_alike(listing):
    available, asks = listing
    asks = [replace(row, asked=20, tier=1, least=1) for row in asks]

    got = share(rule="mixed", available=available, asks=asks).promised.values()

    assert max(got) - min(got) <= 1


@given(listing=listings(largest_unit=1))
def test_in_the_mixed_rule_nobody_gets_nothing_while_another_gets_two(listing):
    available, asks = listing
    asks = [replace(row, least=1) for row in asks]

    got = share(rule="mixed", available=available, asks=asks).promised.values()

    assert min(got) > 0 or max(got) <= 1


@given(listing=listings(), rule=st.sampled_from(list(RULES)))
def test_the_rounds_of_a_trace_add_up_to_what_was_promised(listing, rule):
    available, asks = listing
    outcome = share(rule=rule, available=available, asks=asks)
    trace = outcome.trace
    if trace["is_enough"] or rule != "mixed":
        return
    gone = {row["ref"] for row in trace["dropped"]}
    for ref, promised in outcome.promised.items():
        given_in_rounds = sum(row["given"].get(ref, 0) for row in trace["rounds"])
        assert promised == (0 if ref in gone else trace["floors"][ref] + given_in_rounds)
