"""A strain goes to rest with promises on it: each buyer is asked, and no wrong colour is sent."""

from decimal import Decimal

import pytest
from autumn_scene import INKED, RESTED, SHIP_ON, rest
from django.urls import reverse
from tests_support import farm_time, page_words

from config.ticking import tick
from inventory.clock import move_clock
from inventory.errors import NotAllowed
from inventory.models import Happening, Listing, Message, Substitute
from orders.amending import withdraw_order
from orders.change_records import changes_shown
from orders.models import Line, Order, Promise, PromisedTotal, RestQuestion, Watch
from orders.resting import (
    RestAnswerTooLate,
    RestChoiceNotOffered,
    answer_rest,
    ask_about_rest,
    choices_of,
    open_questions,
    settle_due,
    strains_that_may_rest,
    touched_by,
)
from shipping.bench_numbers import Bench
from shipping.boxing import bags_of
from shipping.clearing import enter_forecast, make_plan
from shipping.models import PackPlan, PickSheet, PickTask
from shipping.picking import draw_sheets

UNTIL = farm_time("2026-11-10 18:00")
TOO_LATE = farm_time("2026-11-10 18:00:01")


def order_of(code):
    return Order.objects.get(customer__code=code)


def question_of(code="C07"):
    return RestQuestion.objects.get(line__order__customer__code=code)


def line_of(code, listing="KLN plug"):
    return Line.objects.get(order__customer__code=code, listing__name=listing)


def say(choice, person, code="C07", at=RESTED, by=None):
    who = person(by or f"B{code[1:]}")
    return answer_rest(question_id=question_of(code).pk, choice=choice, user=who, now=at)


def letters(kind, code):
    return list(Message.objects.filter(kind=kind, user__code=code))


def test_the_farm_sees_whom_a_rest_touches_and_each_is_asked_once(autumn_farm, fixtures_folder):
    touched = touched_by(strain_key="KLN")
    assert [(row.line.order.customer.code, row.units, row.state) for row in touched] == [
        ("C07", 4, "inked"), ("C05", 3, "inked"),
    ]  # fmt: skip

    rest(fixtures_folder)
    asked = open_questions()
    assert [(row.line.order.customer.code, row.units) for row in asked] == [("C07", 4), ("C05", 3)]
    assert {row.reason for row in asked} == {"out of colour since 9 Nov"}
    [letter] = letters("a promised strain rests", "B07")
    assert letter.subject.endswith("Fen Kiln is out of colour. Choose for your 4")
    assert "$16.50 each" in letter.text
    # 18:00 at the farm is 16:00 in Washington.
    assert "Answer by Tue 10 Nov, 16:00" in letter.text
    assert ask_about_rest(listing_name="KLN plug", reason="again", now=RESTED) == []
    tick(RESTED)
    assert len(letters("a promised strain rests", "B07")) == 1


def test_without_an_answer_the_line_is_cancelled_with_notice_and_planned_anew(rested_farm, person):
    order = order_of("C07")
    enter_forecast(
        ship_to=order.ship_to, ship_on=SHIP_ON, now=RESTED, user=person("OF"),
        evening_c=17, hub_c=10, morning_c=8, midday_c=12,
    )  # fmt: skip
    make_plan(order=order, now=RESTED, bench=Bench.read(on=SHIP_ON), stage="Monday 15:30")
    freight = PackPlan.objects.get(order=order, void_at__isnull=True)
    draw_sheets(week=order.week, ship_on=SHIP_ON, now=RESTED)
    assert not on_a_sheet("KLN"), "what waits for an answer is not printed"

    move_clock(to=UNTIL)
    tick(UNTIL)
    assert question_of().state == "asked", "18:00 is still in"
    move_clock(to=TOO_LATE)
    tick(TOO_LATE)
    line = line_of("C07")
    assert (question_of().state, line.state, line.reason_code) == ("lapsed", "withdrawn", "rested")
    assert line.reason == "out of colour since 9 Nov; cancelled: no answer came in time"
    assert Promise.objects.get(line=line).state == "freed"
    assert (
        PromisedTotal.objects.get(strain_form=line.listing.strain_form, week=order.week).pieces == 0
    )
    assert "KLN plug" not in {row.listing for row in bags_of(order=order)}
    draw_sheets(week=order.week, ship_on=SHIP_ON, now=TOO_LATE)
    assert not on_a_sheet("KLN")

    planned = PackPlan.objects.get(order=order, void_at__isnull=True)
    assert (planned.stage, planned.pk > freight.pk) == ("after a rest", True)
    assert planned.total < freight.total
    [notice] = letters("a resting line is settled", "B07")
    assert notice.subject.endswith("the line of 4 Fen Kiln is cancelled")
    assert changes_shown(order=order)[-1].by == "the farm"
    assert settle_due(now=TOO_LATE) == 0


