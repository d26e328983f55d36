"""The main line of the farm's week at hop level: the acceptance stories, one test each.

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
from inventory.holds import FloorTooLow, confirm_hold, lower_floor, raise_hold
from inventory.models import ColourState, Happening, Hold, Lot, Strain, Tray
from inventory.setting_book import SettingBook
from inventory.walking import count_tray
from orders.amending import withdraw_line
from orders.intake import Asked, send_order
from orders.listing import draft_list, newest_version
from orders.models import Customer, FeedEvent, Line, Order, Promise, ShipWeek
from orders.promising import AboveWhatIsLeft, oversold_strain_forms
from orders.share_runs import replay_run
from orders.sharing import PromisesAreInked, share_out
from orders.weeks import open_week, week_named
from shipping.arrivals import Arrived, MoreThanSent, file_report
from shipping.bench_numbers import Bench
from shipping.clearing import make_plan, plan_week
from shipping.keying import Keyed, SheetStale, TrayNotPickable, key_in, refuse_unpickable
from shipping.models import Forecast, PackPlan, PickSheet, PickTask, Shipment, Shortfall
from shipping.picking import draw_sheets
from shipping.shortfalls import accept_remedy


def totals(week_name="2026-W49", is_on_sale=True):
    rows = draft_list(week=week_named(name=week_name), now=farm_now(), is_on_sale=is_on_sale)
    return {row.listing.name: row for row in rows}


def recount(tray, pieces, at, person, code="G1"):
    return count_tray(
        tray_code=tray,
        pieces=pieces,
        looked_at=at,
        received_at=at,
        user=person(code),
        client_id=f"test-{tray}-{at.isoformat()}",
    )


# ---- A3 colour rest


def test_fen_kiln_rests_by_its_own_looks_and_its_winter_look_takes_over(published_farm):
    state = ColourState.objects.get(strain__key="KLN")
    events = FeedEvent.objects.filter(client__code="FC-1", kind="line.rested")
    lines = {
        row.listing.name: row
        for row in newest_version(week=week_named(name="2026-W49")).lines.all()
    }

    assert state.rested_on == date(2026, 11, 9)
    assert [(row.sequence, row.listing) for row in events] == [(1, "KLN plug")]
    assert lines["KLN plug"].status == "resting"
    assert lines["KLN plug"].can_promise == 0
    assert lines["KLN plug"].reason == (
        "out of colour since 9 Nov; back about 23 Apr (9 Apr to 7 May)"
    )
    assert (lines["KLN winter tan"].can_promise, str(lines["KLN winter tan"].price_tier_1)) == (
        63,
        "16.50",
    )


# ---- A6 can-promise arithmetic


def test_plum_trellis_is_fifty_six_and_every_term_is_named(published_farm):
    row = totals()["PLT plug"]

    assert row.total == 56
    assert [(term.tray, term.pieces, term.why) for term in row.terms] == [
        ("A5.5", 28, "ready"),
        ("P2.3", 0, "held"),
        ("T2.1", 32, "ready"),
        ("T2.2", 0, "later"),
        ("", -4, "reserve"),
    ]


def test_a_fresh_count_raises_the_promise(published_farm, person):
    at = farm_time("2026-11-30 09:00")
    recount("T2.1", 34, at, person)
    recount("A5.5", 30, at, person)
    move_clock(to=at)

    assert totals()["PLT plug"].total == 58


def test_later_weeks_come_gross_and_after_what_is_promised(inked_farm):
    row = totals("2026-W50", is_on_sale=False)["PLT plug"]

    assert (row.gross, row.total) == (102, 46)


# ---- A7 a hold raised and confirmed


def test_a_hold_takes_its_trays_and_half_the_credit_of_its_mothers(farm, person):
    hold = Hold.objects.get(code="HD-1")
    Hold.objects.filter(pk=hold.pk).update(state="void")
    week = open_week(monday=date(2026, 11, 30), farm_zone="America/Chicago")
    before = {row.listing.name: row.total for row in draft_list(week=week, now=farm_now())}
    Hold.objects.filter(pk=hold.pk).update(state="raised")
    suspected = {row.listing.name: row for row in draft_list(week=week, now=farm_now())}
    hold.refresh_from_db()
    confirm_hold(hold=hold, at=farm_now(), user=person("LD"))
    confirmed = {row.listing.name: row.total for row in draft_list(week=week, now=farm_now())}

    assert (before["PLT plug"], before["PNR base"]) == (84, 74)
    assert (suspected["PLT plug"].total, suspected["PNR base"].total) == (56, 0)
    assert (suspected["PNR base"].status, suspected["PNR base"].stop) == ("resting", "hold")
    assert confirmed["PLT plug"] == 50
    assert Happening.objects.filter(kind="hold.raised").count() == 1


def test_a_hold_after_drawing_makes_its_sheets_stale(drawn_farm, person):
    raise_hold(
        scope_kind="system",
        scope="T",
        reason="white film",
        grade="suspected",
        at=farm_now(),
        user=person("G1"),
    )
    tick(farm_now())
    states = {
        (sheet.system.code, sheet.is_toxin): sheet.state
        for sheet in PickSheet.objects.filter(ship_on="2026-12-01").select_related("system")
    }

    assert states == {
        ("A", False): "drawn",
        ("T", False): "stale",
        ("H", False): "drawn",
        ("T", True): "stale",
    }
    assert Promise.objects.filter(state="inked").count() == 82
    assert Shortfall.objects.filter(settled_at__isnull=True).exists()


# ---- A10 the mother reserve


def test_rook_parlour_rests_for_its_mothers_and_pewter_spoon_has_three(published_farm):
    rows = totals()

    assert (rows["RKP mini"].total, rows["RKP mini"].status, rows["RKP mini"].stop) == (
        0,
        "resting",
        "reserve",
    )
    assert rows["PWS plug"].total == 3


def order_by_phone(rows, person, key="phone-1"):
    return send_order(
        customer=Customer.objects.get(code="C03"),
        ship_to_code="C03",
        week=week_named(name="2026-W49"),
        ship_on=date(2026, 12, 1),
        rows=rows,
        source="phone",
        idempotency_key=key,
        now=farm_now(),
        user=person("OF"),
    )


def test_a_phone_order_never_passes_the_reserve(published_farm, person):
    with pytest.raises(AboveWhatIsLeft, match="3 left above the mother reserve"):
        order_by_phone([Asked("PWS plug", 4, takes_now=True)], person)
    assert not Order.objects.exists()

    order = order_by_phone([Asked("PWS plug", 3, takes_now=True)], person)
    assert order.lines.get().promise.units == 3


def test_only_the_owner_lowers_a_floor_and_nobody_below_the_hard_one(published_farm, person):
    with pytest.raises(FloorTooLow, match="at least 8 mother pieces"):
        lower_floor(
            strain_key="RKP", pieces=7, reason="a good customer", user=person("OW"), at=farm_now()
        )
    lower_floor(
        strain_key="RKP", pieces=8, reason="a good customer", user=person("OW"), at=farm_now()
    )

    assert totals()["RKP mini"].total == 4
    audit = Happening.objects.get(kind="floor.lowered").facts
    assert (audit["was"], audit["now"], audit["reason"]) == (16, 8, "a good customer")
    assert Strain.objects.get(key="RKP").floor_pieces == 8


# ---- A11 the calendar


def test_the_holiday_week_publishes_early_and_year_ends_are_dates(published_farm):
    week = week_named(name="2026-W49")
    assert week.published_at == farm_time("2026-11-25 14:00")
    assert week.cut_off_at == farm_time("2026-11-30 12:00")
    last = open_week(monday=date(2026, 12, 21), farm_zone="America/Chicago")
    after = open_week(monday=date(2027, 1, 4), farm_zone="America/Chicago")
    assert (last.first_ship_on, last.last_ship_on) == (date(2026, 12, 21), date(2026, 12, 22))
    assert after.name == "2027-W01"


def test_the_cut_off_second_is_still_in(published_farm):
    at = farm_time("2026-11-30 12:00")
    move_clock(to=at)
    tick(at)
    send = {
        "customer": Customer.objects.get(code="C08"),
        "ship_to_code": "C08",
        "week": week_named(name="2026-W49"),
        "ship_on": date(2026, 12, 1),
        "source": "page",
    }
    order = send_order(rows=[Asked("PLT plug", 2)], idempotency_key="in", now=at, **send)
    assert int(order.number) > 10000
    with pytest.raises(Exception, match="closed on Mon 30 Nov 12:00"):
        send_order(
            rows=[Asked("PLT plug", 2)],
            idempotency_key="late",
            now=at + timedelta(seconds=1),
            **send,
        )


# ---- A13 first come


def test_three_clams_go_two_and_one_and_the_rest_is_answered_at_once(closed_farm):
    lines = Line.objects.filter(listing__name="HBC clam-m").order_by("order__sent_at")

    assert [(row.order.number, row.asked, row.promise.units) for row in lines] == [
        ("4905", 1, 1),
        ("4914", 2, 2),
    ]
    version = newest_version(week=week_named(name="2026-W49"))
    second = version.week.versions.get(number=2)
    assert second.lines.get(listing__name="HBC clam-m").status == "sold through"


# ---- A14 and A15 sharing out


def test_the_week_is_shared_as_worked_and_replays_byte_for_byte(closed_farm, person):
    week = week_named(name="2026-W49")
    run = share_out(week=week, now=farm_now(), user=person("OF"))
    plt = {
        row.line.order.number: row.promised
        for row in run.lines.filter(line__listing__name="PLT plug").select_related("line__order")
    }
    apt = [
        row.promised
        for row in run.lines.filter(line__listing__name="APT base").order_by("line__order__number")
    ]

    assert plt == {
        "4901": 6,
        "4902": 8,
        "4903": 4,
        "4904": 8,
        "4905": 7,
        "4907": 4,
        "4908": 7,
        "4910": 12,
    }
    assert apt == [2, 3, 2, 3, 4, 12, 3]
    sentence = run.lines.get(line__order__number="4902", line__listing__name="PLT plug").sentence
    assert sentence == (
        "Asked 12, promised 8: 56 pieces for 88 asked; floor 2, weighted share 4.94 of the 30 then "
        "left, 1 of the last 5; same rule for all; hand changes: none."
    )
    assert replay_run(run=run) == run.result
    again = share_out(week=week, now=farm_now() + timedelta(minutes=5), user=person("OF"))
    assert (again.inputs, again.result) == (run.inputs, run.result)


def test_a_recount_moves_the_shares(closed_farm, person):
    at = farm_time("2026-11-30 12:20")
    recount("T2.1", 44, at, person, "G1")
    recount("T2.1", 44, at + timedelta(minutes=1), person, "G2")
    move_clock(to=at + timedelta(minutes=5))
    run = share_out(week=week_named(name="2026-W49"), now=farm_now(), user=person("OF"))
    shared = run.lines.filter(line__listing__name="PLT plug")

    # 44 x (1 - 0.005) = 43.78 -> 43; 30 counted a week before -> 28; four kept back.
    assert shared.first().available == 43 + 28 - 4
    assert sum(row.promised for row in shared) == shared.first().available


def test_papers_and_law_keep_lines_back(inked_farm):
    def state(order, listing):
        line = Line.objects.get(order__number=order, listing__name=listing)
        promise = Promise.objects.filter(line=line).first()
        return line.state, promise.units if promise else 0

    assert state("4909", "RMG prop-10") == ("refused", 0)
    assert state("4905", "RMG prop-10") == ("needs paper", 0)
    assert state("4913", "LCC plug") == ("needs paper", 0)
    assert state("4914", "FDR plug") == ("open", 3)
    assert not oversold_strain_forms(
        week=week_named(name="2026-W49"),
        on=date(2026, 11, 30),
        book=SettingBook.read(on=date(2026, 11, 30)),
    )


# ---- A16 an inked promise survives a death


def test_a_death_makes_a_shortfall_and_never_a_smaller_promise(drawn_farm, person):
    at = farm_time("2026-12-01 06:50")
    move_clock(to=at)
    recount("A5.5", 22, at, person)
    tick(at)
    row = Shortfall.objects.get(strain_form__strain__key="PLT")
    remedy = next(i for i, remedy in enumerate(row.remedies) if remedy.get("tray") == "T2.2")

    assert (row.pieces, row.remedies[remedy]["pieces"]) == (4, 4)
    accept_remedy(shortfall_id=row.pk, index=remedy, user=person("LD"), now=at)
    tick(at)
    assert Lot.objects.get(balances__tray__code="T2.2").state == "ready"
    promised = Promise.objects.filter(strain_form__strain__key="PLT", state="inked")
    assert sorted(promised.values_list("units", flat=True)) == [4, 4, 6, 7, 7, 8, 8, 12]
    with pytest.raises(PromisesAreInked, match="promises of 2026-W49 are inked"):
        share_out(week=week_named(name="2026-W49"), now=at, user=person("OF"))


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
