"""Who gets what of the cutters' hours, slots, bases and parents: worked by hand, and by MILP."""

import random
from dataclasses import replace
from datetime import date, timedelta
from itertools import accumulate

import numpy as np
import pytest
from scipy.optimize import LinearConstraint, milp

from orders.calc.cut_limits import (
    BASES,
    HOURS,
    PARENTS,
    SLOTS,
    CutLimits,
    CutWish,
    SaleStock,
    in_order,
    share_cuts,
    trays_standing,
)

MONDAY = date(2026, 11, 30)


def day(week, weekday=4):
    return MONDAY + timedelta(weeks=week, days=weekday)


def wish(name="PLT plug", latest=0, pieces=10, **more):
    facts = {
        "strain": name[:3],
        "latest_week": latest,
        "latest_on": day(latest),
        "ship_week": latest + 2,
        "yield_pieces": 4,
        "pieces_an_hour": 45.0,
        "lives_share": 0.8,
        "positions": 72,
        "places": ("T2",),
    }
    return CutWish(name=name, pieces=pieces, **{**facts, **more})


def limits(weeks=6, **more):
    """All there is in plenty, but for what is named."""
    facts = {
        "hours": [100.0] * weeks,
        "last_days": [day(week) for week in range(weeks)],
        "free_slots": {"T2": [100] * weeks, "T3": [100] * weeks},
        "mothers": {strain: [1000] * weeks for strain in ("PLT", "HRT", "KLR", "AAA")},
        "for_sale": {},
        "sale_share": 0.5,
        "bases": [],
        "mixed_from_on": MONDAY,
    }
    return CutLimits(**{**facts, **more})


def test_what_nothing_binds_gets_all_of_it():
    [grant] = share_cuts(wishes=[wish(pieces=90)], limits=limits())
    assert (grant.pieces, grant.bound, grant.hours) == (90, "", 2.0)
    # 90 pieces of four a parent take 23 parents; 72 stand in a tray.
    assert (grant.mothers, grant.sale_parents, grant.slots) == (23, 0, {"T2": 2})


def test_hours_go_to_the_latest_day_first_and_what_is_over_is_cut_earlier():
    # Two hours a week at 45: 90 pieces each. B wants 120 by week 1, A 60 by week 0.
    a = wish("AAA plug", latest=0, pieces=60)
    b = wish("PLT plug", latest=1, pieces=120)
    c = wish("HRT plug", latest=1, pieces=30, latest_on=day(1, 5))
    first, second, third = share_cuts(wishes=[c, b, a], limits=limits(hours=[2.0, 2.0, 0, 0, 0, 0]))
    assert [grant.wish.name for grant in (first, second, third)] == [
        "AAA plug", "PLT plug", "HRT plug",
    ]  # fmt: skip
    assert first.pieces == 60
    # 90 in its own week, and the 30 that A left of the week before.
    assert [(part.week, part.pieces) for part in second.parts] == [(1, 90), (0, 30)]
    assert (third.pieces, third.bound, third.alone[HOURS]) == (0, HOURS, 0)


def test_equal_days_go_by_ship_week_then_by_size_then_by_name():
    rows = [
        wish("HRT plug", pieces=5, ship_week=3),
        wish("PLT plug", pieces=5, ship_week=2),
        wish("AAA plug", pieces=5, ship_week=2),
        wish("KLR plug", pieces=9, ship_week=2),
    ]
    assert [row.name[:3] for row in sorted(rows, key=in_order)] == ["KLR", "AAA", "PLT", "HRT"]


def test_the_floor_lets_its_mothers_go_once():
    # 22 kept, floor 20: two mothers of four pieces each.
    rows = [wish(pieces=120), wish(latest=1, pieces=120)]
    first, second = share_cuts(wishes=rows, limits=limits(mothers={"PLT": [2] * 6}))
    assert (first.pieces, first.mothers, first.bound) == (8, 2, PARENTS)
    assert (second.pieces, second.there, second.bound) == (0, (0, 0), PARENTS)


def test_mothers_on_hold_count_when_the_hold_is_lifted():
    # Nothing until week 2, then two: a cut of week 1 gets none, one of week 3 both.
    rows = [wish(latest=1, pieces=8), wish(latest=3, pieces=8)]
    first, second = share_cuts(wishes=rows, limits=limits(mothers={"PLT": [0, 0, 2, 2, 2, 2]}))
    assert (first.pieces, second.pieces) == (0, 8)
    assert [part.week for part in second.parts] == [3]


