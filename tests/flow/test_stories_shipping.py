"""The farm's week from the pick sheet to the credit: acceptance stories A18 to A23.

Expected numbers are the worked figures of the farm.
"""

import json
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from tests_support import farm_time

from config import playing
from config.ticking import tick
from config.week_record import week_record
from inventory.clock import farm_now, move_clock
from inventory.models import Happening, Setting, Tray
from orders.amending import withdraw_line
from orders.models import Customer, Line, Order, Promise, ShipWeek
from orders.weeks import week_named
from shipping.arrivals import Arrived, MoreThanSent, file_report
from shipping.bench_numbers import Bench
from shipping.clearing import make_plan, plan_week
from shipping.keying import Keyed, SheetStale, TrayNotPickable, key_in, refuse_unpickable
from shipping.models import Forecast, PackPlan, PickSheet, PickTask, Shipment, Shortfall
from shipping.picking import draw_sheets

# ---- A18 the pick sheets


def picks(ship_on, listing):
    tasks = PickTask.objects.filter(sheet__ship_on=ship_on, promise__line__listing__name=listing)
    live = tasks.exclude(sheet__state="stale")
    return sorted(
        (task.tray.code, task.promise.line.order.number, task.pieces, task.leave_pieces)
        for task in live.select_related("tray", "promise__line__order")
    )


def test_sheets_run_clean_to_doubtful_and_toxic_lines_stand_alone(drawn_farm):
    sheets = PickSheet.objects.filter(ship_on="2026-12-01").select_related("system")

    assert [(sheet.number, sheet.system.code, sheet.is_toxin) for sheet in sheets] == [
        (1, "A", False),
        (2, "T", False),
        (3, "H", False),
        (4, "T", True),
    ]
    assert picks("2026-12-01", "PLT plug") == [
        ("A5.5", "4901", 6, 22),
        ("T2.1", "4902", 8, 1),
        ("T2.1", "4903", 4, 1),
        ("T2.1", "4908", 7, 1),
        ("T2.1", "4910", 12, 1),
    ]
    for sheet in sheets:
        assert sheet.checksum_pieces == sum(task.pieces for task in sheet.tasks.all())


def test_a_dropped_line_redraws_its_sheet_only_and_the_old_stamp_is_stopped(drawn_farm, person):
    before = {sheet.number: sheet.stamp for sheet in PickSheet.objects.filter(ship_on="2026-12-01")}
    line = Line.objects.get(order__number="4906", listing__name="DMK plug")
    withdraw_line(line_id=line.pk, now=farm_now(), user=person("OF"), reason="4906 drops it")
    tick(farm_now())
    week = week_named(name="2026-W49")
    draw_sheets(week=week, ship_on=date(2026, 12, 1), now=farm_now(), user=person("OF"))
    live = PickSheet.objects.filter(ship_on="2026-12-01").exclude(state="stale")
    after = {sheet.number: sheet.stamp for sheet in live}

    assert [number for number in before if before[number] != after[number]] == [1]
    with pytest.raises(SheetStale, match="order 4906, DMK plug: 4 before, 0 now"):
        key_in(stamp=before[1], rows=[], user=person("PK1"), now=farm_now())


def test_a_sheets_minutes_go_by_the_farms_own_pace(drawn_farm, person):
    Setting.objects.filter(name="tray_s").update(value="85")
    line = Line.objects.get(order__number="4906", listing__name="DMK plug")
    withdraw_line(line_id=line.pk, now=farm_now(), user=person("OF"), reason="4906 drops it")
    draw_sheets(
        week=week_named(name="2026-W49"),
        ship_on=date(2026, 12, 1),
        now=farm_now(),
        user=person("OF"),
    )
    sheet = PickSheet.objects.exclude(state="stale").get(ship_on="2026-12-01", number=1)

    stops = sheet.tasks.values("tray").distinct().count()
    seconds = sheet.walk_m / 1.2 + 85 * stops + 8 * sheet.checksum_pieces
    assert sheet.walk_min == pytest.approx(seconds / 60)


