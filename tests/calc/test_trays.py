import random
import time
from datetime import date, timedelta
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shipping.calc import cover
from shipping.calc.route import slot_distance_m
from shipping.calc.trays import Line, Take, Tray, choose_days, choose_trays

TUESDAY, WEDNESDAY = date(2026, 12, 1), date(2026, 12, 2)
FIRST_TROUGH = {"A": 0, "T": 8, "H": 16, "P": 24}


def make_tray(code, pieces, cut_on=None, **facts):
    trough, slot = code.split(".")
    number = 8 if trough[1] == "S" else int(trough[1])
    return Tray(
        code=code,
        system=trough[0],
        walk_order=FIRST_TROUGH[trough[0]] + number,
        slot=int(slot),
        aisle=(number + 1) // 2,
        countable_pieces=pieces,
        cut_on=cut_on,
        **facts,
    )


def make_lines(**asked):
    return [Line(order.removeprefix("o"), pieces) for order, pieces in asked.items()]


def picks(choice):
    rows: dict[str, dict[str, int]] = {}
    for take in choice.takes:
        rows.setdefault(take.tray, {})[take.order] = take.pieces
    return rows


@pytest.fixture
def plt_trays():
    return [
        make_tray("A5.5", 28, date(2026, 9, 21)),
        make_tray("T2.1", 32, date(2026, 9, 14)),
        make_tray("P2.3", 24, date(2026, 9, 14), is_held=True),
        make_tray("A6.7", 10, date(2026, 1, 5), is_kept=True),
    ]


# worked figures of the farm: week 2026-W49, a reserve of 4
PLT_TUESDAY = make_lines(o4901=6, o4902=8, o4903=4, o4908=7, o4910=12)
PLT_WEDNESDAY = make_lines(o4904=8, o4905=7, o4907=4)


def test_tuesday_of_the_worked_week(plt_trays):
    choice = choose_trays(trays=plt_trays, lines=PLT_TUESDAY, gap_pieces=4)

    assert picks(choice) == {
        "T2.1": {"4910": 12, "4902": 8, "4908": 7, "4903": 4},
        "A5.5": {"4901": 6},
    }
    assert choice.left_pieces == {"T2.1": 1, "A5.5": 22}
    assert choice.reserve_pieces == {"A5.5": 4}
    assert choice.is_proven
    assert choice.score.order_trays == 5  # five orders, none split
    # T2.1: 0.6 m in and out of aisle 1; A5.5: two pitches to aisle 3, 1.8 m in, and back
    assert choice.score.walk_m == pytest.approx(2 * 0.6 + 2 * (2 * 2.4 + 1.8))


def test_wednesday_is_served_from_what_tuesday_left(plt_trays):
    week = choose_days(
        trays=plt_trays,
        lines_by_day={WEDNESDAY: PLT_WEDNESDAY, TUESDAY: PLT_TUESDAY},
        gap_pieces=4,
    )

    assert list(week) == [TUESDAY, WEDNESDAY]
    assert picks(week[WEDNESDAY]) == {"A5.5": {"4904": 8, "4905": 7, "4907": 4}}
    # one piece of the reserve lies in T2.1: all four in A5.5 would split an order
    assert week[WEDNESDAY].left_pieces == {"T2.1": 1, "A5.5": 3}
    assert week[WEDNESDAY].reserve_pieces == {"A5.5": 3, "T2.1": 1}


def test_sentence_names_trays_orders_and_reserve(plt_trays):
    sentence = choose_trays(trays=plt_trays, lines=PLT_TUESDAY, gap_pieces=4).sentence

    assert sentence.startswith("T2.1 gives 31 (4910 12, 4902 8, 4908 7, 4903 4) and keeps 1; ")
    assert "A5.5 gives 6 (4901 6) and keeps 22, 4 of them reserve; no order split" in sentence


def test_a_tray_that_whole_orders_empty_is_preferred():
    # 41 and 38 counted 24 Nov, ship 1 Dec: x .965 = 39 and 36; 36 = 24 + 12
    trays = [
        make_tray("A4.2", 39, date(2026, 9, 14)),
        make_tray("T3.1", 36, date(2026, 9, 21)),
    ]

    choice = choose_trays(trays=trays, lines=make_lines(o4901=10, o4908=12, o4910=24))

    assert picks(choice) == {"A4.2": {"4901": 10}, "T3.1": {"4908": 12, "4910": 24}}
    assert choice.score.trays_emptied == 1