def test_pieces_for_sale_are_cut_up_by_half_and_none_that_is_promised():
    stock = SaleStock([40] * 6, [10] * 6, [20, 4, 0, 0, 0, 0])
    facts = limits(mothers={}, for_sale={"PLT plug": stock})
    [grant] = share_cuts(wishes=[wish(pieces=100)], limits=facts)
    # 40 stand, 24 of them are promised: half of 16 is 8 parents, 32 pieces.
    assert (grant.pieces, grant.sale_parents, grant.bound) == (32, 8, PARENTS)


def test_a_parent_that_is_cut_up_is_gone_from_the_weeks_after_it_until_its_pieces_are_there():
    stock = SaleStock([40] * 6, [10] * 6, [0] * 6)
    facts = limits(mothers={}, for_sale={"PLT plug": stock})
    rows = [
        wish(pieces=80, ship_week=2, latest=0),
        wish(pieces=80, ship_week=4, latest=1),
    ]
    first, second = share_cuts(wishes=rows, limits=facts)
    # Week 0: half of 40 is 20 parents, so 80 pieces. The shops take 10: 10 of the 40 are left.
    assert (first.sale_parents, first.pieces) == (20, 80)
    # Week 1: half of those 10 is 5 parents.
    assert (second.sale_parents, second.pieces) == (5, 20)
    third = wish(pieces=400, latest=2, ship_week=5)
    *_, last = share_cuts(wishes=[*rows, third], limits=facts)
    # After week 1: 10 less 5 cut up less 5 sold leaves none. In week 2 the first cut's
    # 80 x 0.8 = 64 stand: half of them is 32 parents.
    assert last.sale_parents == 32
    assert last.pieces == 128


def test_a_stock_that_a_cut_before_it_counts_on_is_not_cut_up_earlier():
    # 40 stand in weeks 0 and 1 and no shop asks before week 2. The first takes half, 20, in week 1.
    stock = SaleStock([40] * 6, [0, 0, 40, 40, 40, 40], [0] * 6)
    facts = limits(mothers={}, for_sale={"PLT plug": stock})
    first = wish(pieces=80, latest=1, ship_week=3)
    second = wish(pieces=80, latest=1, ship_week=4)
    one, two = share_cuts(wishes=[first, second], limits=facts)
    assert (one.sale_parents, [part.week for part in one.parts]) == (20, [1])
    # Half of the 40 of week 0 looks free, but without them week 1 could not spare its 20.
    assert two.there == (0, 20) and two.alone[PARENTS] == 80
    assert (two.pieces, two.bound) == (0, PARENTS)


def test_a_slot_is_taken_from_the_cut_to_the_end_of_the_ship_week():
    one = limits(free_slots={"T2": [1] * 6, "T3": [0] * 6})
    rows = [
        wish(pieces=100, latest=0, ship_week=2),
        wish("HRT plug", pieces=50, latest=2, ship_week=3),
        wish("KLR plug", pieces=50, latest=3, ship_week=5),
    ]
    first, second, third = share_cuts(wishes=rows, limits=one)
    # One tray of 72 positions from week 0 to 2; week 3 is free again.
    assert (first.pieces, first.bound, first.slots) == (72, SLOTS, {"T2": 1})
    assert (second.pieces, second.bound) == (0, SLOTS)
    assert third.pieces == 50
    standing = trays_standing(grants=[first, second, third], weeks=6)
    assert standing == {"T2": [1, 1, 1, 1, 1, 1]}


def test_the_next_trough_takes_what_the_first_cannot():
    two = limits(free_slots={"T2": [1] * 6, "T3": [1] * 6})
    row = wish(pieces=100, places=("T3", "T2"))
    [grant] = share_cuts(wishes=[row], limits=two)
    assert (grant.pieces, grant.slots) == (100, {"T3": 1, "T2": 1})
    [grant] = share_cuts(wishes=[replace(row, places=())], limits=two)
    assert (grant.pieces, grant.bound) == (0, SLOTS)


@pytest.mark.parametrize("today, gets", [(date(2026, 11, 25), 232), (date(2026, 11, 27), 220)])
def test_the_bases_of_the_worked_figures_bind_once_it_is_too_late_to_mix(today, gets):
    # The cut of 29 Dec wants 232; 60 are usable and 160 from 8 Dec: short 12. Mixed on 25 Nov they
    # cure by 28 Dec; on 27 Nov, the next work day, they would be usable on 30 Dec.
    monday = date(2026, 11, 23)
    facts = limits(
        last_days=[monday + timedelta(weeks=week, days=4) for week in range(6)],
        bases=[(date.min, 60), (date(2026, 12, 8), 160)],
        mixed_from_on=today + timedelta(days=33),
    )
    row = wish("KLR base", latest=5, pieces=232, positions=40, needs_bases=True, ship_week=5)
    row = replace(row, latest_on=date(2026, 12, 29))
    [grant] = share_cuts(wishes=[row], limits=facts)
    assert (grant.pieces, grant.bound) == (gets, "" if gets == 232 else BASES)