def test_held_and_kept_trays_are_not_picked(drawn_farm):
    for code, why in (("P5.4", "on hold"), ("A6.7", "kept for mothers")):
        with pytest.raises(TrayNotPickable, match=why):
            refuse_unpickable(tray=Tray.objects.get(code=code))


def test_a_short_pick_is_recorded_and_the_promise_stands(drawn_farm, person):
    sheet = PickSheet.objects.get(ship_on="2026-12-01", number=2)
    task = sheet.tasks.get(tray__code="T2.1", promise__line__order__number="4903")
    key_in(
        stamp=sheet.stamp,
        rows=[Keyed(task.pk, 3, "one is pale")],
        user=person("PK1"),
        now=farm_now(),
    )
    task.refresh_from_db()
    promise = Promise.objects.get(pk=task.promise_id)

    assert (task.picked_pieces, promise.pieces, promise.pieces_out) == (3, 4, 3)
    assert Shortfall.objects.get(strain_form__strain__key="PLT").pieces == 1


# ---- A20 to A22 boxes and weather


def plan(number):
    return PackPlan.objects.get(order__number=number, void_at__isnull=True)


def boxes(number):
    return json.loads(plan(number).record)["boxes"]


def test_one_large_box_beats_the_cheaper_pounds(drawn_farm):
    chosen, tried = plan("4902"), json.loads(plan("4902").record)["tried"]
    two = next(row for row in tried if row["boxes"] == "M + S")

    assert (chosen.verdict, chosen.delivery, str(chosen.total)) == ("clear", "door", "1002.26")
    box = boxes("4902")[0]
    assert (box["size"], box["packs"], box["billable_lb"]) == ("L", 3, 61)
    assert (box["base"], box["shifted"], box["late"][0]) == ([22.3, 25.6], [21.5, 25.8], 19.7)
    assert (two["verdict"], two["money"], two["late"]) == ("care", "216.18", 17.5)


def test_a_cold_snap_moves_the_order_a_day_and_keeps_its_promises(inked_farm, person):
    move_clock(to=farm_time("2026-12-01 05:30"))
    ship_to = Customer.objects.get(code="C01").ship_tos.get()
    for day, hub, morning, midday, evening in (
        (date(2026, 12, 1), -8, -27, -20, 18),
        (date(2026, 12, 2), -6, -9, -5, 20),
    ):
        Forecast.objects.create(
            ship_to=ship_to,
            ship_on=day,
            issued_at=farm_time("2026-12-01 05:00"),
            source="test",
            evening_c=evening,
            hub_c=hub,
            morning_c=morning,
            midday_c=midday,
        )
    order = Order.objects.get(number="4901")
    bench = Bench.read(on=date(2026, 12, 1))
    snapped = make_plan(order=order, now=farm_now(), bench=bench, stage="test")
    box = json.loads(snapped.record)["boxes"][0]
    assert (snapped.verdict, snapped.delivery, box["packs"], box["late"][0]) == (
        "care",
        "depot",
        2,
        16.2,
    )
    plan_week(
        week=order.week,
        now=farm_now(),
        user=person("OF"),
        ship_on=date(2026, 12, 1),
        stage="Tuesday 05:30",
        is_final=True,
    )
    order.refresh_from_db()
    moved = json.loads(plan("4901").record)["boxes"][0]

    assert order.ship_on == date(2026, 12, 2)
    assert (plan("4901").verdict, plan("4901").delivery, moved["packs"]) == ("clear", "door", 2)
    assert (moved["base"][0], moved["late"][0]) == (22.5, 19.3)
    assert set(Promise.objects.filter(line__order=order).values_list("state", flat=True)) == {
        "inked"
    }
    assert Happening.objects.filter(kind="order.set_aside").count() == 1


