"""The main line of the farm's week at hop level: the acceptance stories, one test each.

Expected numbers are the worked figures of the farm.
"""

from datetime import date, timedelta

import pytest
from tests_support import farm_time

from config.ticking import tick
from inventory.clock import farm_now, move_clock
from inventory.holds import FloorTooLow, confirm_hold, lower_floor, raise_hold
from inventory.models import ColourState, Happening, Hold, Lot, Strain
from inventory.setting_book import SettingBook
from inventory.walking import count_tray
from orders.intake import Asked, send_order
from orders.listing import draft_list, newest_version
from orders.models import Customer, FeedEvent, Line, Order, Promise
from orders.promising import AboveWhatIsLeft, oversold_strain_forms
from orders.share_runs import replay_run
from orders.sharing import PromisesAreInked, share_out
from orders.weeks import open_week, week_named
from shipping.models import PickSheet, Shortfall
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
