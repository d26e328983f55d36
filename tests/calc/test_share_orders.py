"""Sharing by whole orders: no order falls short of t* by more than rounding, and who is moved."""

import json
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orders.calc.share_orders import ShortBook, fills, share_book
from orders.calc.share_words import buyer_sentence, percent, sentence
from orders.calc.sharing import RULES
from tests.calc.share_cases import SHORT_LISTINGS, ask, farm_asks
from tests.calc.test_sharing_always import listings

# SciPy is loaded by the first example, which a deadline would call too slow.
unhurried = settings(deadline=None, max_examples=60)


def book_of(rows, *, least=None):
    """A book of several drawn listings, whose lines with one number are one order."""
    found = []
    for at, (available, asks) in enumerate(rows):
        asks = [replace(row, ref=f"{row.ref}/{at}", least=least or row.least) for row in asks]
        found.append(ShortBook(f"L{at}", "mixed", available, 1, tuple(asks)))
    return found


@st.composite
def books(draw, least=None):
    book = book_of(draw(st.lists(listings(), min_size=1, max_size=4)), least=least)
    return [
        replace(
            row,
            rule=draw(st.sampled_from(list(RULES))),
            unit_pieces=draw(st.sampled_from([1, 1, 10])),
        )
        for row in book
    ]


def allowed_short(book, number):
    """A piece, and a unit for each line of an order whose unit is more than a piece. [pieces]"""
    units = [
        line.unit * row.unit_pieces
        for row in book
        for line in row.asks
        if line.order_number == number
    ]
    return 1 + sum(unit for unit in units if unit > 1)


@unhurried
@given(book=books(least=1))
def test_no_order_ends_below_the_fill_by_more_than_rounding(book):
    result = share_book(way="by order", listings=book)

    for number, (promised, asked) in fills(book, result.shares).items():
        assert promised > result.fill * asked - allowed_short(book, number)


@unhurried
@given(book=books())
def test_a_line_below_its_least_is_the_only_other_way_to_end_short(book):
    result = share_book(way="by order", listings=book)

    dropped = {row["ref"]: row["had"] for share in result.shares.values()
               for row in [*share.trace.get("dropped", []),
                           *share.trace.get("rest", {}).get("dropped", [])]}  # fmt: skip
    for number, (promised, asked) in fills(book, result.shares).items():
        gone = sum(
            dropped.get(line.ref, 0) * row.unit_pieces
            for row in book
            for line in row.asks
            if line.order_number == number
        )
        assert promised + gone > result.fill * asked - allowed_short(book, number)


@unhurried
@given(book=books())
def test_no_listing_gives_more_than_it_has_or_was_asked(book):
    result = share_book(way="by order", listings=book)

    for row in book:
        share = result.shares[row.name]
        assert sum(share.promised.values()) + share.left_over == row.available
        assert share.left_over >= 0
        for line in row.asks:
            promised = share.promised[line.ref]
            assert 0 <= promised <= line.asked and promised % line.unit == 0
            assert promised == 0 or promised >= line.least


@unhurried
@given(book=books(), chance=st.randoms(use_true_random=False))
def test_loaded_in_any_sequence_it_is_the_same_bytes(book, chance):
    shuffled = []
    for row in book:
        asks = list(row.asks)
        chance.shuffle(asks)
        shuffled.append(replace(row, asks=tuple(asks)))
    chance.shuffle(shuffled)

    texts = [
        json.dumps({name: share.trace for name, share in result.shares.items()})
        for rows in (book, shuffled)
        for result in [share_book(way="by order", listings=rows)]
    ]
    assert texts[0] == texts[1]


@unhurried
@given(book=books())
def test_every_line_of_every_way_has_its_sentence(book):
    for way in ("by item", "by order"):
        for share in share_book(way=way, listings=book).shares.values():
            for ref in share.promised:
                assert sentence(share, ref).startswith("Asked ")
                assert buyer_sentence(share, ref).endswith(".")


def two_listings():
    """Order b asks of one listing only, which a wants as well; a is served fully elsewhere."""
    return [
        ShortBook("one", "proportional", 10, 1, (ask("a", 10), ask("b", 10))),
        ShortBook("two", "proportional", 15, 1, (
            ask("a2", 10, order="a", minute=0), ask("c", 10, minute=2))),
    ]  # fmt: skip


