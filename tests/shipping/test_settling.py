"""Promised pieces are missing: a shop's substitute, next week first in line, or the reserve."""

from datetime import date
from decimal import Decimal

import pytest
from desk import shown_text
from tests_support import farm_time

from config.ticking import tick
from config.week_record import week_record
from inventory.clock import move_clock
from inventory.errors import ForbiddenMove, NotAllowed
from inventory.models import Message, Strain
from inventory.setting_book import SettingBook
from inventory.walking import count_tray
from orders.change_records import changes_shown
from orders.changing import ChangeNotRight, Wanted, change_order
from orders.models import Customer, Line, Order, Promise, PromisedTotal
from orders.promising import can_promise_all, cut_promise, oversold_strain_forms
from orders.replacing import substitutes_for
from orders.sharing import PromisesAreInked, share_out, shareable_lines
from orders.weeks import week_named
from shipping.models import FreightCredit, PackPlan, Shortfall
from shipping.shortfalls import accept_remedy

AT = farm_time("2026-12-01 06:50")
INKED = [4, 4, 6, 7, 7, 8, 8, 12]


@pytest.fixture
def short(drawn_farm, person):
    """Job story A16: on Tue 06:50 A5.5 holds 22 alive, not 30; 4 of the 56 PLT are missing."""
    move_clock(to=AT)
    count_tray(
        tray_code="A5.5", pieces=22, looked_at=AT, received_at=AT, user=person("G1"),
        client_id="22 alive",
    )  # fmt: skip
    tick(AT)
    return Shortfall.objects.get(strain_form__strain__key="PLT")


def take(row, kind, user, order=""):
    row.refresh_from_db()
    index = next(
        number
        for number, remedy in enumerate(row.remedies)
        if remedy["kind"] == kind and remedy["words"].startswith(order)
    )
    accept_remedy(shortfall_id=row.pk, index=index, user=user, now=AT)
    row.refresh_from_db()
    tick(AT)
    return row


def promised(key="PLT", week="2026-W49"):
    rows = Promise.objects.filter(strain_form__strain__key=key, week__name=week, state="inked")
    return sorted(rows.values_list("units", flat=True))


def is_nothing_oversold(week="2026-W49"):
    on = date(2026, 12, 1)
    book = SettingBook.read(on=on)
    found = oversold_strain_forms(week=week_named(name=week), on=on, book=book)
    return [words for words in found if "the total says" in words] == []


def test_the_remedies_stand_in_the_order_of_the_terms(short):
    kinds = list(dict.fromkeys(row["kind"] for row in short.remedies))

    assert short.pieces == 4
    assert "margin" not in kinds and "other system" not in kinds, "all that stands is promised"
    assert kinds == [
        "grade", "substitute", "next week", "reserve",
    ]  # fmt: skip
    [substitute] = [row for row in short.remedies if row["kind"] == "substitute"]
    assert substitute["words"] == (
        "4907 Cascadon Tidepool takes 4 MKC plug at $14.00 each instead of 4 PLT plug; 24 are left"
    ), "C07 alone takes substitutes (job table 7.6)"
    carried = [row["words"][:4] for row in short.remedies if row["kind"] == "next week"]
    assert carried == ["4910", "4908", "4907"], "inked at one moment: the highest number first"


def test_a_shop_that_takes_substitutes_saves_every_other_promise(short, person):
    row = take(short, "substitute", person("OF"))

    order = Order.objects.get(number="4907")
    new = Line.objects.get(order=order, listing__name="MKC plug")
    assert (new.asked, new.unit_price) == (4, Decimal("14.00"))
    assert (new.promise.units, new.promise.state) == (4, "inked")
    assert promised() == INKED[1:], "the 4 of C07 are freed, none other is cut"
    assert row.settled_by == person("OF")
    assert row.settled_how.startswith("4907 Cascadon Tidepool takes 4 MKC plug")
    words = changes_shown(order=order)[-1].words
    assert "PLT plug taken off (it was 6)" in words and "MKC plug added, 4" in words
    [letter] = Message.objects.filter(kind="your line has changed", user__code="B07")
    assert "takes 4 MKC plug at $14.00 each" in letter.text
    assert is_nothing_oversold()
    with pytest.raises(PromisesAreInked, match="promises of 2026-W49 are inked"):
        share_out(week=week_named(name="2026-W49"), now=AT, user=person("OF"))
    with pytest.raises(ForbiddenMove, match="settled"):
        accept_remedy(shortfall_id=row.pk, index=0, user=person("OF"), now=AT)


