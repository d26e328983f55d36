"""Money: prices, lines, billable pounds, freight, boxes and packs, totals.

Expected money is worked figures of the farm or sums written beside the check; dimensional weights
come from published examples or are divided out by hand.
"""

from decimal import Decimal

import pytest

from orders.calc.pricing import (
    PriceBook,
    best_unit_price,
    billable_lb,
    boxes_and_packs,
    freight,
    lb_from_kg,
    order_total,
    outer_sides_in,
    round_money,
    unit_price,
    winter_list_price,
)

D = Decimal
TIERS = {1: D("1.00"), 2: D("0.92"), 3: D("0.85")}
# Zone -> charge for the first 10 lb, charge for each pound after.
ZONES = {
    1: (D(34), D("0.95")),
    2: (D(46), D("1.25")),
    3: (D(58), D("1.60")),
    4: (D(66), D("1.85")),
    5: (D(95), D("2.10")),
    6: (D(110), D("1.95")),
}
BOOK = PriceBook(
    box_charges={"S": D(6), "M": D(9), "L": D(13)},
    heat_pack=D("2.25"),
    gel_pack=D("1.50"),
    export_papers=D("165.00"),
)
# Size -> inner sides [cm], foam [cm].
BOXES = {
    "S": ((D(30), D(25), D(25)), D("3.2")),
    "M": ((D(40), D(30), D(30)), D("3.8")),
    "L": ((D(55), D(35), D(35)), D("3.8")),
}
PRICES = {
    **{"PLT": 14, "BKP": 14, "FRS": 13, "GLB": 15, "MDR": 12, "KLR": 11, "APT": 18, "RMG": 18},
    **{"HRT": 16, "SLG": 18, "CTH": 20, "TFT": 16, "CBB": 22, "TLW": 34, "TNT": 12, "ORG": 12},
    **{"PWS": 26, "RHP": 30, "BLW": 28, "WKB": 12, "LMS": 24, "SXT": 14, "PRS": 10, "SLL": 26},
    **{"WNP": 24, "HBC": 58, "TDC": 34, "DMK": 11, "sprout": 7, "NKD": 16, "MBJ": 20, "HMB": 22},
    **{"CSC": 14, "QYG": 62, "DWF": 16, "FLH": 16, "FDR": 38, "CHW": 30},
}
# Order, tier, zone, lines as promised, boxes (size, gross kg, billable lb), heat packs in all,
# goods, freight, box + packs, total.
WEEK = [
    (4901, 1, 3, "PLT 6 BKP 10 FRS 6 GLB 4 MDR 6 KLR 6 APT 2 RMG 1",
     "M 15.7 37", 2, "554.00", "113.34", "13.50", "680.84"),
    (4902, 2, 3, "PLT 8 HRT 10 SLG 8 APT 3 CTH 6 TFT 6 CBB 5 TLW 3",
     "L 19.7 61", 3, "826.16", "156.35", "19.75", "1002.26"),
    (4903, 1, 2, "PLT 4 TNT 10 ORG 8 PWS 2 RHP 3 BLW 3",
     "M 11.9 37", 2, "498.00", "89.32", "13.50", "600.82"),
    (4904, 2, 2, "PLT 8 HRT 8 WKB 10 LMS 6 SXT 6 PRS 8 RHP 3",
     "L 21.2 61", 1, "697.36", "122.92", "15.25", "835.53"),
    (4905, 1, 3, "PLT 7 LMS 6 SLL 4 WNP 4 HBC 1 TDC 3",
     "M 11.7 37", 1, "602.00", "113.34", "11.25", "726.59"),
    (4906, 1, 1, "KLR 8 MDR 8 PRS 6 DMK 4 APT 2 sprout 20",
     "L 20.8 61", 2, "464.00", "92.34", "17.50", "573.84"),
    (4907, 1, 4, "PLT 4 NKD 6 MBJ 4 HMB 4 CSC 8 APT 3 RHP 2",
     "M 10.6 37", 2, "546.00", "129.86", "13.50", "689.36"),
    (4908, 2, 2, "PLT 7 TNT 12 BKP 12 CTH 8 SXT 6 APT 4 QYG 2 RMG 3",
     "M 15.3 37 S 8.3 19", 2, "831.68", "153.44", "19.50", "1004.62"),
    (4909, 1, 5, "DWF 6 CSC 6 TFT 6 SLL 4 TDC 4",
     "M 10.6 37", 1, "516.00", "169.90", "11.25", "697.15"),
    (4910, 3, 1, "PLT 12 HRT 24 BKP 24 TNT 12 APT 12",
     "M 14.9 37 M 14.9 37", 2, "1060.80", "133.62", "22.50", "1216.92"),
    (4911, 3, 2, "ORG 12 WKB 10",
     "M 9.6 37", 2, "224.40", "89.32", "13.50", "327.22"),
    (4912, 3, 2, "CSC 12 TFT 12",
     "S 7.2 19", 1, "306.00", "64.12", "8.25", "378.37"),
    (4913, 2, 6, "APT 3 CTH 6 SXT 6 MDR 6 FLH 8",
     "M 15.5 37", 2, "421.36", "182.17", "13.50", "617.03"),
    (4914, 1, 2, "QYG 2 HBC 2 TDC 4 FDR 3 CHW 3 RHP 3 PWS 1",
     "M 16.2 37", 0, "696.00", "89.32", "9.00", "794.32"),
]  # fmt: skip


