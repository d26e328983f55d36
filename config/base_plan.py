"""Bases of the quarter: what planned cuts want of them, and the letter that says by when to mix.

Call from: config/mounts_page.py, config/ticking.py. The days on which nobody works are the
calendar's and the cuts come from what shops asked, so it stands above all floors.
"""

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from inventory.bases import plan_bases
from inventory.calc.cutting import BaseNeed
from inventory.clock import is_done, is_first
from inventory.messaging import Action, Letter, write_messages
from inventory.people import Role
from inventory.setting_book import SettingBook
from inventory.walk_messages import people
from orders.calc.weeks import week_monday
from orders.cut_limits import work_days
from orders.cut_plan import ON_BASES, WantedCut, wanted_cuts

BASES_AHEAD = timedelta(weeks=13)


def bases_wanted(*, cuts: Sequence[WantedCut], on: date) -> list[tuple[date, int]]:
    """Bases that the planned cuts of a quarter want, week by week, by the first day of each."""
    weeks: dict[date, tuple[date, int]] = {}
    for row in cuts:
        cut_on = row.week.cut_by_on
        if not row.is_on_bases or cut_on > on + BASES_AHEAD:
            continue
        first, pieces = weeks.get(week_monday(cut_on), (cut_on, 0))
        weeks[week_monday(cut_on)] = (min(first, cut_on), pieces + row.week.cut_pieces)
    return sorted(weeks.values())


def write_due(*, now: datetime) -> None:
    """To the leads, some work days before the last on which bases can still be mixed for a cut.

    Once a farm morning; each cut is written about once. Safe to run late or twice.
    """
    local = timezone.localtime(now)
    key = f"mix bases {local:%Y-%m-%d}"
    if is_done(key=key):
        return
    on, book = local.date(), SettingBook.read(on=local.date())
    if local.hour < book.whole("morning_letters_h"):
        return
    with transaction.atomic():
        if is_first(key=key, now=now):
            _write(on, now, book)


def _write(on: date, now: datetime, book: SettingBook) -> None:
    is_work_day = work_days()
    needs = plan_bases(
        wanted=bases_wanted(cuts=wanted_cuts(on=on, book=book, form_key=ON_BASES).cuts, on=on),
        on=on,
        is_work_day=is_work_day,
        book=book,
    )
    notice = book.whole("base_notice_days")
    due = [
        need
        for need in needs
        if need.batches and work_days_until(need.mix_by_on, on, is_work_day) <= notice
    ]
    write_messages([letter for need in due for letter in _letters(need)], now=now)


def work_days_until(last: date, on: date, is_work_day: Callable[[date], bool]) -> int:
    """Work days from one day up to another, the first not counted. [day]"""
    return sum(is_work_day(on + timedelta(days=ahead)) for ahead in range(1, (last - on).days + 1))


def _letters(need: BaseNeed) -> list[Letter]:
    return [
        Letter(
            key=f"mix bases:{need.cut_on}",
            kind="mix bases by",
            user=user,
            subject=f"Mix bases by {need.mix_by_on:%a %-d %b}: {need.short_pieces} are short",
            why="you plan the cuts",
            action=Action("Plan and mix the bases", reverse("mounts")),
            template="mix_bases",
            context={"need": need},
        )
        for user in people(Role.LEAD)
    ]