def test_a_shop_that_wants_no_substitute_is_never_given_one(short, person):
    Customer.objects.filter(code="C07").update(takes_substitutes="no")
    Customer.objects.filter(code="C08").update(takes_substitutes="ask")
    recount_again(person)
    short.refresh_from_db()

    words = [row["words"] for row in short.remedies if row["kind"] == "substitute"]
    assert words == [
        "after the shop said yes to it: 4908 Oldmillet Corals takes 4 MKC plug at $12.88 each "
        "instead of 4 PLT plug; 24 are left"
    ]


def recount_again(person):
    later = farm_time("2026-12-01 06:55")
    move_clock(to=later)
    count_tray(
        tray_code="A5.5", pieces=22, looked_at=later, received_at=later, user=person("G1"),
        client_id="22 again",
    )  # fmt: skip
    tick(later)


def test_next_week_is_promised_before_its_list_and_its_freight_share_credited(short, person):
    line = Line.objects.get(order__number="4908", listing__name="PLT plug")
    plan = PackPlan.objects.filter(order__number="4908").order_by("-id").first()
    bags = 4 + 3 + sum(
        promise.units
        for promise in Promise.objects.filter(line__order__number="4908", state="inked")
        if promise.line_id != line.pk
    )  # fmt: skip
    row = take(short, "next week", person("OF"), "4908")

    assert promised() == sorted([4, 4, 6, 7, 3, 8, 8, 12])
    carried = Order.objects.get(week__name="2026-W50")
    assert (carried.customer.code, carried.state, carried.ship_on) == (
        "C08", "promised", date(2026, 12, 8),
    )  # fmt: skip
    assert promised(week="2026-W50") == [4]
    credit = FreightCredit.objects.get()
    assert credit.amount == (plan.freight * 4 / bags).quantize(Decimal("0.01"))
    assert (credit.shortfall, credit.carried) == (row, carried)
    week = week_named(name="2026-W50")
    assert carried.lines.get() not in shareable_lines(week=week), "no rule may touch it"
    can = can_promise_all(
        week=week, on=date(2026, 12, 1), is_on_sale=False, strain_form_ids=[row.strain_form_id],
        book=SettingBook.read(on=date(2026, 12, 1)),
    )[row.strain_form_id]  # fmt: skip
    assert can.in_week_pieces == 4
    assert is_nothing_oversold() and is_nothing_oversold("2026-W50")
    [letter] = Message.objects.filter(kind="your line has changed", user__code="B08")
    assert f"their share of the freight of 4908 is ${credit.amount}" in letter.text
    assert "once the credit is approved" in letter.text
    assert (credit.state, credit.approved_by) == ("drafted", None)


def test_a_carried_line_is_not_changed_but_can_be_taken_off(short, person):
    take(short, "next week", person("OF"), "4908")
    carried = Order.objects.get(week__name="2026-W50")
    week = carried.week
    week.published_at = AT
    week.save()
    wanted = [Wanted("PLT plug", 9)]
    with pytest.raises(ChangeNotRight, match="promised already"):
        change_order(order_id=carried.pk, wanted=wanted, version_seen=1, now=AT, user=person("B08"))


def test_the_reserve_is_the_owner_s_alone_and_stops_at_the_hard_floor(short, person):
    strain = Strain.objects.get(key="PLT")
    with pytest.raises(NotAllowed):
        take(short, "reserve", person("OF"))
    row = take(short, "reserve", person("OW"))

    after = Strain.objects.get(key="PLT")
    assert after.floor_pieces == strain.floor_pieces - 4 >= strain.hard_floor_pieces
    assert row.settled_by == person("OW")
    assert promised() == INKED


def test_what_a_remedy_does_not_cover_stays_open(short, person):
    short.pieces = 6
    short.save()
    row = take(short, "substitute", person("OF"))

    assert (row.pieces, row.settled_at) == (2, None)
    assert all("4907 Cascadon Tidepool takes" not in remedy["words"] for remedy in row.remedies)


def test_an_inked_promise_is_cut_to_some_of_what_it_was_only(inked_farm):
    promise = Promise.objects.get(line__order__number="4908", strain_form__strain__key="PLT")
    total = PromisedTotal.objects.get(strain_form=promise.strain_form, week=promise.week).pieces
    for units in (0, 7, 9):
        with pytest.raises(ForbiddenMove, match="inked for 7"):
            cut_promise(promise_id=promise.pk, units=units, reason="x")
    cut_promise(promise_id=promise.pk, units=5, reason="two died")

    after = PromisedTotal.objects.get(strain_form=promise.strain_form, week=promise.week).pieces
    assert after == total - 2