def zone_freight(zone: int, billables_lb: list[int]) -> Decimal:
    base, rate_per_lb = ZONES[zone]
    return freight(base=base, rate_per_lb=rate_per_lb, billables_lb=billables_lb)


# Unit prices


@pytest.mark.parametrize(
    ("list_price", "tier", "price"),
    [
        ("14.00", 1, "14.00"),
        ("14.00", 2, "12.88"),
        ("20.00", 2, "18.40"),
        ("14.00", 3, "11.90"),
        # 16.50 x 0.85 = 14.025 and 10.50 x 0.85 = 8.925: the half goes up, not to the even cent.
        ("16.50", 3, "14.03"),
        ("10.50", 3, "8.93"),
    ],
)
def test_unit_price_is_rounded_half_up(list_price, tier, price):
    assert unit_price(list_price=D(list_price), tier_factor=TIERS[tier]) == D(price)


def test_a_unit_price_always_shows_its_cents():
    assert str(unit_price(list_price=D(14), tier_factor=D(1))) == "14.00"


def test_a_winter_list_price_is_rounded_before_the_tier():
    # 22.00 x 0.75 = 16.50; tier 2 15.18, tier 3 14.025 -> 14.03.
    winter = winter_list_price(list_price=D("22.00"))
    assert winter == D("16.50")
    assert unit_price(list_price=winter, tier_factor=TIERS[2]) == D("15.18")
    assert unit_price(list_price=winter, tier_factor=TIERS[3]) == D("14.03")
    # 10.50 x 0.75 = 7.875 -> 7.88, x 0.85 = 6.698 -> 6.70; unrounded, 6.69375 would give 6.69.
    winter = winter_list_price(list_price=D("10.50"))
    assert winter == D("7.88")
    assert unit_price(list_price=winter, tier_factor=TIERS[3]) == D("6.70")


@pytest.mark.parametrize(
    ("list_price", "factor", "shown"),
    [("0", "1", "not 0"), ("-1", "1", "not -1"), ("5", "0", "not 0"), ("5", "1.01", "not 1.01")],
)
def test_a_price_out_of_range_is_refused(list_price, factor, shown):
    with pytest.raises(ValueError, match=shown):
        unit_price(list_price=D(list_price), tier_factor=D(factor))


def test_money_is_never_a_float():
    with pytest.raises(TypeError):
        unit_price(list_price=14.0, tier_factor=D("0.92"))
    with pytest.raises(TypeError, match=r"not float 12\.88"):
        round_money(12.88)


@pytest.mark.parametrize(
    ("tier", "units", "paid"),
    [
        # List 16.00, break 14.00 from 24 units. Tier 1: the break is better once reached.
        (1, 23, "16.00"),
        (1, 24, "14.00"),
        # Tier 2 pays 14.72: the break is better. Not 14.00 x 0.92 = 12.88.
        (2, 24, "14.00"),
        # Tier 3 pays 13.60 with or without the break.
        (3, 24, "13.60"),
        (3, 100, "13.60"),
    ],
)
def test_the_better_of_tier_and_break_wins_and_they_are_not_mixed(tier, units, paid):
    tier_price = unit_price(list_price=D("16.00"), tier_factor=TIERS[tier])
    found = best_unit_price(
        tier_price=tier_price, units=units, break_units=24, break_price=D("14.00")
    )
    assert found == D(paid)


def test_a_listing_without_a_break_costs_the_tier_price():
    assert best_unit_price(tier_price=D("14.72"), units=500) == D("14.72")