def test_no_fresh_forecast_is_a_stop_and_forgotten_holes_freeze_the_box(drawn_farm):
    order = Order.objects.get(number="4901")
    bench = Bench.read(on=date(2026, 12, 1))
    taped = make_plan(order=order, now=farm_now(), bench=bench, stage="test", has_holes=False)
    cold = [
        row
        for row in json.loads(taped.record)["options"]
        if (row["delivery"], row["packs"], row["gels"]) == ("depot", 2, 0)
    ]
    stale = make_plan(order=order, now=farm_now() + timedelta(hours=7), bench=bench, stage="test")

    assert (cold[0]["verdict"], cold[0]["base"][0]) == ("stop", 18.8)
    assert (stale.verdict, "No forecast younger than 6 h" in stale.sentence) == ("stop", True)
    assert Shipment.objects.get(order=order).state == "stopped"


def test_a_hot_day_with_a_cold_hub_takes_a_heat_pack_to_the_depot(inked_farm, person):
    move_clock(to=farm_time("2026-11-30 15:00"))
    plan_week(week=week_named(name="2026-W49"), now=farm_now(), user=person("OF"))
    chosen = plan("4905")
    options = {
        (row["delivery"], row["packs"], row["gels"]): row
        for row in json.loads(chosen.record)["options"]
    }

    assert (chosen.delivery, chosen.verdict, boxes("4905")[0]["base"]) == (
        "depot",
        "clear",
        [22.4, 25.5],
    )
    assert (options["depot", 0, 0]["base"][0], options["depot", 0, 0]["verdict"]) == (19.6, "stop")
    assert options["door", 1, 0]["barred"] == "no heat pack to a door at 34 °C midday"
    assert any(row["base"][0] == 16.8 for row in options.values() if row["gels"] == 1)
    assert chosen.thumb_rule.startswith("cool pack") and chosen.is_thumb_different


def test_a_warmer_forecast_changes_the_plan(drawn_farm):
    before = plan("4901")
    Forecast.objects.create(
        ship_to=before.order.ship_to,
        ship_on=date(2026, 12, 1),
        source="test",
        issued_at=farm_now(),
        evening_c=18,
        hub_c=-8,
        morning_c=10,
        midday_c=15,
    )
    after = make_plan(
        order=before.order, now=farm_now(), bench=Bench.read(on=date(2026, 12, 1)), stage="test"
    )

    assert (before.delivery, after.delivery) == ("depot", "door")
    assert json.loads(after.record)["boxes"][0]["packs"] < boxes("4901")[0]["packs"] + 1


# ---- A23 arrival and credit


def test_a_report_in_time_is_credited_at_once(arrived_farm, person):
    credit = Shipment.objects.get(order__number="4902").reports.get().credit

    assert (str(credit.amount), str(credit.freight), credit.state) == ("44.16", "0.00", "approved")
    assert credit.is_automatic
    with pytest.raises(MoreThanSent):
        file_report(
            order=Order.objects.get(number="4902"),
            rows=[Arrived("PLT plug", dead=7)],
            photos=[],
            filed_at=farm_time("2026-12-02 12:58"),
            user=person("B02"),
        )


def test_the_record_of_the_week_is_whole(arrived_farm):
    record = week_record(week=week_named(name="2026-W49"), now=farm_now())

    assert record["can_promise"]["PLT plug"]["total"] == 56
    assert record["can_promise"]["MSL plug"]["total"] == 0
    assert {row["listing"] for row in record["lines"]} >= {"KLN plug", "KLN winter tan"}
    assert len(record["plans"]) == 14
    assert {row["day"] for row in record["picks"]} == {"2026-12-01", "2026-12-02"}
    assert [row["sequence"] for row in record["events"]] == list(
        range(1, len(record["events"]) + 1)
    )
    assert ZoneInfo("America/Chicago") == playing.zone()
    assert ShipWeek.objects.count() == 3 and isinstance(farm_now(), datetime)
