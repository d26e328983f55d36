"""The preview of short listings: both ways side by side, a change by hand, and what is signed."""

import re
from fractions import Fraction

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from tests_support import page_words

from config.playing import person as person_by_code
from inventory.clock import farm_now
from inventory.errors import NotAllowed, ReasonMissing
from inventory.models import Balance, Setting
from orders.models import Line, Promise, ShareLine, ShareRun
from orders.share_plan import BY_ITEM, HandChange, HandChangeNotPossible, WayUnknown
from orders.share_runs import replay_run, trace_of_run
from orders.sharing import SharesChangedSince, ink_promises, preview_plan, share_out
from orders.weeks import week_named

PAGE = "/weeks/2026-W49/sharing/"
BY_ORDER = "by order"


@pytest.fixture
def week(closed_farm):
    return week_named(name="2026-W49")


@pytest.fixture
def office(week, client, person):
    client.force_login(person("OF"), backend="django.contrib.auth.backends.ModelBackend")
    return client


def plan_of(week, way=BY_ITEM, *hand):
    return preview_plan(week=week, now=farm_now(), way=way, hand=[HandChange(*row) for row in hand])


def ref_of(listing, order):
    line = Line.objects.get(
        listing__name=listing, order__number=order, order__week__name="2026-W49"
    )
    return f"{order}/{line.position}"


def promised(plan, listing):
    row = next(row for row in plan.listings if row.listing.name == listing)
    return {line.order_number: line.promised for line in row.lines}


def test_no_order_ends_below_the_best_fill_by_more_than_rounding(week):
    plan = plan_of(week, BY_ORDER)
    whole = {
        number: sum(
            line.unit * row.book.unit_pieces
            for row in plan.listings
            for line in row.book.asks
            if line.order_number == number and line.unit * row.book.unit_pieces > 1
        )
        for number in {line.order_number for row in plan.listings for line in row.lines}
    }

    assert 0 < plan.fill < 1
    for row in plan.orders:
        assert row.by_order > plan.fill * row.asked - 1 - whole[row.number]
        assert row.chosen == row.by_order


def test_the_tight_orders_can_have_no_more_together(week):
    """t* is a ratio that anybody can add up: what they can have of each listing over their asks."""
    plan = plan_of(week)
    most = asked = 0
    for row in plan.listings:
        if row.book.is_stopped:
            continue
        wanted = sum(ask.asked for ask in row.book.asks if ask.order_number in plan.tight_orders)
        if row.rule == "first_come":
            most += row.book.unit_pieces * sum(
                line.promised for line in row.lines if line.order_number in plan.tight_orders
            )
        else:
            most += row.book.unit_pieces * min(wanted, row.available)
        asked += row.book.unit_pieces * wanted
    assert plan.fill == Fraction(most, asked)


def test_the_page_shows_both_ways_the_best_fill_and_how_it_came(week, office):
    page = office.get(PAGE)
    text = page_words(page)
    plan = page.context["plan"]

    assert "by whole orders" in text and "Best fill that every order can have at once" in text
    assert f"of {page.context['best']['asked']} is {plan.fill}" in text
    assert "Share out 4 short listings by item" in text
    assert (
        "56 pieces to share, 88 asked" in text
        and "4903 Tamarrow Reef Supply, 4 of 6 pieces" in text
    )
    names = re.findall(r"<h2>(\w+ \w+)", text)
    assert {"PLT plug", "APT base", "PWS plug", "RHP base"} <= set(names)
    other = page_words(office.get(PAGE, {"way": BY_ORDER}))
    assert "Chosen: by whole orders" in other and "short listings by whole orders" in other


def test_a_change_by_hand_shows_who_pays_and_is_signed_with_its_reason(week, office):
    ref = ref_of("PLT plug", "4903")
    change = {"way": BY_ITEM, "line": ref, "units": "6", "why": "opens a new shop"}
    page = office.get(PAGE, change)
    text = page_words(page)
    moved = {row["order_number"]: row["words"] for row in page.context["payers"]}

    assert moved["4903"] == "gets 2 more" and "pays 1" in moved.values()
    assert sum(promised(page.context["plan"], "PLT plug").values()) == 56
    assert "Changed by hand, and who pays" in text
    answer = office.post(PAGE, {**change, "act": "share", "mark": page.context["plan"].mark})
    assert answer.status_code == 302
    row = ShareLine.objects.get(line__listing__name="PLT plug", line__order__number="4903")
    assert (row.by_rule, row.promised, row.hand_reason) == (4, 6, "opens a new shop")
    assert Promise.objects.get(line=row.line).units == 6
    signed = page_words(office.get(PAGE))
    assert "by hand, opens a new shop; the rule said 4" in signed
    # A buyer of another line reads that there was a change, and not why or for whom.
    other = ShareLine.objects.get(line__listing__name="PLT plug", line__order__number="4902")
    assert "opens a new shop" in other.sentence and "opens" not in other.buyer_sentence
    assert "1 of the lines set by the farm" in other.buyer_sentence


@pytest.mark.parametrize(
    ("units", "why", "words"),
    [
        ("many", "x", "a share is a whole number"),
        ("-1", "x", "a share is a whole number"),
        ("7", "x", "the order asks 6"),
        ("5", " ", "needs a reason"),
    ],
)
def test_a_number_that_cannot_be_is_refused_and_stays_to_be_mended(week, office, units, why, words):
    ref = ref_of("PLT plug", "4903")

    page = office.get(PAGE, {"way": BY_ITEM, "line": ref, "units": units, "why": why})

    assert page.status_code == 422
    text = page_words(page)
    assert words in text and f'value="{units}"' in text
    assert page.context["hand"] == []


