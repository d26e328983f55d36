"""What a signed run keeps, and what is made of it when somebody reads it."""

from importlib import import_module

import pytest
from django.apps import apps

from inventory.clock import farm_now
from orders.models import Promise, ShareRun
from orders.models import shares as share_models
from orders.share_book import BY_ITEM, BY_ORDER, OTHER_RULES
from orders.share_plan import HandChange
from orders.share_runs import replay_run, trace_of_run
from orders.sharing import preview_plan, share_out
from orders.weeks import week_named

UNITS = ("asked", "promised", "by_rule", "by_item", "by_order", *OTHER_RULES)


@pytest.fixture
def week(closed_farm):
    return week_named(name="2026-W49")


def by_hand(plan):
    row = next(row for row in plan.listings if row.listing.name == "PLT plug")
    line = next(line for line in row.lines if line.order_number == "4903")
    return [HandChange(line.ref, "6", "opens a new shop")]


@pytest.mark.parametrize("way", [BY_ITEM, BY_ORDER])
@pytest.mark.parametrize("is_changed", [False, True])
def test_a_line_reads_as_the_preview_showed_it(week, person, way, is_changed):
    """The preview follows the rules listing by listing, what is signed comes from arrays."""
    now = farm_now()
    plan = preview_plan(week=week, now=now, way=way)
    hand = by_hand(plan) if is_changed else []
    plan = preview_plan(week=week, now=now, way=way, hand=hand)
    shown = {line.line_id: (row, line) for row in plan.listings for line in row.lines}

    run = share_out(week=week, now=now, user=person("OF"), way=way, hand=hand, mark=plan.mark)

    kept = {row.line_id: row for row in run.lines.all()}
    assert kept.keys() == shown.keys()
    for pk, row in kept.items():
        listing, line = shown[pk]
        assert [getattr(row, name) for name in UNITS] == [getattr(line, name) for name in UNITS]
        assert (row.rule, row.available) == (listing.rule, listing.available)
        assert (row.sentence, row.buyer_sentence) == (line.sentence, line.buyer_sentence)
        assert row.hand_reason == line.hand_reason
    assert replay_run(run=run) == run.result


def test_a_promise_says_which_way_it_came_and_its_line_says_why(week, person):
    share_out(week=week, now=farm_now(), user=person("OF"), way=BY_ORDER)

    promise = Promise.objects.get(line__listing__name="PLT plug", line__order__number="4902")
    assert promise.reason == "shared out by order"
    assert promise.line.shares.get().sentence.startswith("Asked 12, promised 9")


def test_sentences_are_those_of_the_run_whatever_else_was_read(week, person):
    run = share_out(week=week, now=farm_now(), user=person("OF"))
    row = run.lines.get(line__listing__name="PLT plug", line__order__number="4902")
    before = row.sentence
    other = ShareRun.objects.get(pk=run.pk)
    other.inputs = other.inputs.replace('"available":56', '"available":55', 1)
    other.inputs_hash = "another"

    assert other.replay().result() != run.result
    assert run.lines.get(pk=row.pk).sentence == before
    assert len(share_models._kept) <= share_models.MOST_KEPT


def test_an_earlier_run_keeps_what_it_held_as_it_is_moved(week, person):
    run = share_out(week=week, now=farm_now(), user=person("OF"))
    old = ShareRun.objects.get(pk=run.pk)
    old.result, old.rule_numbers = trace_of_run(run=run), ""
    old.save()

    move = import_module("orders.migrations.0014_sentences_when_read")
    move.keep_numbers(apps, None)

    moved = ShareRun.objects.get(pk=run.pk)
    assert (moved.result, moved.rule_numbers) == (run.result, run.rule_numbers)
    assert replay_run(run=moved) == moved.result
