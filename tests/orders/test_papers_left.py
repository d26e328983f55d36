"""Papers that let so many pieces go: the line is promised that many, whatever row is read first."""

from datetime import date

import pytest
from tests_support import farm_time

from orders.models import Line, Order, Paper, Promise
from orders.rules import RuleBook
from orders.sharing import ink_promises, share_out
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