def test_changes_keep_to_whole_units_the_least_and_what_there_is(week):
    dozen = ref_of("PLT plug", "4910")
    with pytest.raises(HandChangeNotPossible, match="whole units of 12"):
        plan_of(week, BY_ITEM, (dozen, "13", "x"))
    with pytest.raises(HandChangeNotPossible, match="in all"):
        asked = (("4910", 24), ("4902", 12), ("4904", 12), ("4905", 10))
        rows = [(ref_of("PLT plug", order), str(units), "x") for order, units in asked]
        plan_of(week, BY_ITEM, *rows)
    with pytest.raises(HandChangeNotPossible, match="no such line"):
        plan_of(week, BY_ITEM, ("9999/1", "1", "x"))
    with pytest.raises(HandChangeNotPossible, match="first come"):
        plan_of(week, BY_ITEM, (ref_of("HBC clam-m", "4905"), "0", "x"))
    with pytest.raises(ReasonMissing):
        plan_of(week, BY_ITEM, (dozen, "12", ""))
    with pytest.raises(WayUnknown):
        plan_of(week, "by luck")


def test_an_unknown_way_in_the_address_falls_back_and_says_so(week, office):
    page = office.get(PAGE, {"way": "by luck"})

    assert page.status_code == 422 and page.context["way"] == BY_ITEM
    assert "way_of_sharing_unknown" in page_words(page)


def test_a_book_that_moved_is_refused_with_the_new_numbers_shown(week, office):
    mark = office.get(PAGE, {"way": BY_ORDER}).context["plan"].mark
    balance = Balance.objects.filter(tray__code="T2.1").first()
    Balance.objects.filter(pk=balance.pk).update(pieces=balance.pieces - 5)

    answer = office.post(PAGE, {"act": "share", "way": BY_ORDER, "mark": mark})

    text = answer.content.decode()
    assert answer.status_code == 409 and "shares_changed_since" in text
    assert (
        not ShareRun.objects.exists()
        and not Promise.objects.filter(reason__contains="Asked").exists()
    )
    assert "Share out" in text and answer.context["plan"].mark != mark
    again = {"act": "share", "way": BY_ORDER, "mark": answer.context["plan"].mark}
    assert office.post(PAGE, again).status_code == 302
    assert ShareRun.objects.get().way == BY_ORDER


def test_what_is_signed_by_whole_orders_is_what_was_shown(week, person):
    plan = plan_of(week, BY_ORDER)

    run = share_out(week=week, now=farm_now(), user=person("OF"), way=BY_ORDER, mark=plan.mark)

    shown = {line.line_id: line.promised for row in plan.listings for line in row.lines}
    assert dict(run.lines.values_list("line_id", "promised")) == shown
    units = dict(Promise.objects.filter(line_id__in=shown).values_list("line_id", "units"))
    assert all(units.get(line_id, 0) == promised for line_id, promised in shown.items())
    with pytest.raises(SharesChangedSince):
        share_out(week=week, now=farm_now(), user=person("OF"), way=BY_ITEM, mark=plan.mark)


@pytest.mark.parametrize("way", [BY_ITEM, BY_ORDER])
def test_a_replay_takes_the_runs_own_settings_way_and_changes(week, person, way):
    hand = [HandChange(ref_of("PLT plug", "4903"), "6", "opens a new shop")]
    run = share_out(week=week, now=farm_now(), user=person("OF"), way=way, hand=hand)

    assert Setting.objects.filter(name="unit_stretch").update(value="1.0") == 1
    Setting.objects.filter(name="tier_3_weight").update(value="9.99")

    assert replay_run(run=run) == run.result
    assert '"unit_stretch":"1.5"' in run.rule_numbers
    assert '"unit_stretch":"1.5"' in trace_of_run(run=run)


def test_the_replay_notices_when_an_input_is_not_the_runs_own(week, person):
    run = share_out(week=week, now=farm_now(), user=person("OF"))
    run.inputs = run.inputs.replace('"available":56', '"available":55', 1)

    assert replay_run(run=run) != run.result


def test_only_the_office_and_the_owner_share_out(week, person, client):
    with pytest.raises(NotAllowed):
        share_out(week=week, now=farm_now(), user=person("LD"))
    client.force_login(person_by_code("LD"), backend="django.contrib.auth.backends.ModelBackend")
    text = client.get(PAGE).content.decode()
    assert "Two ways to share" in text and "Change one number" not in text
    assert "<button" not in text.split("<h1")[1]


def test_sharing_out_and_inking_take_a_handful_of_statements(week, person):
    """One for each kind of thing, not for each line: the first run, a second over it, the ink."""
    now, office = farm_now(), person("OF")
    lines = Line.objects.filter(order__week=week).count()
    counted = []
    for act in (share_out, share_out, ink_promises):
        with CaptureQueriesContext(connection) as queries:
            act(week=week, now=now, user=office)
        counted.append(len(queries))

    print(f"\n{lines} lines: {counted} statements")
    assert max(counted[:2]) < 60 < lines
