"""t*, the best fill every order can have at once: against linear programmes, and by hand."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from orders.calc import share_flow
from orders.calc.share_flow import FlowBook, best_fill, first_pieces

# SciPy is loaded by the first example, which a deadline would call too slow.
unhurried = settings(deadline=None, max_examples=60)


def book_of(lines, supply, has=()):
    """A book of (order, listing, asked) rows; every order has what ``has`` says beside them."""
    order, listing, asked = (
        np.array(column, dtype=np.int64) for column in zip(*lines, strict=True)
    )
    orders = int(order.max()) + 1
    had = np.array([*has, *[0] * (orders - len(has))], dtype=np.int64)
    wanted = np.bincount(order, asked, orders).astype(np.int64) + had
    return FlowBook(order, listing, asked, np.array(supply, dtype=np.int64), wanted, had)


@st.composite
def books(draw):
    """Up to six orders over up to five listings, some short, some with pieces from elsewhere."""
    orders, listings = draw(st.integers(1, 6)), draw(st.integers(1, 5))
    lines = []
    for order in range(orders):
        chosen = draw(st.sets(st.integers(0, listings - 1), min_size=1))
        lines += [(order, listing, draw(st.integers(1, 30))) for listing in sorted(chosen)]
    supply = draw(st.lists(st.integers(0, 60), min_size=listings, max_size=listings))
    has = draw(st.lists(st.integers(0, 9), min_size=orders, max_size=orders))
    return book_of(lines, supply, has)


def largest_fill(book):
    """The same question as a linear programme: the most t with t x wanted for every order."""
    lines = len(book.order)
    rows, limits = [], []
    for order in range(book.orders):
        rows.append([*-(book.order == order).astype(float), book.wanted[order]])
        limits.append(book.has[order])
    for listing in range(book.listings):
        rows.append([*(book.listing == listing).astype(float), 0])
        limits.append(book.supply[listing])
    found = linprog(
        [*[0] * lines, -1],
        A_ub=np.array(rows),
        b_ub=limits,
        bounds=[*[(0, asked) for asked in book.asked], (0, 1)],
    )
    assert found.success
    return -found.fun


@unhurried
@given(book=books())
def test_the_best_fill_is_that_of_the_linear_programme(book):
    assert float(best_fill(book).fill) == pytest.approx(largest_fill(book), abs=1e-9)


@unhurried
@given(book=books())
def test_the_tight_orders_can_have_no_more_together(book):
    best = best_fill(book)

    if best.fill == 1:
        assert best.tight_orders == ()
        return
    tight = np.isin(book.order, best.tight_orders)
    asked = np.bincount(book.listing[tight], book.asked[tight], book.listings)
    most = np.minimum(asked, book.supply).sum() + book.has[list(best.tight_orders)].sum()
    wanted = book.wanted[list(best.tight_orders)].sum()
    assert best.fill == Fraction(int(most), int(wanted))
    assert set(best.tight_listings) == set(np.flatnonzero(asked > book.supply).tolist())


@unhurried
@given(book=books())
def test_the_first_pieces_bring_every_order_to_the_fill_and_no_line_too_far(book):
    fill = best_fill(book).fill

    pieces = first_pieces(book, fill, np.zeros_like(book.asked))

    assert (pieces >= 0).all() and (pieces <= book.asked).all()
    assert (np.bincount(book.listing, pieces, book.listings) <= book.supply).all()
    reached = np.bincount(book.order, pieces, book.orders) + book.has
    assert (reached >= [fill * int(wanted) // 1 for wanted in book.wanted]).all()


@unhurried
@given(book=books(), digits=st.integers(1, 9))
def test_counted_in_stages_of_few_digits_it_is_the_same(book, digits):
    whole = best_fill(book)
    before = share_flow.MOST_A_STAGE
    share_flow.MOST_A_STAGE = 2 * (4 * len(book.order) + 20) * digits
    try:
        assert best_fill(book) == whole
    finally:
        share_flow.MOST_A_STAGE = before


def test_a_book_worked_by_hand():
    """Order 0 asks 10 of a; 1 asks 10 of a and 10 of b; 2 asks 4 of b. There are 9 and 14.

    0 and 1 want 20 of a, 1 and 2 want 14 of b. Of all 34, 9 + 14 = 23. Orders 0 and 1 together
    can have 9 + 10 = 19 of 30, less than 23 of 34; order 0 alone 9 of 10, which is more.
    """
    best = best_fill(book_of([(0, 0, 10), (1, 0, 10), (1, 1, 10), (2, 1, 4)], [9, 14]))

    assert best.fill == Fraction(19, 30)
    assert (best.tight_orders, best.tight_listings) == ((0, 1), (0,))


def test_where_there_is_enough_everybody_has_everything():
    best = best_fill(book_of([(0, 0, 3), (1, 0, 4)], [7]))

    assert (best.fill, best.tight_orders, best.tight_listings) == (1, (), ())


def test_an_order_that_can_have_nothing_sets_the_fill_to_nothing():
    best = best_fill(book_of([(0, 0, 3), (1, 1, 4)], [0, 4]))

    assert (best.fill, best.tight_orders) == (0, (0,))


def test_the_first_pieces_follow_the_seed_where_they_may():
    book = book_of([(0, 0, 10), (0, 1, 10), (1, 0, 10), (1, 1, 10)], [10, 10])
    fill = best_fill(book).fill
    assert fill == Fraction(1, 2)

    assert first_pieces(book, fill, np.array([7, 3, 3, 7])).tolist() == [7, 3, 3, 7]
    # A seed that gives an order more than the fill is scaled down in proportion.
    assert first_pieces(book, Fraction(1, 4), np.array([10, 2, 0, 8])).sum() == 10


def test_more_than_every_order_can_have_is_refused():
    with pytest.raises(ValueError, match="Not every order"):
        first_pieces(book_of([(0, 0, 4)], [2]), Fraction(3, 4), np.array([2]))


@pytest.mark.parametrize(
    ("lines", "supply", "words"),
    [
        ([(0, 0, -1)], [2], "below zero"),
        ([(0, 0, 1), (0, 0, 2)], [2], "twice"),
        ([(0, 0, 0)], [2], "asks for nothing"),
        ([(0, 0, 2**32)], [2], "too large"),
    ],
)
def test_a_book_that_makes_no_sense_is_refused(lines, supply, words):
    with pytest.raises(ValueError, match=words):
        best_fill(book_of(lines, supply))
