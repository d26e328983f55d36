"""Sixty thousand lots at once against bare NumPy, and the stock roll-up against one statement.

Run with -s to read them: pytest -c tests/pytest.ini -s -m bench tests/bench/test_lots_ratio.py
"""

import time
from datetime import date

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from tests_support import farm_time

from inventory.calc.light import LightRule, growing_days, ready_dates
from inventory.calc.survival import (
    countable_pieces,
    growing_pieces,
    healed_pieces,
    lot_countables,
    week_supply,
)
from inventory.ledger import end_place, rebuild_balances
from inventory.models import Movement, Place, StockTotal
from inventory.walking import record_deaths

pytestmark = pytest.mark.bench
LOTS, PLACES, FORMS, DAYS = 60_000, 34, 240, 900
BEGIN = date(2025, 6, 1)
CLEARNESS = (0.48, 0.50, 0.52, 0.54, 0.56, 0.58, 0.58, 0.57, 0.55, 0.54, 0.50, 0.47)
RULE = LightRule(latitude_deg=27.55, clearness=CLEARNESS)


@pytest.fixture(scope="module")
def house():
    """Sixty thousand made-up lots in the farm's 34 troughs."""
    rng = np.random.default_rng(60)
    shade = np.zeros((PLACES, DAYS))
    shade[:, 318:487] = 0.4
    return {
        "light": rng.uniform(0.6, 1.2, PLACES),
        "shade": shade,
        "place": rng.integers(0, PLACES, LOTS),
        "cut": rng.integers(0, 400, LOTS),
        "need": rng.uniform(25, 180, LOTS),
        "form": rng.integers(0, FORMS, LOTS),
        "pieces": rng.integers(0, 73, LOTS),
        "days": rng.integers(0, 40, LOTS),
        "decay": rng.choice([0.0, 0.002, 0.003, 0.005], LOTS),
        "is_sample": rng.random(LOTS) < 0.2,
        "is_growing": rng.random(LOTS) < 0.5,
        "heal": np.where(rng.random(LOTS) < 0.1, 0.9, 1.0),
        "is_held": rng.random(LOTS) < 0.05,
        "gap": rng.integers(0, 8, FORMS),
        "monday": 560,
    }


def ours(house):
    sums = growing_days(
        begin_on=BEGIN,
        days=DAYS,
        rule=RULE,
        place_index=house["light"],
        shade=house["shade"],
    )
    dates = ready_dates(
        begin_on=BEGIN,
        sums=sums,
        place=house["place"],
        cut_day=house["cut"],
        reference_days=house["need"],
    )
    countable = lot_countables(
        pieces=house["pieces"],
        days_since_count=house["days"],
        decay_per_day=house["decay"],
        is_sample=house["is_sample"],
        is_growing=house["is_growing"],
        heal_share=house["heal"],
    )
    is_in = ~house["is_growing"] | ((dates.p80_day >= 0) & (dates.p80_day <= house["monday"]))
    supply = week_supply(
        form=house["form"],
        countable=countable,
        is_counting=is_in & ~house["is_held"],
        gap_pieces=house["gap"],
    )
    return dates.p50_day, dates.p80_day, supply


def bare(house):
    """The same sums written out, trough by trough, with nothing checked and nothing named."""
    calendar = np.datetime64(BEGIN) + np.arange(DAYS)
    months = calendar.astype("datetime64[M]").astype(int) % 12
    day = (calendar - calendar.astype("datetime64[Y]")).astype(int) + 1
    lat = np.radians(27.55)
    decl = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    ws = np.arccos(-np.tan(lat) * np.tan(decl))
    ra = (
        24 * 60 / np.pi * 0.0820 * (1 + 0.033 * np.cos(2 * np.pi * day / 365))
        * (ws * np.sin(lat) * np.sin(decl) + np.cos(lat) * np.cos(decl) * np.sin(ws))
    )  # fmt: skip
    open_light = ra * np.array(CLEARNESS)[months] * 2.06 * 0.62
    light = open_light * (1 - house["shade"]) * house["light"][:, None]
    sums = np.cumsum(np.clip(np.sqrt(light / 15), 0.4, 1.2), axis=1)
    p50 = np.empty(LOTS, dtype=int)
    p80 = np.empty(LOTS, dtype=int)
    for place in range(PLACES):
        here = np.flatnonzero(house["place"] == place)
        start, need = sums[place, house["cut"][here]], house["need"][here]
        p50[here] = np.searchsorted(sums[place], start + need - 1e-9)
        p80[here] = np.searchsorted(sums[place], start + 1.12 * need - 1e-9)
    p50[p50 >= DAYS] = -1
    p80[p80 >= DAYS] = -1
    base = np.floor(house["pieces"] * house["heal"] + 1e-9)
    cut = np.minimum(0.15, house["decay"] * house["days"]) + 0.02 * house["is_sample"]
    left = np.floor(base * (1 - cut) + 1e-9)
    left[house["is_growing"]] = np.floor(left[house["is_growing"]] * 0.85 + 1e-9)
    counts = (~house["is_growing"] | ((p80 >= 0) & (p80 <= house["monday"]))) & ~house["is_held"]
    given = np.bincount(house["form"][counts], weights=left[counts], minlength=FORMS)
    return p50, p80, np.maximum(0, given.astype(int) - house["gap"])