def on_a_sheet(key):
    live = PickSheet.objects.exclude(state="stale")
    return PickTask.objects.filter(sheet__in=live, promise__strain_form__strain__key=key).exists()


def test_an_order_of_which_nothing_is_left_is_withdrawn(rested_farm):
    tick(TOO_LATE)

    assert order_of("C05").state == "withdrawn"
    assert order_of("C07").state == "promised"


def test_winter_colour_is_a_new_line_of_four_at_its_own_price(rested_farm, person):
    before = Promise.objects.get(line=line_of("C07"))
    total = PromisedTotal.objects.get(strain_form=before.strain_form, week=before.week).pieces
    say("winter", person)

    new = line_of("C07", "KLN winter tan")
    promise = Promise.objects.get(line=new)
    # 22.00 x 0.75 (job 4.16), tier 1.
    assert (new.asked, new.unit_price, new.state) == (4, Decimal("16.50"), "open")
    assert (promise.units, promise.state) == (4, "inked")
    assert promise.inked_at == before.inked_at, "who was inked first loses last"
    assert (
        PromisedTotal.objects.get(strain_form=promise.strain_form, week=promise.week).pieces
        == total
    )
    assert line_of("C07").state == "withdrawn"
    question = question_of()
    assert (question.state, question.choice, question.new_line) == ("answered", "winter", new)
    assert question.settled_by == person("B07")
    [change] = changes_shown(order=order_of("C07"))
    assert "KLN plug taken off (it was 4); KLN winter tan added, 4" in change.words
    draw_sheets(week=promise.week, ship_on=SHIP_ON, now=RESTED)
    drawn = PickTask.objects.filter(promise__strain_form__strain__key="KLN")
    assert {row.promise.line.listing.name for row in drawn} == {"KLN winter tan"}
    assert sum(row.pieces for row in drawn) == 4
    tick(TOO_LATE)
    assert line_of("C07", "KLN winter tan").state == "open", "an answer stands"


def test_a_substitute_is_fenced_like_a_new_promise_and_never_dearer_or_short(rested_farm, person):
    for name in ("MKC plug", "HRT plug", "QYG clam-m"):
        Substitute.objects.create(
            listing=Listing.objects.get(name="KLN plug"), substitute=Listing.objects.get(name=name)
        )
    choices = {row.name: row for row in choices_of(question=question_of(), now=RESTED)}
    assert choices["instead:MKC plug"].why_not == ""
    assert "costs more" in choices["instead:QYG clam-m"].why_not
    with pytest.raises(RestChoiceNotOffered, match="it costs more"):
        say("instead:QYG clam-m", person)
    say("instead:MKC plug", person)

    new = line_of("C07", "MKC plug")
    assert (new.asked, new.unit_price) == (4, Decimal("14.00"))
    assert Promise.objects.get(line=new).state == "inked"
    assert PromisedTotal.objects.get(strain_form=new.listing.strain_form).pieces == 4
    assert Promise.objects.get(line=line_of("C07")).state == "freed"


def test_who_waits_is_told_of_the_return_and_who_cancels_is_not(rested_farm, person):
    say("wait", person)
    say("cancel", person, "C05")

    [watch] = Watch.objects.all()
    assert (watch.customer.code, watch.listing.name, watch.told_at) == ("C07", "KLN plug", None)
    assert line_of("C07").reason == "out of colour since 9 Nov; waits for its return"
    assert {row.state for row in Promise.objects.filter(line__listing__name="KLN plug")} == {
        "freed"
    }
    tick(TOO_LATE)
    assert not letters("a resting line is settled", "B07"), "an answer is not told back by mail"


