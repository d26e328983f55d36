"""Papers that let so many pieces go: the line is promised that many, whatever row is read first."""

from datetime import date

import pytest
from django.urls import reverse
from tests_support import farm_time, page_words

from inventory.clock import farm_now
from inventory.models import Message, Once
from orders.models import Line, Order, OrderChange, Paper, Promise, ShipWeek
from orders.order_messages import write_due
from orders.rules import RuleBook
from orders.sharing import ink_promises, preview_plan, share_out
from orders.weeks import week_named


@pytest.fixture
def export_paper(closed_farm):
    """Paper EX-1 of the farm's worked story: Tubipora 10, Echinophyllia 2, for Toronto."""
    return Paper.objects.create(
        code="EX-1",
        kind="export permit",
        customer=Order.objects.get(number="4913").customer,
        allowed={"Tubipora musica": 10, "Echinophyllia aspera": 2},
        valid_from=date(2026, 11, 1),
    )


def line(name):
    return Line.objects.get(order__number="4913", listing__name=name)


def test_a_paper_counts_whichever_row_of_the_law_is_read_first(export_paper):
    row = line("LCC plug")
    book = RuleBook.read(ship_to=row.order.ship_to)
    strain = row.listing.strain_form.strain
    for rules in (book.rules, list(reversed(book.rules))):
        turned = RuleBook(book.ship_to, rules, book.papers, book.used)
        judged = turned.judge(strain=strain, on=row.order.ship_on)
        # The region's own row allows it outright; the paper's limit must not be lost behind it.
        assert (judged.verdict, judged.paper, judged.balance_pieces) == ("allow", export_paper, 10)


def test_four_go_whole_and_of_three_two_are_offered(export_paper, person):
    now = farm_time("2026-11-30 12:30")
    assert line("SLL plug").listing.strain_form.strain.taxon in export_paper.allowed
    share_out(week=week_named(name="2026-W49"), now=now, user=person("OF"))

    collar, leaf = line("LCC plug"), line("SLL plug")
    assert (collar.state, collar.asked, collar.promise.units) == ("open", 4, 4)
    assert (leaf.state, leaf.asked) == ("open", 2)
    assert leaf.promise.units == 2
    assert "paper EX-1 lets 2 more go, 3 are asked" in leaf.reason
    change = leaf.order.changes.get()
    assert change.rows.get().asked_before == 3
    assert "EX-1" in change.reason


def test_less_than_the_least_that_is_taken_waits(export_paper, person):
    Line.objects.filter(pk=line("SLL plug").pk).update(least=3)
    share_out(
        week=week_named(name="2026-W49"), now=farm_time("2026-11-30 12:30"), user=person("OF")
    )

    leaf = line("SLL plug")
    assert (leaf.state, leaf.reason_code, leaf.asked) == ("needs paper", "paper_short", 3)
    assert not Promise.objects.filter(line=leaf).exists()


def test_two_lines_do_not_count_on_the_same_pieces(export_paper, person):
    """Another order of the shop, sent later, gets what the first leaves on the paper."""
    first = Order.objects.get(number="4913")
    later = Order.objects.get(pk=first.pk)
    later.pk, later.number, later.idempotency_key = None, "4999", "later"
    later.sent_at = farm_time("2026-11-30 11:59")
    later.save()
    twin = line("LCC plug")
    twin.pk, twin.order, twin.asked = None, later, 9
    twin.save()
    for what in ("declaration", "port", "licence"):
        later.export_ticks.create(kind=what, at=later.sent_at, user=person("OF"))
    share_out(
        week=week_named(name="2026-W49"), now=farm_time("2026-11-30 12:30"), user=person("OF")
    )

    assert (line("LCC plug").asked, Line.objects.get(pk=twin.pk).asked) == (4, 6)
    ink_promises(week=week_named(name="2026-W49"), now=farm_time("2026-11-30 14:30"))
    live = Promise.objects.filter(line__order__customer=first.customer, state__in=Promise.LIVE)
    taken = live.filter(line__listing__name="LCC plug").values_list("pieces", flat=True)
    assert sum(taken) <= 10


