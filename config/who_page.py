"""Who has not ordered yet, and what each shop asked, got and kept. Thin: rows are read."""

from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.charts import ask_chart
from inventory.clock import farm_now
from inventory.door import staff_only
from inventory.setting_book import SettingBook
from orders.calc.weeks import time_text
from orders.models import ShipWeek
from orders.weeks import week_line, week_named
from orders.who_ordered import Record, ShopRecord, not_ordered, record_of, weeks_up_to
from shipping.losses import lost_by_shop


@login_required
def who_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """The shops to have a word with before the cut-off, then asked against promised and kept."""
    user, now, week = staff_only(request), farm_now(), week_named(name=week_name)
    zone = timezone.get_current_timezone_name()
    book = SettingBook.read(on=timezone.localdate(now))
    weeks = weeks_up_to(week=week, weeks=book.whole("ask_record_weeks"))
    open_week = week if week.inked_at is None else None
    record = record_of(weeks=weeks, open_week=open_week, lost=lost_by_shop(weeks=weeks))
    silent = not_ordered(week=week)
    context: dict[str, Any] = {
        "week": week,
        "silent": silent,
        "prepared": sum(row.is_prepared for row in silent),
        "may_order": user.may("order_for_customer") and _is_open(week),
        "is_open": _is_open(week),
        "state_words": _state_words(week, zone),
        "record": record,
        "asks_now": sum(shop.asks_now or 0 for shop in record.shops),
        "record_words": _record_words(record),
        "weeks_words": ", ".join(row.name for row in weeks),
        "chart": _chart(record),
        "week_line": week_line(week=week, now=now, zone=zone),
    }
    return render(request, "who_ordered.html", context)


def _is_open(week: ShipWeek) -> bool:
    return week.published_at is not None and week.closed_at is None


def _state_words(week: ShipWeek, zone: str) -> str:
    if week.published_at is None:
        return f"the list goes out {time_text(at=week.publish_at, zone=zone)}"
    word = "was" if week.closed_at else "is"
    return f"the cut-off {word} {time_text(at=week.cut_off_at, zone=zone)}"


def _record_words(record: Record) -> str:
    """The sentence of the picture: who was promised least of what it asked, and how all fare."""
    known = [shop for shop in record.shops if shop.total.percent is not None]
    if not known or record.total.percent is None:
        return ""
    least = min(known, key=lambda shop: (shop.total.percent or 0, shop.code))
    return (
        f"All shops together were promised {record.total.percent}% of what they asked. "
        f"{least.name} asked {least.total.asked} pieces and was promised {least.total.promised}, "
        f"{least.total.percent}%."
    )


def _chart(record: Record) -> str:
    """Once something has been promised; before that there is nothing to hold asks against."""
    if record.total.percent is None:
        return ""
    return ask_chart(rows=[_bar(shop) for shop in record.shops if shop.weeks])


def _bar(shop: ShopRecord) -> tuple[str, int, int, int | None]:
    return shop.name, shop.total.asked, shop.total.promised, shop.total.alive
