"""Sharing a book of 80,000 lines: counts and ratios in one run, against what NumPy alone takes.

Run with -s to read them: pytest -c tests/pytest.ini -s -m bench tests/bench/test_share_ratio.py
"""

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from orders.calc.share_arrays import share_arrays
from orders.calc.share_arrays_orders import OrderBook, share_arrays_by_order
from orders.calc.share_parts import ArrayBook, Sorts

pytestmark = pytest.mark.bench

LINES, ORDERS, LISTINGS = 80_000, 5_000, 1_000
# 1.37 to 1.49 on two quiet cores, to 1.53 while other programmes want both. What is measured is the
# sharing and not what a worker that ran a thousand tests has left of memory: a process of its own,
# and another one where the first was disturbed.
TURNS, MOST_PROCESSES, WANTED_RATIO, MOST_RATIO = 80, 4, 1.5, 1.65
ROOT = Path(__file__).resolve().parents[2]


class KeptSorts(Sorts):
    """Keeps what was sorted, so that the same sorts can be made again by themselves."""

    def __init__(self):
        super().__init__()
        self.keys = []

    def by(self, *keys):
        self.keys.append(keys)
        return super().by(*keys)


def make_book():
    """Orders of 16 lines; one line in twenty takes whole dozens, one in a hundred half or nothing.
    A third of the listings has enough for all."""
    chance = np.random.default_rng(20261130)
    pairs = chance.choice(ORDERS * LISTINGS, LINES, replace=False)
    unit = np.where(chance.random(LINES) < 0.05, 12, 1)
    asked = unit * np.where(unit > 1, chance.integers(1, 4, LINES), chance.integers(1, 25, LINES))
    half = np.maximum(unit, asked // 2 // unit * unit)
    listing = pairs % LISTINGS
    asked_of = np.bincount(listing, asked, LISTINGS)
    lines = ArrayBook(
        listing=listing,
        asked=asked,
        unit=unit,
        least=np.where(chance.random(LINES) < 0.01, half, unit),
        tier=chance.choice([1, 2, 3], LINES, p=[0.6, 0.3, 0.1]),
        age=chance.permutation(LINES),
        available=(asked_of * chance.uniform(0.4, 1.3, LISTINGS)).astype(np.int64),
        rule=np.zeros(LISTINGS, dtype=np.int64),
    )
    return OrderBook(lines, pairs // LISTINGS, ORDERS, np.ones(LISTINGS, dtype=np.int64))


@pytest.fixture(scope="module")
def book():
    return make_book()


def seconds(act):
    """The processor's time of an act: what others do on the machine does not count."""
    start = time.process_time()
    act()
    return time.process_time() - start


def measure(lines):
    """Least milliseconds of the sharing and of its sorts alone, and what was sorted."""
    taken, bare = [], []
    for _ in range(TURNS):
        sorts = KeptSorts()
        taken.append(seconds(lambda sorts=sorts: share_arrays(lines, sorts=sorts)))
        bare.append(seconds(lambda sorts=sorts: [np.lexsort(keys) for keys in sorts.keys]))
    return min(taken) * 1000, min(bare) * 1000, sorts.made, sorts.lines


def test_by_item_it_takes_eight_sorts_at_most_and_little_beside_them():
    ratios = []
    while not ratios or (min(ratios) > WANTED_RATIO and len(ratios) < MOST_PROCESSES):
        apart = [sys.executable, "-m", "tests.bench.test_share_ratio"]
        said = subprocess.run(apart, cwd=ROOT, capture_output=True, text=True, check=True).stdout
        taken_ms, bare_ms, made, lines = json.loads(said)
        ratios.append(taken_ms / bare_ms)

    print(f"\n80,000 lines by item: {taken_ms:.1f} ms, {made} sorts of {lines} lines, "
          f"{min(ratios):.2f} x the same sorts in bare NumPy")  # fmt: skip
    assert made <= 8 and lines <= 2 * LINES
    assert min(ratios) < MOST_RATIO


def test_by_order_it_takes_a_second_at_most(book):
    taken = []
    for _ in range(3):
        taken.append(seconds(lambda: share_arrays_by_order(book)))
    bare = min(seconds(lambda: share_arrays(book.lines)) for _ in range(3))

    promised, fill = share_arrays_by_order(book)
    reached = np.bincount(book.order, promised, ORDERS)
    asked = np.bincount(book.order, book.lines.asked, ORDERS)
    print(f"\n80,000 lines by order: {min(taken):.2f} s, {min(taken) / bare:.1f} x by item; "
          f"t* {float(fill):.4f}, lowest {(reached / asked).min():.4f}")  # fmt: skip
    assert min(taken) < 1
    assert 0 < fill < 1


if __name__ == "__main__":
    print(json.dumps(measure(make_book().lines)))