def test_by_order_pieces_move_to_the_order_that_has_nothing_else():
    """By item a has 5 + 8 of 20, b 5 of 10, c 7 of 10. t* is (10 + 15) of 40: a 12.5, b 6.25."""
    book = two_listings()
    by_item, by_order = (share_book(way=way, listings=book) for way in ("by item", "by order"))

    assert fills(book, by_item.shares) == {"a": (13, 20), "b": (5, 10), "c": (7, 10)}
    assert by_item.fill == by_order.fill == Fraction(25, 40)
    assert by_order.tight_orders == ("a", "b", "c") and by_order.tight_listings == ("one", "two")
    got = fills(book, by_order.shares)
    assert sum(promised for promised, _ in got.values()) == 25
    assert got["a"][0] >= 12 and got["b"][0] >= 6 and got["c"][0] >= 6


def test_where_by_item_is_as_good_the_first_pieces_are_the_items_own():
    """One listing: every order's fill is that of its line, and t* is what there is over asked."""
    name, available, asked, given_by = next(row for row in SHORT_LISTINGS if row[1] == 56)
    book = [ShortBook(name, "mixed", available, 1, tuple(farm_asks(asked)))]

    result = share_book(way="by order", listings=book)

    assert result.fill == Fraction(56, 88)
    assert sum(result.shares[name].promised.values()) == 56
    first = result.shares[name].trace["first"]
    assert all(first[ref] <= asked[ref] for ref in first)
    assert percent(str(result.fill)) == "63.63 %"
    assert sentence(result.shares[name], "4902") == (
        "Asked 12, promised 8: 56 pieces for 88 asked; 7 first, so that every order can have "
        "63.63 % of what it asked, then 1 of the 7 left: floor 1; same rule for "
        "all; hand changes: none."
    )


def test_a_line_set_by_hand_stands_and_the_others_pay():
    name, available, asked, given_by = next(row for row in SHORT_LISTINGS if row[1] == 56)
    free = ShortBook(name, "mixed", available, 1, tuple(farm_asks(asked)))
    fixed = replace(free, hand={"4903": 6})

    shares = share_book(way="by item", listings=[fixed]).shares[name]

    assert shares.promised["4903"] == 6 and sum(shares.promised.values()) == 56
    paid = {ref: given - shares.promised[ref]
            for ref, given in zip(asked, given_by["mixed"], strict=True)}  # fmt: skip
    assert sum(units for units in paid.values() if units > 0) == 2
    assert "set by hand" in sentence(shares, "4903", "a launch", "pieces")
    assert "hand changes: a launch" in sentence(shares, "4903", "a launch")
    by_order = share_book(way="by order", listings=[fixed])
    assert by_order.shares[name].promised["4903"] == 6


def test_a_stopped_listing_does_not_pull_the_fill_down():
    book = [*two_listings(), ShortBook("rests", "mixed", 0, 1, (ask("d", 5),), is_stopped=True)]

    result = share_book(way="by order", listings=book)

    assert result.fill == Fraction(25, 40)
    assert result.shares["rests"].promised == {"d": 0}


def test_what_was_promised_first_come_stays_and_counts():
    book = [
        ShortBook("one", "first_come", 10, 1, (ask("a", 10), ask("b", 10))),
        ShortBook("two", "mixed", 10, 1, (
            ask("b2", 10, order="b", minute=1), ask("c", 10, minute=2))),
    ]  # fmt: skip

    result = share_book(way="by order", listings=book)

    assert result.shares["one"].promised == {"a": 10, "b": 0}
    # b and c together: 10 of 30; first come gave a everything and b nothing.
    assert result.fill == Fraction(1, 3)
    assert fills(book, result.shares)["b"][0] >= 6


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"hand": {"a": 11}}, "fixed at 11"),
        ({"hand": {"a": 6, "b": 5}}, "fixed by hand than there is"),
    ],
)
def test_a_hand_that_gives_what_is_not_there_is_refused(change, words):
    first, second = two_listings()
    with pytest.raises(ValueError, match=words):
        share_book(way="by item", listings=[replace(first, **change), second])


def test_an_unknown_way_and_an_empty_book():
    with pytest.raises(ValueError, match="no way"):
        share_book(way="by luck", listings=[])
    assert share_book(way="by order", listings=[]).fill == 1