# Billable pounds


@pytest.mark.parametrize(
    ("sides_in", "dimensional_lb"),
    [
        # A parcel counter's published example: 25 x 6 x 43 = 6,450 / 139 = 46.40.
        ((25, 6, 43), 47),
        # By hand: 1,728 / 139 = 12.43; 2,250 / 139 = 16.19; 2,890 / 139 = 20.79;
        # 4,096 / 139 = 29.47.
        ((12, 12, 12), 13),
        ((15, 15, 10), 17),
        ((17, 17, 10), 21),
        ((16, 16, 16), 30),
        # 8 x 8 x 6 = 384 (a printed 288 is wrong) / 139 = 2.76.
        ((8, 8, 6), 3),
        # 139 x 10 x 1 = 1,390: exactly 10, not 11.
        ((139, 10, 1), 10),
    ],
)
def test_dimensional_weight_is_rounded_up(sides_in, dimensional_lb):
    assert billable_lb(gross_lb=1, outer_in=sides_in) == dimensional_lb


def test_an_older_divisor_can_be_set():
    # 1,728 / 166 = 10.41; 1,728 / 194 = 8.91: both published in earlier years.
    assert billable_lb(gross_lb=1, outer_in=(12, 12, 12), divisor=166) == 11
    assert billable_lb(gross_lb=1, outer_in=(12, 12, 12), divisor=194) == 9


@pytest.mark.parametrize(
    ("side_in", "rounding", "pounds"),
    [
        # Published both ways: to the nearest inch (1.00-1.49 -> 1), and up (12.3 -> 13).
        # 10 x 10 x 12 = 1,200 / 139 = 8.63; 10 x 10 x 13 = 1,300 / 139 = 9.35.
        ("12.3", "nearest", 9),
        ("12.3", "up", 10),
        ("12.49", "nearest", 9),
        ("12.50", "nearest", 10),
        ("12.0", "up", 9),
    ],
)
def test_sides_are_rounded_as_the_carrier_does(side_in, rounding, pounds):
    found = billable_lb(gross_lb=1, outer_in=(10, 10, D(side_in)), side_rounding=rounding)
    assert found == pounds


def test_the_greater_of_mass_and_volume_is_billed():
    assert billable_lb(gross_lb=D("13.0"), outer_in=(12, 12, 12)) == 13
    assert billable_lb(gross_lb=D("13.01"), outer_in=(12, 12, 12)) == 14
    # 0.1 + 0.2 as floats is over 0.3 by dust, which must not buy a pound.
    assert billable_lb(gross_lb=(0.1 + 0.2) * 100, outer_in=(1, 1, 1)) == 30


@pytest.mark.parametrize(
    ("rest", "shown"),
    [
        ({"gross_lb": 0}, "0 lb"),
        ({"outer_in": (12, 12)}, "12, 12"),
        ({"outer_in": (12, 0, 12)}, "12, 0, 12"),
        ({"side_rounding": "down"}, "'down'"),
        ({"divisor": 0}, "over 0"),
    ],
)
def test_what_is_no_box_is_refused(rest, shown):
    with pytest.raises(ValueError, match=shown):
        billable_lb(**{"gross_lb": 1, "outer_in": (12, 12, 12), **rest})


@pytest.mark.parametrize(
    ("size", "up_in", "floor_up_lb", "floor_nearest_lb"),
    [
        # Outer = inner + 2 x foam + 1 cm: S 37.4 x 32.4 x 32.4 cm = 14.72 x 12.76 x 12.76 in.
        # Nearest gives the same 15 x 13 x 13 = 2,535 / 139 = 18.2.
        ("S", (15, 13, 13), 19, 19),
        # 48.6 x 38.6 x 38.6 cm = 19.13 x 15.20 x 15.20 in; nearest 19 x 15 x 15 = 4,275 -> 30.8.
        ("M", (20, 16, 16), 37, 31),
        # 63.6 x 43.6 x 43.6 cm = 25.04 x 17.17 x 17.17 in; nearest 25 x 17 x 17 = 7,225 -> 51.98.
        ("L", (26, 18, 18), 61, 52),
    ],
)
def test_the_farms_boxes_have_these_floors(size, up_in, floor_up_lb, floor_nearest_lb):
    inner_cm, foam_cm = BOXES[size]
    sides_in = outer_sides_in(inner_cm=inner_cm, foam_cm=foam_cm)
    assert all(whole - 1 < side <= whole for side, whole in zip(sides_in, up_in, strict=True))
    assert billable_lb(gross_lb=1, outer_in=sides_in) == floor_up_lb
    assert billable_lb(gross_lb=1, outer_in=sides_in, side_rounding="nearest") == floor_nearest_lb