def best_of(act, house, times=9):
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        act(house)
        best = min(best, time.perf_counter() - start)
    return best


def test_sixty_thousand_lots_against_bare_numpy(house):
    for mine, plain in zip(ours(house), bare(house), strict=True):
        assert (mine == plain).all()
    best_of(ours, house, 2)
    ratio = best_of(ours, house) / best_of(bare, house)
    print(f"\n60,000 lots, ready dates and supply: {ratio:.2f} x bare NumPy")
    assert ratio < 2


def test_many_trays_at_once_are_each_tray_by_itself(house):
    found = lot_countables(
        pieces=house["pieces"],
        days_since_count=house["days"],
        decay_per_day=house["decay"],
        is_sample=house["is_sample"],
        is_growing=house["is_growing"],
        heal_share=house["heal"],
    )
    for index in range(0, LOTS, 211):
        alone = countable_pieces(
            pieces=healed_pieces(pieces=house["pieces"][index], heal_share=house["heal"][index]),
            days_since_count=house["days"][index],
            decay_per_day=house["decay"][index],
            is_sample=house["is_sample"][index],
        )
        if house["is_growing"][index]:
            alone = growing_pieces(countable=alone)
        assert found[index] == alone


@pytest.mark.parametrize(("pieces", "days"), [([-1], [0]), ([1], [-1])])
def test_less_than_nothing_is_refused(pieces, days):
    with pytest.raises(ValueError, match="below zero"):
        lot_countables(
            pieces=pieces,
            days_since_count=days,
            decay_per_day=[0.0],
            is_sample=[False],
            is_growing=[False],
        )


# ---- the stock roll-up


# A farm's three years are about 900,000 moves; a tenth of that shows the same ratio.
MOVES = 90_000


def fill_ledger():
    """A long ledger: pieces picked from every tray and put back, over and over."""
    bench = end_place(Place.End.BENCH)
    at = farm_time("2026-11-24 12:00")
    places = list(Place.objects.filter(tray__balance__pieces__gt=0).select_related("tray__balance"))
    rows = []
    for index in range(MOVES // 2):
        place = places[index % len(places)]
        there, back = (place, bench), (bench, place)
        for source, target in (there, back):
            rows.append(
                Movement(
                    at=at,
                    lot_id=place.tray.balance.lot_id,
                    from_place=source,
                    to_place=target,
                    pieces=1,
                    reason=Movement.Reason.SHIFT,
                )
            )
    Movement.objects.bulk_create(rows, batch_size=5000)


def test_the_whole_roll_up_against_one_statement(farm):
    fill_ledger()
    StockTotal.objects.all().delete()
    assert rebuild_balances() == (0, StockTotal.objects.count())

    def raw(_):
        with connection.cursor() as cursor:
            cursor.execute(ONE_STATEMENT)
            return cursor.fetchall()

    proved = {(form, system, state): pieces for form, system, state, pieces in raw(None)}
    kept = StockTotal.objects.exclude(pieces=0)
    assert proved == {(row.strain_form_id, row.system_id, row.standing): row.pieces for row in kept}
    ours_s = raw_s = float("inf")
    for turn in range(20):
        ours_s = min(ours_s, best_of(lambda _: rebuild_balances(), None, 1))
        raw_s = min(raw_s, best_of(raw, None, 1))
        ratio = ours_s / raw_s
        if turn >= 4 and ratio < 1.5:
            break
    print(f"\nroll-up of {MOVES} moves rebuilt: {ratio:.2f} x one statement that adds up the same")
    assert ratio < 1.5


def test_one_move_changes_one_row_of_the_roll_up(farm, person):
    before = dict(StockTotal.objects.values_list("pk", "pieces"))
    with CaptureQueriesContext(connection) as queries:
        record_deaths(
            tray_code="T2.1",
            pieces=3,
            at=farm_time("2026-11-25 09:00"),
            user=person("G1"),
            client_key="one",
        )
    after = dict(StockTotal.objects.values_list("pk", "pieces"))
    assert sorted(before[pk] - after[pk] for pk in before if before[pk] != after[pk]) == [3]
    print(f"\none death, roll-up and all: {len(queries)} statements")
    assert len(queries) < 25


# The same aggregation by hand: every move once on each side, rolled up to the house's totals.
ONE_STATEMENT = """
SELECT lot.strain_form_id, trough.system_id, lot.state, SUM(side.pieces)
FROM (
    SELECT to_place_id AS place_id, lot_id, SUM(pieces) AS pieces
    FROM inventory_movement GROUP BY to_place_id, lot_id
    UNION ALL
    SELECT from_place_id, lot_id, -SUM(pieces)
    FROM inventory_movement GROUP BY from_place_id, lot_id
) AS side
JOIN inventory_place AS place ON place.id = side.place_id
JOIN inventory_tray AS tray ON tray.id = place.tray_id
JOIN inventory_trough AS trough ON trough.id = tray.trough_id
JOIN inventory_lot AS lot ON lot.id = side.lot_id
WHERE lot.state IN ('ready', 'growing', 'kept')
GROUP BY lot.strain_form_id, trough.system_id, lot.state
HAVING SUM(side.pieces) <> 0
"""