def test_a_substitute_is_never_on_other_papers_nor_short_nor_on_the_order(inked_farm):
    line = Line.objects.get(order__number="4907", listing__name="MBJ plug")
    [row] = substitutes_for(line=line, units=4, now=AT)
    assert row.why_not == "it is on the order already", "4907 asks HMB as well"
    dear = Line.objects.get(order__number="4901", listing__name="BKP plug")
    [row] = substitutes_for(line=dear, units=10_000, now=AT)
    assert row.why_not.startswith("only ")


@pytest.fixture
def credit(short, person):
    take(short, "next week", person("OF"), "4908")
    return FreightCredit.objects.get()


def credit_letters(code="B08"):
    return list(Message.objects.filter(kind="your credit is decided", user__code=code))


def act(browser, credit, what, **typed):
    return browser.post(f"/credits/freight/{credit.pk}/{what}/", typed, follow=True)


def test_a_freight_credit_waits_for_the_office_and_its_shop_is_told_once(credit, at_desk):
    office = at_desk("OF")
    assert not credit_letters()
    today = shown_text(office.get("/"))
    assert f"credit {credit.amount} wait for the office: 4 PLT plug of order 4908" in today
    assert f"Approve {credit.amount}" in shown_text(office.get("/credits/"))

    assert f"${credit.amount} of freight for 4908 is approved" in shown_text(
        act(office, credit, "approve")
    )
    tick(AT)
    tick(AT)
    credit.refresh_from_db()
    assert (credit.state, credit.approved_by.code, credit.approved_at) == ("approved", "OF", AT)
    [letter] = credit_letters()
    assert letter.subject == f"Order 4908: ${credit.amount} is credited"
    assert f"${credit.amount} for order 4908 is approved" in letter.text
    assert "wait for the office" not in shown_text(office.get("/"))
    [row] = [row for row in record() if row["order"] == "4908"]
    assert row == {
        "order": "4908", "amount": "0.00", "freight": str(credit.amount), "state": "approved",
        "sentence": credit.sentence,
    }  # fmt: skip
    assert "Odile Marchbank" in shown_text(office.get("/credits/"))

    again = act(office, credit, "approve")
    assert (again.status_code, "forbidden_move" in again.content.decode()) == (409, True)
    assert act(office, credit, "void", reason="no").status_code == 409
    assert "stands in the books" in shown_text(act(office, credit, "apply"))
    assert act(office, credit, "apply").status_code == 409
    assert len(credit_letters()) == 1


def record():
    return week_record(week=week_named(name="2026-W49"), now=AT)["credits"]


def test_above_its_limit_the_office_leaves_a_freight_credit_to_the_owner(credit, at_desk):
    FreightCredit.objects.update(amount=Decimal("150.00"))
    assert "Approve 150.00" in shown_text(at_desk("OF").get("/credits/"))
    FreightCredit.objects.update(amount=Decimal("150.01"))
    page = shown_text(at_desk("OF").get("/credits/"))
    assert "Approve 150.01" not in page and "The owner approves it" in page
    assert "150.01 wait for the owner" in shown_text(at_desk("OF").get("/"))
    assert act(at_desk("OF"), credit, "approve").status_code == 403
    for code in ("G1", "LD", "PK1"):
        assert act(at_desk(code), credit, "approve").status_code == 403, code
    assert act(at_desk("B08"), credit, "approve").status_code in (403, 404)
    assert FreightCredit.objects.get().state == "drafted"
    assert act(at_desk("OW"), credit, "approve").status_code == 200
    assert FreightCredit.objects.get().approved_by.code == "OW"


def test_a_credit_that_is_taken_back_needs_a_reason_that_the_shop_reads(credit, at_desk):
    assert act(at_desk("OF"), credit, "void", reason="  ").status_code == 422
    act(at_desk("OF"), credit, "void", reason="the box went at our cost anyway")
    tick(AT)
    [letter] = credit_letters()
    assert letter.subject == f"Order 4908: ${credit.amount} is not credited"
    assert "taken back: the box went at our cost anyway" in letter.text
    assert "taken back" in shown_text(at_desk("OF").get("/credits/"))
    assert act(at_desk("OF"), credit, "approve").status_code == 409
    assert act(at_desk("OF"), credit, "burn").status_code == 404


def test_where_no_freight_was_planned_nothing_waits_to_be_credited(short, person):
    PackPlan.objects.filter(order__number="4908").update(freight=Decimal("0.00"))
    recount_again(person)
    row = take(short, "next week", person("OF"), "4908")
    assert not FreightCredit.objects.exists()
    assert "freight" not in row.settled_how
    [letter] = Message.objects.filter(kind="your line has changed", user__code="B08")
    assert "credit" not in letter.text
