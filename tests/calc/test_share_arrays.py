"""Sharing a whole book over arrays gives what the rules give listing by listing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orders.calc import share_parts as parts
from orders.calc.share_arrays import FIRST, RULE_NAMES, share_arrays
from orders.calc.share_arrays_orders import OrderBook, share_arrays_by_order
from orders.calc.share_orders import share_book
from orders.calc.share_parts import MOST_PRODUCT, ArrayBook, quotients
from orders.calc.share_rules import Ask, RuleSettings, age
from orders.calc.sharing import RULES, share
from tests.calc.share_cases import SHORT_LISTINGS, farm_asks
from tests.calc.test_share_orders import books as order_books
from tests.calc.test_sharing_always import listings

unhurried = settings(deadline=None, max_examples=150)
SETTINGS = st.sampled_from(
    [
        RuleSettings(),
        RuleSettings(unit_stretch="1.2"),
        RuleSettings(weights={1: "1", 2: "2.5", 3: "0.8"}),
    ]
)


def array_book(rows):
    """The arrays of (rule, available, asks) listings, lines by turns from each listing."""
    lines = [
        (at, rank, ask)
        for at, (_, _, asks) in enumerate(rows)
        for rank, ask in enumerate(sorted(asks, key=age))
    ]
    lines.sort(key=lambda row: (row[1], -row[0]))

    def column(values):
        return np.array(list(values), dtype=np.int64)

    book = ArrayBook(
        listing=column(at for at, _, _ in lines),
        asked=column(ask.asked for _, _, ask in lines),
        unit=column(ask.unit for _, _, ask in lines),
        least=column(ask.least for _, _, ask in lines),
        tier=column(ask.tier for _, _, ask in lines),
        age=column(rank for _, rank, _ in lines),
        available=column(available for _, available, _ in rows),
        rule=column(RULE_NAMES.index(rule) for rule, _, _ in rows),
    )
    return book, [(at, ask.ref) for at, _, ask in lines]


def one_by_one(rows, rule_settings):
    return {
        (at, ref): units
        for at, (rule, available, asks) in enumerate(rows)
        for ref, units in share(
            rule=rule, available=available, asks=asks, settings=rule_settings
        ).promised.items()
    }


@st.composite
def books(draw):
    rows = draw(st.lists(listings(), min_size=1, max_size=6))
    return [(draw(st.sampled_from(list(RULES))), available, asks) for available, asks in rows]


@unhurried
@given(rows=books(), rule_settings=SETTINGS)
def test_over_arrays_every_line_gets_what_its_rule_gives(rows, rule_settings):
    book, refs = array_book(rows)

    promised = share_arrays(book, rule_settings)

    assert dict(zip(refs, promised.tolist(), strict=True)) == one_by_one(rows, rule_settings)


def test_a_line_above_its_cap_keeps_what_it_has_when_another_is_dropped():
    lines = [(2, 1, 1), (4, 2, 1), (2, 2, 2), (2, 2, 2)]
    asks = [
        Ask(
            ref=f"r{at}",
            order_number=str(at),
            asked=asked,
            unit=1,
            tier=tier,
            sent_at=FIRST,
            least=least,
        )
        for at, (asked, tier, least) in enumerate(lines)
    ]
    book, refs = array_book([("mixed", 3, asks)])

    # The second line has two when the third gives its one back, above its cap of one.
    assert dict(zip(refs, share_arrays(book).tolist(), strict=True)) == {
        (0, "r0"): 0, (0, "r1"): 3, (0, "r2"): 0, (0, "r3"): 0,
    }  # fmt: skip


@unhurried
@given(rows=books(), few=st.integers(1, 3))
def test_with_fewer_sorts_the_rest_is_shared_one_by_one_to_the_same(rows, few):
    book, refs = array_book(rows)
    before = parts.MOST_SORTS
    parts.MOST_SORTS = few
    try:
        promised = share_arrays(book)
    finally:
        parts.MOST_SORTS = before

    assert dict(zip(refs, promised.tolist(), strict=True)) == one_by_one(rows, RuleSettings())


def order_book(book):
    """The arrays of a book of ShortBook listings, which stand in the sequence of their names."""
    lines, refs = array_book([(row.rule, row.available, row.asks) for row in book])
    numbers = {ask.ref: ask.order_number for row in book for ask in row.asks}
    orders = {number: at for at, number in enumerate(sorted(set(numbers.values())))}
    return OrderBook(
        lines=lines,
        order=np.array([orders[numbers[ref]] for _, ref in refs], dtype=np.int64),
        orders=len(orders),
        unit_pieces=np.array([row.unit_pieces for row in book], dtype=np.int64),
    ), [ref for _, ref in refs]


@unhurried
@given(book=order_books())
def test_by_order_over_arrays_every_line_gets_what_it_gets_listing_by_listing(book):
    rows, refs = order_book(book)

    promised, fill = share_arrays_by_order(rows)

    shared = share_book(way="by order", listings=book)
    assert fill == shared.fill
    assert dict(zip(refs, promised.tolist(), strict=True)) == {
        ref: units for row in book for ref, units in shared.shares[row.name].promised.items()
    }


def test_the_farms_own_weeks_all_at_once():
    for rule in RULES:
        rows = [(rule, available, farm_asks(asked)) for _, available, asked, _ in SHORT_LISTINGS]
        book, refs = array_book(rows)
        promised = dict(zip(refs, share_arrays(book).tolist(), strict=True))
        for at, (name, _, asked, given_by) in enumerate(SHORT_LISTINGS):
            assert [promised[at, ref] for ref in asked] == given_by[rule], (name, rule)


@given(
    bottom=st.integers(1, MOST_PRODUCT),
    times=st.integers(0, MOST_PRODUCT),
    beside=st.sampled_from([-1, 0, 1]),
)
def test_a_quotient_read_in_binary_fractions_is_the_whole_one(bottom, times, beside):
    shares = min(MOST_PRODUCT, max(0, bottom * (times % (MOST_PRODUCT // bottom + 1)) + beside))

    assert quotients(np.array([shares]), np.array([bottom])) == [shares // bottom]


def test_numbers_that_outgrow_64_bits_are_shared_in_exact_fractions():
    _, available, asked, _ = SHORT_LISTINGS[1]
    asks = [replace(ask, asked=ask.asked * 10**9, least=ask.unit) for ask in farm_asks(asked)]
    rows = [("mixed", available * 10**9, asks)]
    book, refs = array_book(rows)

    promised = share_arrays(book)

    assert dict(zip(refs, promised.tolist(), strict=True)) == one_by_one(rows, RuleSettings())


def test_what_makes_no_sense_is_refused():
    book, _ = array_book([("mixed", 3, farm_asks({"4902": 12, "4910": 12}))])
    with pytest.raises(ValueError, match="no whole units"):
        share_arrays(replace(book, asked=book.asked + 1))
    with pytest.raises(ValueError, match="no weight"):
        share_arrays(replace(book, tier=book.tier + 5))