def test_answers_have_an_hour_a_shop_and_a_set_of_words(rested_farm, person):
    with pytest.raises(NotAllowed):
        say("cancel", person, by="B03")
    with pytest.raises(RestChoiceNotOffered, match="choose winter, wait, cancel"):
        say("teleport", person)
    with pytest.raises(RestAnswerTooLate, match="counted until Tue 10 Nov 18:00"):
        say("winter", person, at=TOO_LATE)
    say("winter", person, at=UNTIL)
    with pytest.raises(RestAnswerTooLate, match="it is answered"):
        say("cancel", person)


def test_a_rest_after_the_hour_cancels_at_once_and_tells(autumn_farm, fixtures_folder):
    late = farm_time("2026-11-11 06:00")
    rest(fixtures_folder, at=late)

    assert question_of().state == "lapsed"
    assert not letters("a promised strain rests", "B07")
    assert len(letters("a resting line is settled", "B07")) == 1


def test_a_withdrawn_order_is_not_asked_any_more(rested_farm, person):
    order = order_of("C07")
    withdraw_order(order_id=order.pk, now=RESTED, user=person("B07"), reason="not this week")
    assert [row.line.order.customer.code for row in open_questions()] == ["C05"]
    tick(RESTED)

    assert question_of().state == "void"
    assert not letters("a resting line is settled", "B07")


def test_a_return_before_the_answer_leaves_the_promise_as_it_was(rested_farm):
    facts = {"listing": "KLN plug", "strain": "KLN", "reason": "back in colour since 10 Nov"}
    Happening.objects.create(kind="line.returned", at=RESTED, facts=facts)
    tick(RESTED)

    assert question_of().state == "void"
    assert Promise.objects.get(line=line_of("C07")).state == "inked"
    [letter] = letters("a resting line is settled", "B07")
    assert "stands as promised" in letter.subject


def test_what_is_only_pencilled_is_freed_with_a_notice(autumn_farm, fixtures_folder):
    line = line_of("C07")
    Promise.objects.filter(line=line).update(state="pencilled", inked_at=None)
    rest(fixtures_folder)

    assert not RestQuestion.objects.filter(line=line).exists()
    assert Promise.objects.get(line=line).state == "freed"
    line.refresh_from_db()
    assert (line.state, line.reason_code) == ("open", "resting")
    [letter] = letters("a promised strain rests", "B07")
    assert letter.subject.endswith("Fen Kiln rests; your 4 are not kept any more")


def test_the_buyer_answers_on_one_page_and_the_office_reads_it(rested_farm, client, person):
    order = order_of("C07")
    address = reverse("rest-answer", args=[order.number])
    client.force_login(person("B03"))
    assert client.get(address).status_code == 404
    client.force_login(person("B07"))
    assert address in client.get(reverse("order", args=[order.number])).content.decode()
    page = client.get(address).content.decode()
    assert "Take the 4 in winter colour: Fen Kiln, winter tan, $16.50 each" in page
    assert "about 23 Apr (9 Apr to 7 May)" in page
    assert "counts until <b>Tue 10 Nov, 16:00" in page

    answered = client.post(address, {"question": question_of().pk, "choice": "winter"}, follow=True)
    assert "4 Fen Kiln, winter tan at $16.50 each instead" in answered.content.decode()
    client.force_login(person("OF"))
    rests = page_words(client.get(reverse("rests")))
    assert order.number in rests and "Wren Halloway" in rests
    assert "3 Fen Kiln" in rests, "the other shop still waits"


def test_a_lead_rests_a_strain_by_hand_and_reads_first_whom_it_touches(autumn_farm, client, person):
    client.force_login(person("OF"))
    page = page_words(client.get(reverse("rests")))
    assert "Cascadon Tidepool, 4 for Wed 11 Nov" in page
    assert "Sign the rest" not in page, "the office proposes, a lead or the owner signs"
    client.post(reverse("rests"), {"strain": "KLN", "reason": "a shop says tan"})
    tick(INKED)
    assert not open_questions(), "a proposal asks nobody"
    client.force_login(person("PK1"))
    refused = client.post(reverse("rests"), {"strain": "KLN", "reason": "tan"})
    assert refused.status_code == 403

    client.force_login(person("LD"))
    assert "Sign the rest of KLN" in page_words(client.get(reverse("rests")))
    assert client.post(reverse("rests"), {"strain": "KLN", "reason": " "}).status_code == 422
    client.post(reverse("rests"), {"strain": "KLN", "reason": "tan to the tips"})
    tick(INKED)
    assert len(open_questions()) == 2
    assert "KLN" not in {strain.key for strain, _ in strains_that_may_rest()}