def test_bases_that_are_usable_later_are_not_used_earlier():
    facts = limits(bases=[(date.min, 10), (day(2, 0), 20)], mixed_from_on=day(5))
    rows = [
        wish("KLR base", latest=1, pieces=30, needs_bases=True),
        wish("KLR base", latest=3, pieces=30, needs_bases=True, ship_week=5),
    ]
    first, second = share_cuts(wishes=rows, limits=facts)
    assert (first.pieces, first.bound) == (10, BASES)
    assert (second.pieces, [part.week for part in second.parts]) == (20, [3])


# An independent check: each wish in its order gets the most that an integer program finds for it,
# those before it keeping what they got (SciPy's HiGHS; Huangfu and Hall, Math. Prog. Comp. 10,
# 2018). The program may cut in any week and move every earlier cut; one piece a parent and a tray
# keeps rounding out of the comparison.


def most_by_program(wishes, facts, got):
    """The most of the last wish, those before it fixed at what they got. [pieces]"""
    weeks = len(facts.hours)
    width = len(wishes) * weeks
    rows, low, high = [], [], []

    def bind(terms, least, most):
        row = np.zeros(width)
        for at, number in terms:
            row[at] += number
        rows.append(row)
        low.append(least)
        high.append(most)

    for index, row in enumerate(wishes):
        mine = [(index * weeks + week, 1) for week in range(weeks)]
        fixed = got[index] if index < len(got) else None
        bind(mine, fixed or 0, row.pieces if fixed is None else fixed)
        bind([(at, 1) for at, _ in mine[row.latest_week + 1 :]], 0, 0)
    cells = [(index, week) for index in range(len(wishes)) for week in range(weeks)]
    for week in range(weeks):
        bind([(i * weeks + w, 1 / wishes[i].pieces_an_hour) for i, w in cells if w == week],
             0, facts.hours[week])  # fmt: skip
        for strain, may in facts.mothers.items():
            bind([(i * weeks + w, 1) for i, w in cells if w <= week and wishes[i].strain == strain],
                 0, may[week])  # fmt: skip
        for place, free in facts.free_slots.items():
            bind([(i * weeks + w, 1) for i, w in cells
                  if wishes[i].places == (place,) and w <= week <= wishes[i].ship_week],
                 0, free[week])  # fmt: skip
        usable = sum(pieces for on, pieces in facts.bases if on <= facts.last_days[week])
        bind([(i * weeks + w, 1) for i, w in cells if w <= week and wishes[i].needs_bases],
             0, usable)  # fmt: skip
    goal = np.zeros(width)
    goal[-weeks:] = -1
    found = milp(goal, constraints=LinearConstraint(np.array(rows), low, high),
                 integrality=np.ones(width))  # fmt: skip
    assert found.success, found.message
    return round(-found.fun)


PLENTY = 1000


def small_farm(dice, scarce):
    """Six cuts over five weeks; what is not scarce is there in plenty."""
    weeks = 5
    strains = ["AAA", "PLT", "HRT"]

    def number(what, most):
        return dice.randint(0, most) if what in scarce else PLENTY

    facts = CutLimits(
        hours=[number(HOURS, 6) for _ in range(weeks)],
        last_days=[day(week) for week in range(weeks)],
        free_slots={place: [number(SLOTS, 9)] * weeks for place in ("T2", "T3")},
        mothers={
            strain: list(accumulate(number(PARENTS, 3) for _ in range(weeks))) for strain in strains
        },
        for_sale={},
        sale_share=0.5,
        bases=[(day(week, 0), number(BASES, 3)) for week in range(weeks)],
        mixed_from_on=day(weeks),
    )
    wishes = []
    for count in range(6):
        latest = dice.randint(0, 3)
        kind = dice.choice(["base", "plug"])
        row = wish(
            f"{dice.choice(strains)} {kind} {count}",
            latest=latest,
            pieces=dice.randint(1, 8),
            ship_week=dice.randint(latest, 4),
            yield_pieces=1,
            pieces_an_hour=1.0,
            positions=1,
            places=(dice.choice(["T2", "T3"]),),
            needs_bases=kind == "base",
        )
        wishes.append(row)
    return wishes, facts


def got_and_most(wishes, facts):
    """What each wish gets, and the most a program finds for it beside those before it."""
    grants = share_cuts(wishes=wishes, limits=facts)
    ordered = [grant.wish for grant in grants]
    got = [grant.pieces for grant in grants]
    most = [
        most_by_program(ordered[: index + 1], facts, got[:index]) for index in range(len(grants))
    ]
    for grant in grants:
        assert bool(grant.bound) == (grant.pieces < grant.wish.pieces)
        assert grant.pieces <= min(grant.alone.values())
    return got, most


