"""The farm's kinds, lines, lanes and one week's orders, written out by hand for the pack tests."""

from decimal import ROUND_HALF_UP, Decimal
from math import ceil

from shipping.calc.boxes import BagItem, BoxLimits, BoxSize
from shipping.calc.heat import HeatSettings
from shipping.calc.plans import plan_order
from shipping.calc.verdicts import Guards, Limits
from shipping.calc.weather import LaneDay, Leg

S = BoxSize(code="S", inner_cm=(30, 25, 25), foam_cm=3.2, tare_kg=0.9, max_heat_packs=1)
M = BoxSize(code="M", inner_cm=(40, 30, 30), foam_cm=3.8, tare_kg=1.4, max_heat_packs=2)
L = BoxSize(code="L", inner_cm=(55, 35, 35), foam_cm=3.8, tare_kg=2.2, max_heat_packs=3)

# Bag -> water [mL], packed [mL], mass [g].
BAGS = {
    "P1": (200, 450, 250),
    "P2": (300, 700, 360),
    "FL": (450, 1000, 550),
    "B3": (350, 800, 470),
    "Z3": (350, 850, 480),
    "CS": (700, 1500, 850),
    "CM": (1200, 2600, 1500),
    "CL": (2500, 5000, 3300),
    "MP": (60, 900, 450),
    "MS": (30, 1200, 300),
}
# Class and bag -> what is packed so; "sprout" is one sprouted seedling.
KINDS = {
    ("SPS", "P1"): "BKP DMK FRS PLT TNT",
    ("SPS", "P2"): "HRT LMS ORG PWS SLG WKB",
    ("LPS", "P1"): "CBB CSC DWF HMB MBJ NKD SLL TFT WNP",
    ("LPS", "P2"): "GLB",
    ("LPS", "FL"): "BLW CHW FDR TLW",
    ("SOFT", "B3"): "FLH KLR MDR",
    ("ZOA", "Z3"): "APT CTH SXT",
    ("MUSH", "B3"): "PRS RHP",
    ("CLAM", "CM"): "HBC QYG",
    ("CLAM", "CS"): "TDC",
    ("MANG", "MP"): "RMG",
    ("MANG", "MS"): "sprout",
}
KIND_OF = {name: kind for kind, names in KINDS.items() for name in names.split()}

STONY = Limits(caution_low_c=20, caution_high_c=29, stop_low_c=18, stop_high_c=31)
FLESHY = Limits(caution_low_c=19.5, caution_high_c=29.5, stop_low_c=17.5, stop_high_c=31.5)
SOFT = Limits(caution_low_c=18.5, caution_high_c=30, stop_low_c=16.5, stop_high_c=32)
PLANTS = Limits(caution_low_c=10, caution_high_c=32, stop_low_c=4, stop_high_c=38)
LIMITS = {
    **{"SPS": STONY, "CLAM": STONY, "LPS": FLESHY},
    **{"SOFT": SOFT, "ZOA": SOFT, "MUSH": SOFT, "MANG": PLANTS},
}

OVERNIGHT = (
    Leg("dock and pick-up truck", 3.0, "both", 0.5, "evening", 0.5, 18, 0.5),
    Leg("first flight", 3.5, "both", 0, "", 1, 16, 0),
    Leg("night sort hub", 3.5, "both", 0.4, "hub", 0.6, 18, 0.4),
    Leg("second flight", 2.5, "both", 0, "", 1, 16, 0),
    Leg("arrival station", 2.0, "both", 0.4, "morning", 0.6, 18, 0.4),
    Leg("a day late", 24.0, "late", 0.4, "mean", 0.6, 18, 0.4),
    Leg("delivery van", 3.0, "door", 1, "midday", 0, 0, 1, "van"),
    Leg("counter", 0.5, "door", 1, "midday", 0, 0, 1),
    Leg("depot shelf", 3.0, "depot", 0.25, "midday", 0.75, 18, 0.25),
)
ISLAND = (
    Leg("truck", 2.0, "both", 0, "", 1, 20, 0.5),
    Leg("hall", 3.0, "both", 0, "", 1, 18, 0),
    Leg("flight", 3.0, "both", 0, "", 1, 15, 0),
    Leg("transfer", 3.0, "both", 0, "", 1, 16, 0.5),
    Leg("flight", 6.0, "both", 0, "", 1, 14, 0),
    Leg("a day late", 24.0, "late", 0, "", 1, 20, 0),
    Leg("arrival hall", 3.0, "both", 0, "", 1, 25, 1),
)

EVENING_AND_HUB = {"Tue": (18, -8), "Wed": (20, -6), "Aug": (33, 26)}


def overnight(ship, morning, midday, *, is_sunny=False, is_depot_allowed=False):
    evening, hub = EVENING_AND_HUB[ship]
    points = {"evening": evening, "hub": hub, "morning": morning, "midday": midday}
    return LaneDay(OVERNIGHT, points, is_sunny, is_depot_allowed)


COLLECTED = LaneDay(ISLAND, {}, is_collected=True)