def test_the_shorter_walk_comes_before_the_older_tray_of_one_bucket():
    # A2.4: 1.2 m into aisle 1, 2.4 m in all; T1.1: 0.6 m, 1.2 m in all
    trays = [
        make_tray("A2.4", 50, date(2026, 9, 14)),
        make_tray("T1.1", 19, date(2026, 9, 21)),
    ]

    week = choose_days(
        trays=trays,
        lines_by_day={TUESDAY: make_lines(o4902=10, o4910=24), WEDNESDAY: make_lines(o4904=8)},
        gap_pieces=1,
    )

    assert picks(week[TUESDAY]) == {"A2.4": {"4902": 10, "4910": 24}}  # T1.1 holds only 19
    assert picks(week[WEDNESDAY]) == {"T1.1": {"4904": 8}}


def test_clams_of_one_age_are_taken_by_the_shorter_walk():
    trays = [make_tray("T5.7", 6, age_months=11), make_tray("T5.5", 12, age_months=11)]

    choice = choose_trays(trays=trays, lines=make_lines(o4905=3, o4909=4, o4914=4))

    assert picks(choice) == {"T5.5": {"4905": 3, "4909": 4, "4914": 4}}
    # aisle 3: two pitches; slot 5 stands 1.8 m in
    assert choice.score.walk_m == pytest.approx(2 * (2 * 2.4 + 1.8))


def test_older_clams_go_first_month_by_month():
    trays = [make_tray("T5.1", 6, age_months=14), make_tray("T5.2", 3, age_months=15)]

    choice = choose_trays(trays=trays, lines=make_lines(o1=4))

    assert picks(choice) == {"T5.2": {"1": 3}, "T5.1": {"1": 1}}


@pytest.mark.parametrize(("days", "tray"), [(13, "A1.1"), (14, "A1.9")])
def test_a_bucket_is_fourteen_days(days, tray):
    # within one bucket the walk decides (0.6 m in against 3.0 m), across buckets the age
    older = make_tray("A1.9", 20, date(2026, 9, 1))
    younger = make_tray("A1.1", 20, date(2026, 9, 1) + timedelta(days))

    assert set(picks(choose_trays(trays=[younger, older], lines=make_lines(o1=5)))) == {tray}


def test_an_old_bucket_is_used_up_even_where_that_splits_an_order():
    trays = [
        make_tray("A1.1", 5, date(2026, 8, 1)),
        make_tray("A2.1", 30, date(2026, 9, 1)),
    ]

    choice = choose_trays(trays=trays, lines=make_lines(o1=8, o2=12))

    # five from A1.1; the lowest order number takes from the oldest tray
    assert picks(choice) == {"A1.1": {"1": 5}, "A2.1": {"1": 3, "2": 12}}
    assert choice.score.bucket_pieces == (5, 15)


def test_packs_never_mix_trays():
    # 25 and 23 pieces are 2 + 2 packs: five asked, one short, though 48 pieces are there
    trays = [
        make_tray("T6.2", 25, date(2026, 9, 21)),
        make_tray("T6.3", 23, date(2026, 9, 22)),
    ]

    choice = choose_trays(trays=trays, lines=make_lines(o1=30, o2=20), unit_pieces=10)

    assert all(take.pieces % 10 == 0 for take in choice.takes)
    assert sum(take.pieces for take in choice.takes) == 40
    assert choice.short_pieces == {"2": 10}


def test_mangrove_packs_of_the_worked_week_come_from_the_older_cohort():
    trays = [
        make_tray("T6.2", 126, date(2026, 9, 21)),
        make_tray("T6.3", 70, date(2026, 10, 26)),  # 35 days younger: two buckets on
    ]

    choice = choose_trays(trays=trays, lines=make_lines(o4901=10, o4908=30), unit_pieces=10)

    assert picks(choice) == {"T6.2": {"4901": 10, "4908": 30}}


def test_a_pale_tray_of_a_colour_strain_is_passed_over_while_another_can_fill():
    trays = [
        make_tray("A1.1", 20, date(2026, 8, 1), grade=2.5),
        make_tray("A2.1", 12, date(2026, 9, 1), grade=3),
    ]
    lines = make_lines(o1=10, o2=6)

    coloured = choose_trays(trays=trays, lines=lines, is_colour_strain=True)
    plain = choose_trays(trays=trays, lines=lines)

    assert coloured.score.low_grade_pieces == 4  # 16 asked, 12 in colour
    assert plain.score.bucket_pieces == (16, 0)