def test_the_preview_shows_the_ask_as_the_paper_will_lower_it_and_writes_nothing(
    export_paper, at_desk
):
    week = week_named(name="2026-W49")
    page = at_desk("OF").get(reverse("sharing", args=[week.name]))

    rows = {row["listing"]: row for row in page.context["papers"]}
    assert rows["LCC plug"]["words"] == "goes whole"
    assert (rows["SLL plug"]["asked"], rows["SLL plug"]["words"]) == (3, "goes as 2")
    words = page_words(page)
    assert "Lowered from 3 to 2: paper EX-1 lets 2 more go, 3 are asked" in words
    assert "<del>3</del> <b>2</b>" in words
    plan = page.context["plan"]
    shown = {(line.line_id, line.asked): line for row in plan.listings for line in row.lines}
    assert shown[line("SLL plug").pk, 2].promised == 2
    assert shown[line("LCC plug").pk, 4].promised == 4
    # It was only looked at.
    assert (line("SLL plug").state, line("SLL plug").asked) == ("needs paper", 3)
    assert not OrderChange.objects.exists() and not Promise.objects.filter(line=line("LCC plug"))


def test_what_was_shown_with_lowered_asks_is_signed_at_the_first_press(export_paper, at_desk):
    week, office = week_named(name="2026-W49"), at_desk("OF")
    address = reverse("sharing", args=[week.name])
    plan = office.get(address).context["plan"]

    answer = office.post(address, {"act": "share", "way": plan.way, "mark": plan.mark})

    assert answer.status_code == 302
    assert line("SLL plug").promise.units == 2
    signed = page_words(office.get(address))
    assert "Lowered from 3 to 2: paper EX-1 lets 2 more go" in signed
    assert not preview_plan(week=week, now=farm_now()).papers, "what is promised is not judged anew"


def test_a_line_that_waits_for_more_paper_is_named_with_why(export_paper, at_desk):
    Line.objects.filter(pk=line("SLL plug").pk).update(least=3)
    page = at_desk("OF").get(reverse("sharing", args=["2026-W49"]))

    rows = {row["listing"]: row for row in page.context["papers"]}
    assert rows["SLL plug"]["words"] == "waits, nothing goes"
    assert "lets 2 more go" in rows["SLL plug"]["why"]
    refs = [line.line_id for row in page.context["plan"].listings for line in row.lines]
    assert line("SLL plug").pk not in refs


def test_a_paper_that_lets_more_go_by_now_takes_its_words_off_the_line(export_paper, person):
    """At send it was said that the paper lets less go; another paper came meanwhile."""
    Line.objects.filter(pk=line("LCC plug").pk).update(
        state="open", reason_code="paper_short", reason="paper EX-0 lets 1 more go, 4 are asked"
    )
    share_out(
        week=week_named(name="2026-W49"), now=farm_time("2026-11-30 12:30"), user=person("OF")
    )
    collar = line("LCC plug")
    assert (collar.reason_code, collar.asked, collar.promise.units) == ("", 4, 4)


def test_the_letter_of_short_lines_names_the_one_that_a_paper_shortens(export_paper):
    """The evening before the cut-off, over again, with a paper that came meanwhile."""
    ShipWeek.objects.filter(name="2026-W49").update(closed_at=None)
    Once.objects.filter(key="short lines 2026-W49").delete()
    Message.objects.filter(kind="your line may be short").delete()

    write_due(now=farm_time("2026-11-29 17:00"))

    letter = Message.objects.get(kind="your line may be short", user__code="B11")
    assert "a paper lets less go" in letter.text
    leaf = next(row for row in letter.text.splitlines() if row.strip().startswith("SLL plug"))
    assert "asked   3, may become   2" in leaf
    assert "lowered from 3 to 2: paper EX-1 lets 2 more go" in letter.text