# Order -> freight zone, lane and forecast, bags by order line as promised.
WEEK = {
    4901: (3, overnight("Tue", -18, -13, is_depot_allowed=True),
           "PLT 6 BKP 10 FRS 6 GLB 4 MDR 6 KLR 6 APT 2 RMG 1"),
    4902: (3, overnight("Tue", -6, -2, is_depot_allowed=True),
           "PLT 8 HRT 10 SLG 8 APT 3 CTH 6 TFT 6 CBB 5 TLW 3"),
    4903: (2, overnight("Tue", -9, 2), "PLT 4 TNT 10 ORG 8 PWS 2 RHP 3 BLW 3"),
    4904: (2, overnight("Wed", 9, 22), "PLT 8 HRT 8 WKB 10 LMS 6 SXT 6 PRS 8 RHP 3"),
    4905: (3, overnight("Wed", 17, 34, is_sunny=True, is_depot_allowed=True),
           "PLT 7 LMS 6 SLL 4 WNP 4 HBC 1 TDC 3"),
    4906: (1, overnight("Tue", 11, 19), "KLR 8 MDR 8 PRS 6 DMK 4 APT 2 sprout 20"),
    4907: (4, overnight("Wed", 3, 8), "PLT 4 NKD 6 MBJ 4 HMB 4 CSC 8 APT 3 RHP 2"),
    4908: (2, overnight("Tue", 1, 8), "PLT 7 TNT 12 BKP 12 CTH 8 SXT 6 APT 4 QYG 2 RMG 3"),
    4909: (5, COLLECTED, "DWF 6 CSC 6 TFT 6 SLL 4 TDC 4"),
    4910: (1, overnight("Tue", 6, 14), "PLT 12 HRT 24 BKP 24 TNT 12 APT 12"),
    4911: (2, overnight("Tue", -8, -3), "ORG 12 WKB 10"),
    4912: (2, overnight("Tue", 5, 13), "CSC 12 TFT 12"),
    4913: (6, overnight("Tue", -5, -1), "APT 3 CTH 6 SXT 6 MDR 6 FLH 8"),
    4914: (2, overnight("Wed", 15, 24), "QYG 2 HBC 2 TDC 4 FDR 3 CHW 3 RHP 3 PWS 1"),
}  # fmt: skip

# Zone -> charge for the first 10 lb, charge for each pound after.
ZONES = {
    **{1: ("34", "0.95"), 2: ("46", "1.25"), 3: ("58", "1.60")},
    **{4: ("66", "1.85"), 5: ("95", "2.10"), 6: ("110", "1.95")},
}
BOX_CHARGE = {"S": Decimal(6), "M": Decimal(9), "L": Decimal(13)}
# Outer inches 15 x 13 x 13, 20 x 16 x 16, 26 x 18 x 18, each product over 139, rounded up.
FLOOR_LB = {"S": 19, "M": 37, "L": 61}


def bags_of(words):
    """Bags of an order's lines: "PLT 6 APT 2" is six and two, in that order of lines."""
    names = words.split()
    rows = []
    for line, (name, count) in enumerate(zip(names[::2], names[1::2], strict=True), start=1):
        strain_class, bag = KIND_OF[name]
        rows += [BagItem(line, bag, strain_class, *BAGS[bag])] * int(count)
    return rows


def pounds(filled):
    gross_lb = filled.gross_kg(BoxLimits()) / 0.45359237
    return max(FLOOR_LB[filled.size.code], ceil(gross_lb - 1e-9))


def road_money(zone, filled):
    base, rate = map(Decimal, ZONES[zone])
    boxes = sum((base + rate * (pounds(box) - 10) for box in filled), Decimal(0))
    return (boxes * Decimal("1.12")).quantize(Decimal("0.01"), ROUND_HALF_UP)


def bench_money(filled, heat, gel):
    charge = sum((BOX_CHARGE[box.size.code] for box in filled), Decimal(0))
    return charge + heat * Decimal("2.25") + gel * Decimal("1.50")


def plan(order=None, *, zone=None, day=None, bags=None, sizes=(S, M, L), **changes):
    """Plan an order of the week, or bags of one's own, with the farm's usual numbers."""
    known_zone, known_day, known_bags = WEEK.get(order, (1, None, None))
    zone = zone or known_zone
    return plan_order(
        bags=bags_of(known_bags) if bags is None else bags,
        sizes=sizes,
        limits_by_class=LIMITS,
        day=day or known_day,
        cost_of=changes.pop(
            "cost_of",
            lambda filled, heat, gel: road_money(zone, filled) + bench_money(filled, heat, gel),
        ),
        heat=changes.pop("heat", HeatSettings()),
        box_limits=BoxLimits(),
        guards=changes.pop("guards", Guards()),
        **changes,
    )


def one_bag(*, water_l, strain_class="SPS"):
    """A single bag of that much water, small and light enough for any box."""
    return [BagItem(1, "one", strain_class, round(water_l * 1000), 9000, 5000)]


def option(outcome, delivery, heat=0, gel=0):
    """The one packing of a one-box outcome that was tried so."""
    wanted = (delivery, heat, gel)
    (row,) = [
        row for row in outcome.options if (row.delivery, row.heat_packs, row.gel_packs) == wanted
    ]
    return row


def tenths(*numbers):
    return tuple(round(number, 1) for number in numbers)
