"""The page on which a sent order is changed. Thin: it reads what was typed and calls the hop."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from inventory.clock import farm_now, farm_today
from inventory.door import signed_in
from inventory.errors import FarmError
from orders.calc.cells import read_asked
from orders.calc.weeks import zoned_text
from orders.change_records import STANDING, changes_shown, when_words
from orders.changing import (
    ChangeNotRight,
    OrderChangedSince,
    Wanted,
    change_order,
    may_change,
)
from orders.likely import keep_words, read_asks
from orders.listing import newest_version, shown_words
from orders.models import LikelyWord, Line, ListLine, Order
from orders.pages import order_for, zone_for
from orders.promising import AboveWhatIsLeft
from orders.rules import RuleBook
from orders.weeks import week_line

KINDS = ("ask", "least")


@dataclass(slots=True)
class _Row:
    """One line of the form, with what was typed and what is wrong with it."""

    name: str
    title: str
    unit: int
    unit_word: str
    price: Any
    was: str
    was_least: str
    words: str
    typed: str = ""
    typed_least: str = ""
    problem: str = ""

    def __post_init__(self) -> None:
        self.typed, self.typed_least = self.was, self.was_least


@login_required
def change_page(request: HttpRequest, number: str) -> HttpResponse:
    """A sent order's lines and what else is on the list, each with a field."""
    user, now = signed_in(request), farm_now()
    order = order_for(user, number)
    refusal: FarmError | None = None
    if request.method == "POST":
        try:
            return _change(request, order, number)
        except (ChangeNotRight, OrderChangedSince, AboveWhatIsLeft) as error:
            # Shown where it was typed: nothing typed is lost, and what is to mend stands beside.
            refusal = error
    zone = zone_for(user, order.ship_to)
    rows, more = _rows(request, order, refusal)
    context = {
        "order": order,
        "rows": rows,
        "more": more,
        "refusal": refusal,
        "seen": order.version,
        "may_change": may_change(order=order, now=now),
        "may_withdraw": Order.State.WITHDRAWN in Order.MOVES[order.state],
        "cut_off_words": zoned_text(at=order.week.cut_off_at, zone=zone),
        "changes": [(when_words(row, zone=zone), row.words) for row in changes_shown(order=order)],
        "week_line": week_line(week=order.week, now=now, zone=zone, ship_on=order.ship_on),
    }
    status = refusal.status if refusal else 200
    return render(request, "orders/change.html", context, status=status)


def _change(request: HttpRequest, order: Order, number: str) -> HttpResponse:
    now = farm_now()
    asks = read_asks(week=order.week, now=now)
    change = change_order(
        order_id=order.pk,
        wanted=_wanted(request),
        version_seen=_posted_version(request),
        now=now,
        user=signed_in(request),
    )
    if change is None:
        messages.success(request, f"Nothing differs: order {number} stands as it was.")
        return redirect("order", number)
    LikelyWord.objects.filter(line__change_rows__change=change).delete()
    keep_words(order=order, asks=asks)
    messages.success(request, f"Order {number} is changed.")
    return redirect("order", number)


def _posted_version(request: HttpRequest) -> int:
    text = request.POST.get("version", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 9 else 0


def _wanted(request: HttpRequest) -> list[Wanted]:
    """The rows that were typed otherwise than they were shown; one that cannot be read stops all.

    What nobody touched in this window is not sent on: another window may have changed it.
    """
    found = [Wanted(str(name), 0) for name in request.POST.getlist("off")]
    problems = []
    for index, name in enumerate(_asked_names(request), 1):
        if not _is_touched(request, name):
            continue
        asked, least = (read_asked(request.POST.get(f"{kind}:{name}", "")) for kind in KINDS)
        bad = next((cell for cell in (asked, least) if cell.is_bad), None)
        if bad is not None:
            row = {"row": index, "listing": name, "code": bad.code, "detail": bad.words}
            problems.append(row)
        else:
            found.append(Wanted(name, asked.value or 0, least=least.value if asked.value else None))
    if problems:
        first = f"{problems[0]['listing']}: {problems[0]['detail']}"
        raise ChangeNotRight(first=first, rows=problems)
    return found


def _asked_names(request: HttpRequest) -> list[str]:
    return [name[4:] for name in request.POST if name.startswith("ask:")]


def _is_touched(request: HttpRequest, name: str) -> bool:
    """Whether a row's fields read otherwise than when the page was shown."""
    return any(
        request.POST.get(f"{kind}:{name}", "").strip() != request.POST.get(f"{kind}-was:{name}", "")
        for kind in KINDS
    )


def _rows(
    request: HttpRequest, order: Order, refusal: FarmError | None
) -> tuple[list[_Row], list[_Row]]:
    """The order's own lines, and the lines of the newest list that could be added."""
    version = newest_version(week=order.week)
    lines: list[ListLine] = []
    if version is not None:
        lines = list(
            version.lines.select_related(
                "listing__strain_form__form", "listing__strain_form__strain__strain_class"
            )
        )
    offered = {row.listing_id: row for row in lines}
    own = order.lines.filter(state__in=STANDING).select_related(
        "listing__strain_form__form", "promise"
    )
    rows = [_own_row(line, offered.get(line.listing_id)) for line in own]
    mine = {line.listing_id for line in own}
    book = RuleBook.read(ship_to=order.ship_to)
    more = [
        _more_row(row, order.customer.tier_on(farm_today()))
        for row in lines
        if row.listing_id not in mine
        and row.status == ListLine.Status.OFFERED
        and book.judge(strain=row.listing.strain_form.strain, on=order.ship_on).verdict != "forbid"
    ]
    if refusal is not None:
        _keep_typed(request, (*rows, *more), refusal)
    return rows, more


def _keep_typed(request: HttpRequest, rows: Sequence[_Row], refusal: FarmError) -> None:
    """What was typed stays in its field, with what is to mend; the other fields show what is."""
    faults = {row["listing"]: row["detail"] for row in refusal.facts.get("rows", [])}
    for row in rows:
        row.problem = faults.get(row.name, "")
        if _is_touched(request, row.name):
            row.typed = request.POST.get(f"ask:{row.name}", row.typed)
            row.typed_least = request.POST.get(f"least:{row.name}", row.typed_least)


def _own_row(line: Line, offered: ListLine | None) -> _Row:
    left = ""
    if offered is None or offered.status != ListLine.Status.OFFERED:
        left = f"{offered.status if offered else 'not on the list'}: it can only be lowered"
    promise = getattr(line, "promise", None)
    held = promise.units if promise is not None and promise.state in promise.LIVE else 0
    return _Row(
        name=line.listing.name,
        title=line.listing.title,
        unit=line.unit,
        unit_word=line.listing.strain_form.form.unit_word,
        price=line.unit_price,
        was=str(line.asked),
        was_least=str(line.least),
        words="; ".join(
            part
            for part in (
                line.listing.strain_form.form.unit_word,
                line.listing.look_words,
                f"{held} pencilled" if held else "",
                left,
            )
            if part
        ),
    )


def _more_row(row: ListLine, tier: int) -> _Row:
    return _Row(
        name=row.listing.name,
        title=row.listing.title,
        unit=1,
        unit_word=row.listing.strain_form.form.unit_word,
        price=row.price(tier),
        was="",
        was_least="",
        words="; ".join(
            part
            for part in (
                f"may have {shown_words(row.shown, row.can_promise)} "
                f"{row.listing.strain_form.form.unit_word}",
                row.listing.look_words,
            )
            if part
        ),
    )
