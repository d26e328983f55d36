"""The farm's growth defaults beside published bands: plausible, never exact.

Every published case is used here, named as used elsewhere, or has its reason for being left out.
"""

import csv
import json

import pytest

from inventory.calc.healing import HEALED_AFTER_DAYS, expected_pieces

ELSEWHERE = {
    "clam-gigas-2.5in-plus-2.5y": "tests/inventory/test_propagules.py",
    "clam-gigas-2.5in-plus-3.0y": "tests/inventory/test_propagules.py",
    "clam-gigas-vb-fabens": "its curve is curve 2 there; deaths: clams are counted one by one",
    "clam-gigas-vb-forced": "its curve is curve 1 there",
}
LEFT_OUT = {
    "coral-fusion-forsman2015": "tissue over a whole tile; the farm sells single plugs",
    "coral-lesion-acropora-muricata": "wounds on the reef; the farm reckons no such healing",
    "zoanthid-palythoa-stcroix": "published rates differ 27-fold; nothing here rests on one",
    "growth-memory-1": "from memory, reef; the nursery figure that was read is used instead",
    "growth-memory-3": "from memory, says itself not to be asserted",
    "growth-memory-5": "from memory, says itself not to be asserted",
    "growth-memory-7": "from memory, hobby practice",
    "growth-memory-9": "from memory, says itself not to be asserted",
}
HERE = {
    "coral-acropora-formosa-tioman",
    "coral-pocillopora-acuta-ras",
    "softcoral-healing",
    "clam-village-farms",
    "mangrove-dispersal-rooting",
    "mangrove-phenology-fna",
    "mangrove-leaf-emergence",
}
# What no test uses of the statistics, and why.
STATISTICS_LEFT_OUT = {
    "snaive-austourists": "nothing here is forecast as the same season last year"
}


@pytest.fixture
def published(farm_checks):
    cases = json.loads((farm_checks / "07_growth.json").read_text())["cases"]
    return {case["id"]: case for case in cases}


@pytest.fixture
def rows(fixtures_folder):
    def read(name):
        with (fixtures_folder / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    return read


@pytest.fixture
def setting(rows):
    def read(name, scope=""):
        found = [
            row for row in rows("settings.csv") if (row["name"], row["scope"]) == (name, scope)
        ]
        return float(found[0]["value"])

    return read


def forms_of(rows, strain_class, form):
    keys = {row["key"] for row in rows("strains.csv") if row["class"] == strain_class}
    return [
        row
        for row in rows("strain_forms.csv")
        if row["strain"] in keys and row["form"] == form and row["reference_days"]
    ]


def test_every_case_is_used_or_has_its_reason(published, farm_checks):
    assert set(published) == HERE | set(ELSEWHERE) | set(LEFT_OUT)
    cases = json.loads((farm_checks / "08_stats.json").read_text())["cases"]
    used = ("wilson-", "km-", "ses-")
    assert {case["id"] for case in cases if not case["id"].startswith(used)} == set(
        STATISTICS_LEFT_OUT
    )


def test_stony_plugs_grow_a_sellable_piece_in_their_days(published, rows):
    """1 to 3 cm of new growth makes a plug sell: common practice, no source."""
    speeds = published["coral-acropora-formosa-tioman"]["expected"]
    slow, fast = min(speeds["reef_cm_per_month"]), max(speeds["nursery_cm_per_month"])
    plugs = forms_of(rows, "SPS", "plug")
    assert plugs
    for row in plugs:
        assert 1 / fast * 30 <= float(row["reference_days"]) <= 3 / slow * 30, row


def test_cuts_live_no_better_than_in_the_best_published_tank(published, rows, setting):
    best = published["coral-pocillopora-acuta-ras"]["expected"]["survival_140_d"]
    for row in forms_of(rows, "SPS", "plug"):
        share = expected_pieces(
            cut=1,
            heal_share=float(row["heal_share"]),
            mortality_per_30_days=setting("mortality_per_30_days", "SPS"),
            days=140,
        )
        assert 0.6 < share < best, row


def test_healing_is_over_when_later_deaths_begin(published):
    assert max(published["softcoral-healing"]["expected"]["healed_days"]) <= HEALED_AFTER_DAYS


def test_the_slowest_clam_growth_is_that_of_a_village_farm(published, setting):
    derasa = published["clam-village-farms"]["expected"]["derasa"]
    start = sum(published["clam-village-farms"]["inputs"]["start_mm"]) / 2
    monthly = (derasa["mm"] - start) / derasa["months"]
    low, high = setting("shell_growth_low_mm", "CLAM"), setting("shell_growth_high_mm", "CLAM")
    assert low <= monthly <= high


def test_propagules_root_after_the_stranding_and_within_the_dispersal(published, rows):
    given = published["mangrove-dispersal-rooting"]["expected"]
    stranded = given["stranding_to_roots_and_leaves_days"]
    (days,) = {
        float(row["reference_days"])
        for row in rows("strain_forms.csv")
        if row["strain"] == "RMG" and row["form"] == "prop-10"
    }
    assert stranded <= days <= stranded + given["obligate_dispersal_days"]


def test_red_mangroves_drop_when_the_flora_says_so(published, rows):
    assert published["mangrove-phenology-fna"]["expected"]["fruiting"] == "late summer-fall"
    (row,) = [row for row in rows("strains.csv") if row["key"] == "RMG"]
    assert row["drop_season"].startswith("Aug")


def test_first_leaves_come_within_the_remembered_weeks(published, setting):
    case = published["mangrove-leaf-emergence"]
    assert case["status"] == "MEMORY"
    first, last = case["expected"]["first_leaves_weeks_after_planting"]
    assert 7 * first <= setting("sprout_least_days", "RMG") <= 7 * last
