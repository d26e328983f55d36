"""What would change if ...: an act is done, looked at, and undone before anything is written.

Call from: config/what_if_pages.py.
Locks: those of the hop that is tried, until the trial is undone. Nothing here may call tick(), hand
a happening on, write a file or post a letter: those would not be undone with the rows.
"""

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from config.what_if_acts import Act
from config.what_if_rows import (
    Change,
    ListRow,
    Picture,
    PlanChange,
    PlanRow,
    WhatIf,
    plan_row,
)
from config.what_if_words import besides_of, sentence_of
from inventory.errors import FarmError, NotAllowed
from inventory.people import Role, User
from inventory.setting_book import SettingBook
from orders.calc.weeks import week_monday
from orders.listing import draft_list
from orders.models import Promise, ShipWeek
from orders.promising import can_promise_all
from shipping.models import PackPlan, PickSheet


class FarmChangedSince(FarmError):
    code = "farm_changed_since"
    title = "The farm has changed since"
    message = (
        "What was shown is no longer what would happen: {what}. Nothing was written. Look at it "
        "again below and sign that."
    )


class OnlyAQuestion(FarmError):
    code = "only_a_question"
    title = "That can only be asked"
    message = "That {words} lies ahead: it can be asked today and signed on the day itself."


@contextmanager
def undone() -> Iterator[None]:
    """A transaction that always ends as if it had never been."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def ask(*, act: Act, now: datetime, user: User) -> WhatIf:
    """What an act would change, with nothing written. Raises what the act's own hop refuses.

    Who may not do it may still ask: the trial is made in the owner's name and undone.
    """
    user.must("see_staff_pages")
    trier = user if user.may(act.right) else _owner()
    with undone():
        act.prepare(now=now, user=trier)
        before = picture(now=now, act=act)
        touched = tuple(act.touched(now=now))
        needs = act.needs(now=now)
        act.trial().do(now=now, user=trier)
        after = picture(now=now, act=act)
    changes = list_changes(before.lists, after.lists)
    plans = tuple(
        PlanChange(number, before.plans.get(number), after.plans.get(number))
        for number in sorted(before.plans.keys() | after.plans.keys())
        if before.plans.get(number) != after.plans.get(number)
    )
    short = tuple(
        (what, before.short.get(what, 0), after.short.get(what, 0))
        for what in sorted(before.short.keys() | after.short.keys())
        if before.short.get(what, 0) != after.short.get(what, 0)
    )
    return WhatIf(
        sentence=sentence_of(
            words=act.words, stop=act.stop, changes=changes, plans=plans, needs=needs
        ),
        besides=besides_of(stop=act.stop, changes=changes),
        changes=changes,
        short=short,
        touched=touched,
        plans=plans,
        mark=_mark(act, before, after, touched),
        after=after,
    )


@transaction.atomic
def sign(*, act: Act, mark: str, now: datetime, user: User) -> str:
    """Do what was shown, and only that. Returns the act in words.

    Raises FarmChangedSince where the trial made again now differs from the one that was shown,
    OnlyAQuestion, NotAllowed, and what the act's own hop refuses.
    """
    if not act.can_sign(now=now):
        raise OnlyAQuestion(words=act.words)
    user.must(act.right)
    shown = ask(act=act, now=now, user=user)
    if shown.mark != mark:
        raise FarmChangedSince(what="counts, orders or plans are others now")
    act.do(now=now, user=user)
    # Between the trial and the deed another person may have written: then neither stands.
    if picture(now=now, act=act) != shown.after:
        raise FarmChangedSince(what="somebody else wrote in the same moment")
    return act.words


def _owner() -> User:
    owner = User.objects.filter(role=Role.OWNER, is_active=True).order_by("pk").first()
    if owner is None:
        raise NotAllowed(role="Nobody here", act="ask that", who="an owner")
    return owner


def _mark(act: Act, before: Picture, after: Picture, touched: tuple[tuple[str, str], ...]) -> str:
    text = json.dumps([act.key, asdict(before), asdict(after), touched], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def picture(*, now: datetime, act: Act) -> Picture:
    """The farm as people act on it, at a moment. Reads only."""
    return Picture(
        lists=lists_at(now=now),
        short=_short(now),
        live_sheets=_sheets(),
        plans=_plans(act.order_numbers()),
    )


def lists_at(*, now: datetime) -> dict[str, dict[str, ListRow]]:
    """The list of every open week as it would be drawn at a moment."""
    return {week.name: _list_rows(week, now) for week in open_weeks(now=now)}


def open_weeks(*, now: datetime) -> list[ShipWeek]:
    """Weeks whose list is not closed and whose shipping is not over, soonest first."""
    monday = week_monday(timezone.localdate(now))
    return list(ShipWeek.objects.filter(closed_at__isnull=True, monday__gte=monday))


def _list_rows(week: ShipWeek, now: datetime) -> dict[str, ListRow]:
    draft = draft_list(week=week, now=now, is_on_sale=week.published_at is not None)
    return {
        row.listing.name: ListRow(
            status=row.status,
            stop=row.stop,
            units=row.can_promise,
            prices=(str(row.prices[0]), str(row.prices[1]), str(row.prices[2])),
            strain=row.listing.strain_form.strain.name,
            form=row.listing.strain_form.form.name,
        )
        for row in draft
    }


def _short(now: datetime) -> dict[str, int]:
    """Promised pieces that what stands above the floor does not cover, by week and strain-form."""
    on = timezone.localdate(now)
    book = SettingBook.read(on=on)
    live = Promise.objects.filter(state__in=Promise.IN_THE_WATER)
    weeks = ShipWeek.objects.filter(pk__in=live.values("week"), last_ship_on__gte=on)
    found = {}
    for week in weeks:
        rows = can_promise_all(week=week, on=on, is_on_sale=True, book=book)
        for pk, row in rows.items():
            missing = row.promised_pieces - row.supply.pieces
            if missing > 0 and row.in_week_pieces:
                names = live.filter(week=week, strain_form_id=pk)
                orders = sorted(set(names.values_list("line__order__number", flat=True)))
                found[f"{week.name} {row.stock.key}: orders {', '.join(orders)}"] = missing
    return found


def _sheets() -> dict[str, str]:
    rows = PickSheet.objects.filter(state__in=["drawn", "printed"])
    return {row.stamp: row.state for row in rows}


def _plans(numbers: list[str]) -> dict[str, PlanRow]:
    rows = PackPlan.objects.filter(order__number__in=numbers, void_at__isnull=True)
    return {row.order.number: plan_row(row) for row in rows.select_related("order")}


def list_changes(
    before: dict[str, dict[str, ListRow]], after: dict[str, dict[str, ListRow]]
) -> tuple[Change, ...]:
    """Each listing that stands otherwise afterwards, what comes back from nothing first."""
    found = []
    gone = ListRow("not listed", "", 0, ("", "", ""), "", "")
    for week, rows in after.items():
        for name in sorted(rows.keys() | before[week].keys()):
            was, now = before[week].get(name, gone), rows.get(name, gone)
            if was != now:
                found.append(
                    Change(
                        week=week,
                        listing=name,
                        strain=now.strain or was.strain,
                        form=now.form or was.form,
                        was_status=was.status,
                        was_stop=was.stop,
                        now_status=now.status,
                        was_units=was.units,
                        now_units=now.units,
                        was_prices=was.prices,
                        now_prices=now.prices,
                    )
                )
    found.sort(key=lambda row: (row.week, not row.is_back_from_nothing, -row.gain_units))
    return tuple(found)