@pytest.mark.parametrize("scarce", [PARENTS, BASES, HOURS, SLOTS])
@pytest.mark.parametrize("seed", range(15))
def test_under_one_limit_each_wish_gets_the_most_that_a_program_finds(seed, scarce):
    got, most = got_and_most(*small_farm(random.Random(seed), {scarce}))
    assert got == most


def test_under_all_limits_hardly_a_piece_is_missed_and_none_is_made_up():
    dice = random.Random(7)
    pairs = [
        pair
        for _ in range(60)
        for pair in zip(
            *got_and_most(*small_farm(dice, {PARENTS, BASES, HOURS, SLOTS})), strict=True
        )
    ]
    assert all(got <= most for got, most in pairs)
    assert sum(got for got, _ in pairs) >= 0.97 * sum(most for _, most in pairs)


@pytest.mark.parametrize("seed", range(40))
def test_no_limit_is_ever_passed_whatever_the_farm(seed):
    dice = random.Random(1000 + seed)
    weeks = 8
    names = [f"{strain} {form}" for strain in ("AAA", "PLT", "HRT") for form in ("base", "plug")]
    facts = CutLimits(
        hours=[dice.uniform(0, 3) for _ in range(weeks)],
        last_days=[day(week) for week in range(weeks)],
        free_slots={
            place: [dice.choice([0, 2, 4])] * 3 + [4] * (weeks - 3) for place in ("T2", "T3")
        },
        mothers={
            name[:3]: list(accumulate(dice.randint(0, 2) for _ in range(weeks))) for name in names
        },
        for_sale={
            name: SaleStock(
                list(accumulate(dice.uniform(0, 30) for _ in range(weeks))),
                [dice.uniform(0, 30) for _ in range(weeks)],
                [dice.randint(0, 8), *[0] * (weeks - 1)],
            )
            for name in names
        },
        sale_share=0.5,
        bases=[(day(week, 0), dice.randint(0, 40)) for week in range(0, weeks, 2)],
        mixed_from_on=day(5, 0),
    )
    wishes = []
    for _ in range(14):
        name, latest = dice.choice(names), dice.randint(0, 5)
        wishes.append(
            wish(
                name,
                latest=latest,
                pieces=dice.randint(1, 120),
                ship_week=dice.randint(latest + 1, 7),
                yield_pieces=dice.randint(2, 4),
                positions=40 if name.endswith("base") else 72,
                places=dice.choice([("T2",), ("T3", "T2")]),
                needs_bases=name.endswith("base"),
            )
        )
    grants = share_cuts(wishes=wishes, limits=facts)
    parts = [(grant.wish, part) for grant in grants for part in grant.parts]
    assert parts
    for week in range(weeks):
        nothing_is_passed(parts, facts, week)
    for name in facts.for_sale:
        half_is_left_for_the_shops(parts, facts, name)
    for grant in grants:
        every_part_is_carried(grant)


def nothing_is_passed(parts, facts, week):
    hours = sum(p.pieces / w.pieces_an_hour for w, p in parts if p.week == week)
    assert hours <= facts.hours[week] + 1e-9
    for place, free in facts.free_slots.items():
        taken = sum(p.slots.get(place, 0) for w, p in parts if p.week <= week <= w.ship_week)
        assert taken <= free[week]
    for strain, may in facts.mothers.items():
        assert (
            sum(p.mothers for w, p in parts if w.strain == strain and p.week <= week) <= (may[week])
        )
    if facts.last_days[week] < facts.mixed_from_on:
        used = sum(p.pieces for w, p in parts if w.needs_bases and p.week <= week)
        assert used <= sum(n for on, n in facts.bases if on <= facts.last_days[week])


def half_is_left_for_the_shops(parts, facts, name):
    stock = facts.for_sale[name]
    left = came = 0.0
    for week in range(len(stock.supply)):
        gain = sum(
            p.pieces * w.lives_share for w, p in parts if w.name == name and w.ship_week == week
        )
        came, left = stock.supply[week], left + stock.supply[week] - came + gain
        parents = sum(p.sale_parents for w, p in parts if w.name == name and p.week == week)
        promised = sum(stock.promised[week:])
        assert parents <= max(0.0, left - promised) / 2 + 1e-6
        left = max(0.0, left - parents - stock.demand[week])


def every_part_is_carried(grant):
    for part in grant.parts:
        assert 0 < part.pieces <= (part.mothers + part.sale_parents) * grant.wish.yield_pieces
        assert part.pieces <= sum(part.slots.values()) * grant.wish.positions
        assert part.week <= grant.wish.latest_week
    assert grant.pieces <= grant.wish.pieces