def test_the_reserve_never_goes_out_and_the_last_claim_goes_short(plt_trays):
    # 22 alive in A5.5 and 32 in T2.1, 4 kept back: 50 for 56
    trays = [make_tray("A5.5", 22, date(2026, 9, 21)), *plt_trays[1:]]
    lines = [Line(line.order, line.pieces, n) for n, line in enumerate(PLT_TUESDAY)]

    choice = choose_trays(trays=trays, lines=[*lines, Line("4904", 19, 9)], gap_pieces=4)

    assert choice.short_pieces == {"4904": 6}
    assert sum(choice.left_pieces.values()) == 4
    assert "4904 is 6 short" in choice.sentence


def test_held_and_kept_trays_are_never_picked():
    trays = [
        make_tray("P2.1", 30, date(2026, 9, 1), is_held=True),
        make_tray("A6.1", 30, date(2026, 9, 1), is_kept=True),
    ]

    choice = choose_trays(trays=trays, lines=make_lines(o1=5))

    assert choice.takes == ()
    assert choice.short_pieces == {"1": 5}


@pytest.mark.parametrize(
    ("trays", "lines", "unit", "message"),
    [
        ([], [Line("1", 5)], 10, "1 asks 5: not whole units of 10"),
        ([], [Line("1", 5), Line("1", 2)], 1, "1 stands on two lines"),
        ([make_tray("A1.1", 5)], [], 1, "A1.1 has neither a cutting date nor an age"),
        ([make_tray("A1.1", -5, TUESDAY)], [], 1, "A1.1 counts -5"),
    ],
)
def test_senseless_questions_are_refused(trays, lines, unit, message):
    with pytest.raises(ValueError, match=message):
        choose_trays(trays=trays, lines=lines, unit_pieces=unit)


# --- against every possible way, scored anew by the rule as the farm states it ---


def spread(pieces, trays):
    if trays == 1:
        return [(pieces,)]
    return [(n, *rest) for n in range(pieces + 1) for rest in spread(pieces - n, trays - 1)]


def walk_alone(trays):
    """All trays in aisle 1: to the farthest one and back, system by system."""
    return sum(
        2 * max(slot_distance_m(slot=t.slot) for t in trays if t.system == system)
        for system in {t.system for t in trays}
    )


def rate(rows, trays, gap):
    """The rule in full, for trays ranked oldest first and orders lowest number first."""
    columns = [sum(row[n] for row in rows) for n in range(len(trays))]
    left = [tray.countable_pieces - taken for tray, taken in zip(trays, columns, strict=True)]
    used = [tray for tray, taken in zip(trays, columns, strict=True) if taken]
    buckets: dict[int, int] = {}
    for tray, taken in zip(trays, columns, strict=True):
        bucket = (tray.cut_on - trays[0].cut_on).days // 14
        buckets[bucket] = buckets.get(bucket, 0) + taken
    return (
        sum(n for t, n in zip(trays, columns, strict=True) if t.grade is not None and t.grade < 3),
        [-buckets[bucket] for bucket in sorted(buckets)],
        sum(n > 0 for row in rows for n in row),
        max(0, gap - left[-1]),
        -sum(rest == 0 for rest in left),
        round(walk_alone(used), 6),
        columns[-1],
        len(used),
        [[-n for n in row] for row in rows],
    )


def search_all(trays, lines, gap):
    best = None
    for rows in product(*(spread(line.pieces, len(trays)) for line in lines)):
        taken = [sum(row[n] for row in rows) for n in range(len(trays))]
        if all(n <= t.countable_pieces for n, t in zip(taken, trays, strict=True)):
            rated = rate(rows, trays, gap)
            if best is None or rated < best[0]:
                best = (rated, rows)
    return best[1]