def test_a_heavy_small_box_is_billed_by_its_mass():
    # 22.7 kg / 0.45359237 = 50.04 lb.
    inner_cm, foam_cm = BOXES["S"]
    sides_in = outer_sides_in(inner_cm=inner_cm, foam_cm=foam_cm)
    assert billable_lb(gross_lb=lb_from_kg(mass_kg=D("22.7")), outer_in=sides_in) == 51


# Freight, boxes, totals


@pytest.mark.parametrize(
    ("zone", "billables_lb", "expected"),
    [
        # 58 + 1.60 x 51 = 139.60, x 1.12 = 156.352.
        (3, [61], "156.35"),
        # At or under the first 10 lb the base alone: 34 x 1.12 = 38.08.
        (1, [10], "38.08"),
        (1, [4], "38.08"),
        (1, [11], "39.14"),  # 34.95 x 1.12 = 39.144
        # Each box is 101.20 x 1.12 = 113.344; two are 226.688, not twice 113.34.
        (3, [37, 37], "226.69"),
        (3, [], "0.00"),
    ],
)
def test_freight_is_rounded_once_an_order(zone, billables_lb, expected):
    assert zone_freight(zone, billables_lb) == D(expected)


def test_fewest_pounds_is_not_the_cheapest():
    # S + M, 56 lb: 58 + 14.40 + 58 + 43.20 = 173.60 x 1.12 = 194.43, boxes 15, three packs 6.75.
    two = zone_freight(3, [19, 37]) + boxes_and_packs(
        sizes=["S", "M"], heat_packs=3, gel_packs=0, price_book=BOOK
    )
    one = zone_freight(3, [61]) + boxes_and_packs(
        sizes=["L"], heat_packs=3, gel_packs=0, price_book=BOOK
    )
    assert (two, one) == (D("216.18"), D("176.10"))


@pytest.mark.parametrize("row", WEEK, ids=[str(row[0]) for row in WEEK])
def test_money_of_every_order_of_the_week(row):
    _, tier, zone, lines, boxes, heat_packs, goods, carried, packed, total = row
    pairs = zip(lines.split()[::2], lines.split()[1::2], strict=True)
    found_goods = sum(
        unit_price(list_price=D(PRICES[key]), tier_factor=TIERS[tier]) * int(units)
        for key, units in pairs
    )
    sizes, billables_lb = [], []
    words = boxes.split()
    for size, gross_kg, expected_lb in zip(words[::3], words[1::3], words[2::3], strict=True):
        inner_cm, foam_cm = BOXES[size]
        sides_in = outer_sides_in(inner_cm=inner_cm, foam_cm=foam_cm)
        gross_lb = lb_from_kg(mass_kg=D(gross_kg))
        billables_lb.append(billable_lb(gross_lb=gross_lb, outer_in=sides_in))
        assert billables_lb[-1] == int(expected_lb)
        sizes.append(size)
    found_freight = zone_freight(zone, billables_lb)
    found_packed = boxes_and_packs(sizes=sizes, heat_packs=heat_packs, gel_packs=0, price_book=BOOK)
    assert (found_goods, found_freight, found_packed) == (D(goods), D(carried), D(packed))
    found = order_total(goods=found_goods, freight=found_freight, boxes_and_packs=found_packed)
    assert found == D(total)


def test_an_export_paper_set_is_paid_once_a_shipment():
    # 617.03 + 165.00.
    found = order_total(
        goods=D("421.36"),
        freight=D("182.17"),
        boxes_and_packs=D("13.50"),
        export_papers=BOOK.export_papers,
    )
    assert found == D("782.03")


def test_gel_packs_have_their_own_charge():
    # 9 + 2 x 1.50.
    assert boxes_and_packs(sizes=["M"], heat_packs=0, gel_packs=2, price_book=BOOK) == D("12.00")


def test_a_box_or_pack_that_has_no_charge_is_refused():
    with pytest.raises(ValueError, match="XL"):
        boxes_and_packs(sizes=["M", "XL"], heat_packs=0, gel_packs=0, price_book=BOOK)
    with pytest.raises(ValueError, match="-1 heat"):
        boxes_and_packs(sizes=["M"], heat_packs=-1, gel_packs=0, price_book=BOOK)
