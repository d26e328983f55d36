"""manage.py growing --json: its shape, and the farm's stock table for three weeks."""

import io
import json

import pytest
from django.core.management import call_command
from tests_support import farm_time

from inventory.clock import farm_today, move_clock
from inventory.models import Lot
from inventory.ready_dates import (
    forecast_lots,
    learned_reference_days,
    refresh_ready_dates,
    refresh_when_due,
    sign_reference_days,
)
from inventory.setting_book import SettingBook

WEEKS = ("2026-W49", "2026-W50", "2026-W51")
# job.md 7.4: what each strain-form can give in three weeks, before any order. Packs of ten by 10.
TABLE = {
    "LMS": (23, 22, 21),
    "HRT": (68, 115, 110),
    "CPA": (26, 25, 28),
    "BKP": (75, 73, 70),
    "PLT": (56, 102, 124),
    "DMK": (10, 9, 52),
    "CHR": (0, 0, 60),
    "RKP": (0, 0, 0),
    "TLW": (9, 9, 13),
    "APT": (29, 57, 93),
    "PNR": (0, 0, 72),
    "KLN": (0, 0, 0),
    "OAH": (2, 2, 6),
}


@pytest.fixture
def record(farm):
    out = io.StringIO()
    call_command("growing", "--json", stdout=out)
    return json.loads(out.getvalue())


def test_its_shape(record):
    assert list(record) == ["on", "lots", "colour", "reserve"]
    for lot in record["lots"].values():
        assert list(lot) == [
            "strain",
            "form",
            "state",
            "cut_on",
            "p50_on",
            "p80_on",
            "pieces",
            "countable",
            "sellable",
        ]
        assert set(lot["countable"]) == set(lot["sellable"]) == set(WEEKS)
        if lot["state"] != "growing" or lot["form"].startswith("clam"):
            assert lot["p50_on"] is lot["p80_on"] is None
    assert set(record["colour"]["KLN"]) == {
        "value",
        "state",
        "since",
        "back_likely",
        "back_from",
        "back_to",
    }
    assert set(record["reserve"]["PLT"]) == {"floor", "kept", "gap", "warnings"}


@pytest.mark.parametrize("strain", TABLE)
def test_what_its_trays_can_give_is_the_stock_table(record, strain):
    trays = [lot for lot in record["lots"].values() if lot["strain"] == strain]
    assert tuple(sum(lot["sellable"][week] for lot in trays) for week in WEEKS) == TABLE[strain]


def test_terms_of_plum_trellis(record):
    """job.md 4.9: T2.1 34 -> 32, A5.5 30 -> 28, P2.3 held; W50: 31 + 27 + 48 less 4."""
    lots = record["lots"]
    assert [lots[tray]["countable"]["2026-W49"] for tray in ("T2.1", "A5.5")] == [32, 28]
    assert [lots[tray]["countable"]["2026-W50"] for tray in ("T2.1", "A5.5", "T2.2")] == [
        31,
        27,
        48,
    ]
    assert lots["P2.3"]["countable"]["2026-W49"] > 0
    assert lots["P2.3"]["sellable"]["2026-W49"] == 0
    # What is kept back stays in the youngest tray.
    assert (lots["A5.5"]["sellable"]["2026-W49"], lots["T2.1"]["sellable"]["2026-W49"]) == (24, 32)
    assert (lots["T2.2"]["p50_on"], lots["T2.2"]["p80_on"]) == ("2026-11-26", "2026-12-02")


def test_colour_and_reserve(record):
    kiln = record["colour"]["KLN"]
    assert (kiln["state"], kiln["since"]) == ("resting", "2026-11-09")
    assert (kiln["back_likely"], kiln["back_from"], kiln["back_to"]) == (
        "2027-04-23",
        "2027-04-09",
        "2027-05-07",
    )
    assert record["colour"]["CPA"]["state"] == "in colour"
    plum = record["reserve"]["PLT"]
    assert (plum["floor"], plum["kept"], plum["gap"]) == (20, {"A": 10, "P": 12}, 4)
    assert record["reserve"]["PNR"]["kept"] == {"P": 14}
    assert any("one system" in words for words in record["reserve"]["PNR"]["warnings"])


# ---- ready dates


def test_every_growing_lot_s_dates_are_those_of_the_stock_table(farm):
    """job.md 7.4: all P50 and P80 follow from light, shade and reference days."""
    lots = forecast_lots(on=farm_today(), book=SettingBook.read(on=farm_today()))
    assert len(lots) == 49
    for row in lots:
        assert (row.p50_on, row.p80_on) == (row.lot.p50_on, row.lot.p80_on), row.tray


def test_the_refresh_writes_what_changed_once_a_day(farm):
    Lot.objects.filter(code="PLT-261006-T22").update(p50_on=None, p80_on=None)
    move_clock(to=farm_time("2026-11-26 03:59"))
    assert refresh_when_due(now=farm_time("2026-11-26 03:59")) == 0
    assert refresh_when_due(now=farm_time("2026-11-26 04:00")) == 1
    assert Lot.objects.get(code="PLT-261006-T22").p50_on.isoformat() == "2026-11-26"
    Lot.objects.filter(code="PLT-261006-T22").update(p50_on=None, p80_on=None)
    assert refresh_when_due(now=farm_time("2026-11-26 09:00")) == 0
    assert refresh_ready_dates(on=farm_today()) == 1


def test_more_shade_moves_the_dates_and_makes_nothing_ready(farm):
    from inventory.models import ShadeLog, Trough

    before = Lot.objects.get(code="BKP-261019-T32")
    ShadeLog.objects.create(
        trough=Trough.objects.get(code="T3"),
        from_on="2026-11-01",
        to_on="2026-12-31",
        fraction="0.50",
    )
    refresh_ready_dates(on=farm_today())
    after = Lot.objects.get(code="BKP-261019-T32")
    assert after.p50_on > before.p50_on
    assert after.state == before.state == "growing"


def test_learned_days_are_shown_and_act_only_when_signed(farm, person):
    ready = Lot.objects.get(code="PLT-260914-T21")
    book = SettingBook.read(on=farm_today())
    day = farm_time("2026-11-20 08:00").date()
    rows = learned_reference_days(book=book, graded_on=lambda lot: day if lot == ready else None)
    found = {str(row.strain_form): row for row in rows}
    plum = found["PLT plug"]
    assert len(plum.ratios) == 1
    assert plum.shift > 0
    assert ready.strain_form.reference_days == 55
    sign_reference_days(
        strain_form_id=ready.strain_form_id,
        days=58,
        reason="slower this autumn",
        user=person("LD"),
        at=farm_time("2026-11-25 10:00"),
    )
    assert Lot.objects.get(code="PLT-261006-T22").p50_on.isoformat() > "2026-11-26"