@st.composite
def small_days(draw):
    places = draw(
        st.lists(
            st.sampled_from(["A1.1", "A1.2", "A2.5", "T1.1", "T2.9"]),
            min_size=1,
            max_size=3,
            unique=True,
        )
    )
    trays = [
        make_tray(
            code,
            draw(st.integers(1, 9)),
            date(2026, 9, 1) + timedelta(draw(st.sampled_from([0, 0, 7, 13, 14, 30]))),
            grade=draw(st.sampled_from([None, 2, 3, 4])),
        )
        for code in places
    ]
    trays.sort(key=lambda tray: (tray.cut_on, tray.walk_order, tray.slot))
    stock = sum(tray.countable_pieces for tray in trays)
    gap = draw(st.integers(0, min(5, stock - 1)))
    asked = draw(st.lists(st.integers(1, 6), min_size=1, max_size=4))
    while sum(asked) > stock - gap:
        asked.pop()
    return trays, [Line(f"49{n:02}", pieces) for n, pieces in enumerate(asked)], gap


@settings(max_examples=150, deadline=None)
@given(small_days())
def test_choice_is_the_best_of_all_ways(day):
    trays, lines, gap = day
    if not lines:
        return

    choice = choose_trays(trays=trays[::-1], lines=lines, gap_pieces=gap, is_colour_strain=True)

    rows = search_all(trays, lines, gap)
    expected = {
        Take(tray.code, line.order, row[n])
        for line, row in zip(lines, rows, strict=True)
        for n, tray in enumerate(trays)
        if row[n]
    }
    assert set(choice.takes) == expected
    assert choice.is_proven


@settings(max_examples=100, deadline=None)
@given(small_days())
def test_packs_are_chosen_as_single_pieces_are(day):
    trays, lines, _ = day
    singles = choose_trays(trays=trays, lines=lines)

    packs = choose_trays(
        trays=[make_tray(t.code, 10 * t.countable_pieces, t.cut_on) for t in trays],
        lines=[Line(line.order, 10 * line.pieces) for line in lines],
        unit_pieces=10,
    )

    assert packs.takes == tuple(Take(t.tray, t.order, 10 * t.pieces) for t in singles.takes)


def make_large_day(seed, trays, orders, share):
    rng = random.Random(seed)
    stock = [
        make_tray(
            f"{rng.choice('ATH')}{n % 7 + 1}.{n + 1}",
            rng.randint(10, 40),
            date(2026, 9, 1) + timedelta(rng.randint(0, 20)),
        )
        for n in range(trays)
    ]
    asked = int(share * sum(tray.countable_pieces for tray in stock))
    cuts = sorted(rng.sample(range(1, asked), orders - 1))
    sizes = [b - a for a, b in zip([0, *cuts], [*cuts, asked], strict=True)]
    return stock, [Line(f"49{n:02}", size) for n, size in enumerate(sizes)]


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8, 0.95])
def test_eight_trays_and_twelve_orders_are_proven(share):
    trays, lines = make_large_day(7, 8, 12, share)
    started = time.perf_counter()

    choice = choose_trays(trays=trays, lines=lines, gap_pieces=3)

    print(f"8 trays x 12 orders, {share:.0%} asked: {time.perf_counter() - started:.2f} s")
    assert choice.is_proven
    check_books(choice, trays, lines)


def check_books(choice, trays, lines):
    for line in lines:
        served = sum(take.pieces for take in choice.takes if take.order == line.order)
        assert served + choice.short_pieces.get(line.order, 0) == line.pieces
    for tray in trays:
        taken = sum(take.pieces for take in choice.takes if take.tray == tray.code)
        assert taken + choice.left_pieces[tray.code] == tray.countable_pieces
        assert choice.left_pieces[tray.code] >= 0


@pytest.mark.parametrize("share", [0.3, 0.7, 0.95])
def test_more_than_can_be_proven_is_filled_in_turn_and_says_so(share):
    trays, lines = make_large_day(3, 10, 40, share)

    choice = choose_trays(trays=trays, lines=lines, gap_pieces=3)

    assert not choice.is_proven
    check_books(choice, trays, lines)
    assert choice == choose_trays(trays=trays[::-1], lines=lines[::-1], gap_pieces=3)


@settings(max_examples=60, deadline=None)
@given(small_days())
def test_filling_in_turn_is_never_better_than_the_proven_choice(day):
    trays, lines, gap = day
    proven = choose_trays(trays=trays, lines=lines, gap_pieces=gap)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cover, "MOST_PROVEN_ORDERS", 0)
        filled = choose_trays(trays=trays, lines=lines, gap_pieces=gap)

    check_books(filled, trays, lines)
    assert filled.score.bucket_pieces == proven.score.bucket_pieces
    assert filled.score.order_trays >= proven.score.order_trays
