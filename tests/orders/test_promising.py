"""Can-promise of every listing of the farm for three weeks, before any order.

The figures are the farm's worked ones; the two later weeks are gross and reckon with the hold on
system P lifting on 11 December.
"""

import json
from datetime import date

import pytest

from config.week_record import week_record
from inventory.clock import farm_now
from orders.weeks import open_week
from shipping.models import PackPlan

MONDAYS = (date(2026, 11, 30), date(2026, 12, 7), date(2026, 12, 14))
WORKED = """
KLN plug: 0 0 0
LMS plug: 23 22 21
SLG plug: 27 26 58
HRT plug: 68 115 110
BRR plug: 13 12 12
PWS plug: 3 3 2
CPA plug: 26 25 28
BKP plug: 75 73 70
TNT plug: 50 48 77
MSL plug: 0 0 0
CDP plug: 1 1 1
ORG plug: 28 27 96
WKB plug: 27 26 60
PLT plug: 56 102 124
MKC plug: 24 23 22
DMK plug: 10 9 52
CHR plug: 0 0 60
LNS plug: 0 0 0
FRS plug: 18 17 46
NDC plug: 20 19 43
DWF plug: 28 27 30
RKP mini: 0 0 0
GLB plug: 21 20 40
SLL plug: 21 21 20
WNP plug: 16 16 15
TLW plug: 9 9 13
FDR plug: 3 3 7
CHW plug: 11 11 11
TFT plug: 31 30 33
CBB plug: 22 21 25
MBJ plug: 15 15 14
HMB plug: 18 18 17
SRB plug: 0 0 0
BLW plug: 8 8 12
NKD plug: 29 28 28
PDB plug: 8 8 8
CSC plug: 35 34 37
OAH plug: 2 2 6
RBS plug: 0 0 0
FLH base: 31 31 59
STB base: 8 8 41
CRT base: 0 0 0
KLR base: 34 33 36
BLR base: 0 0 28
MDR base: 32 31 66
CLM base: 0 0 25
LCC plug: 23 23 22
APT base: 29 57 93
CTH base: 29 29 31
PNR base: 0 0 72
SXT base: 26 26 28
GVS base: 0 0 0
PRS base: 30 29 68
TCD base: 0 0 20
RHP base: 11 11 13
QYG clam-m: 6 6 6
QYG clam-l: 2 2 2
HBC clam-s: 9 9 9
HBC clam-m: 3 3 3
TDC clam-s: 18 18 18
TDC clam-m: 5 5 5
RMG prop-10: 19 18 18
RMG sprout: 52 51 50
BMG prop-10: 0 0 13
"""
# order: delivery, boxes and packs, goods, freight, boxes and packs in money, total
PLANS = """
4901 depot M2 554.00 113.34 13.50 680.84
4902 door L3 826.16 156.35 19.75 1002.26
4903 door M2 498.00 89.32 13.50 600.82
4904 door L1 697.36 122.92 15.25 835.53
4905 depot M1 602.00 113.34 11.25 726.59
4906 door L2 464.00 92.34 17.50 573.84
4907 door M2 546.00 129.86 13.50 689.36
4908 door M1S1 831.68 153.44 19.50 1004.62
4909 depot M1 516.00 169.90 11.25 697.15
4910 door M1M1 1060.80 133.62 22.50 1216.92
4911 door M2 224.40 89.32 13.50 327.22
4912 door S1 306.00 64.12 8.25 378.37
4913 door M2 421.36 182.17 13.50 617.03
4914 door M0 696.00 89.32 9.00 794.32
"""


def worked():
    for line in WORKED.split("\n"):
        name, _, figures = line.partition(": ")
        if name:
            yield name, tuple(int(figure) for figure in figures.split())


@pytest.fixture
def can_promise(farm):
    """What each of the three weeks gives on the morning before any list is out."""
    weeks = [open_week(monday=monday, farm_zone="America/Chicago") for monday in MONDAYS]
    return [week_record(week=week, now=farm_now())["can_promise"] for week in weeks]


def test_every_listing_comes_out_as_worked_for_three_weeks(can_promise):
    figures = {
        name: tuple(week[name].get("gross", week[name]["total"]) for week in can_promise)
        for name, _ in worked()
    }

    assert figures == dict(worked())
    assert can_promise[0]["KLN winter tan"]["total"] == 63


def test_every_pack_plan_comes_out_as_worked(drawn_farm):
    plans = {}
    for plan in PackPlan.objects.filter(void_at__isnull=True).select_related("order"):
        boxes = "".join(f"{box['size']}{box['packs']}" for box in json.loads(plan.record)["boxes"])
        money = (plan.goods, plan.freight, plan.boxes_and_packs, plan.total)
        plans[plan.order.number] = [plan.delivery, boxes, *map(str, money)]

    assert plans == {row.split()[0]: row.split()[1:] for row in PLANS.strip().split("\n")}
