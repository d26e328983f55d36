"""Pages of the week's list: what is offered, ordering from it, and the numbers behind it."""

import secrets
from datetime import date
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from inventory.clock import farm_now, farm_today
from inventory.door import signed_in, staff_only
from inventory.errors import Unknown
from inventory.models import User
from inventory.setting_book import SettingBook
from orders.basket import (
    BasketEmpty,
    BasketNotRight,
    Typed,
    add_wanted,
    keep_as_standing,
    repeat_last_order,
    save_basket,
    send_basket,
    watch_listing,
)
from orders.calc.weeks import time_text, zoned_text
from orders.likely import Asks, keep_words, read_asks
from orders.list_read import Who, read_beside, read_who
from orders.list_rows import (
    draw_rows,
    fill_in,
    hide_forbidden,
    list_groups,
    row_anchor,
    show_watches,
)
from orders.listing import draft_list, newest_version
from orders.models import Basket, Customer, Order, ShipTo, ShipWeek
from orders.pages import customer_of
from orders.papers import availability_pdf
from orders.weeks import week_line, week_named


@login_required
def list_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """The week's list for one ship-to, with what it has typed kept beside each line."""
    user = signed_in(request)
    if request.method == "POST":
        ship_tos = _ship_tos_for(user, customer_of(user))
        ship_to = _chosen_ship_to(request, ship_tos)
        return _act(request, user, week_named(name=week_name), ship_to)
    who = read_who(
        user=user,
        ship_to_code=request.GET.get("ship_to"),
        week_name=week_name,
        number=request.GET.get("version", ""),
    )
    # The masthead tells the same time and week: it need not ask again.
    request.masthead_read = who  # type: ignore[attr-defined]
    context = _context(user, who)
    context |= _rows(who, can_order=context["can_order"])
    return render(request, "orders/list.html", context)


def _context(user: User, who: Who) -> dict[str, Any]:
    version, reader = who.version, who.ship_to
    week = version.week
    zone = timezone.get_current_timezone_name()
    if who.customer and reader:
        zone = reader.time_zone
    is_newest = version.number == who.newest
    return {
        "week": week,
        "week_number": week.name[-2:],
        "version": version,
        "versions": range(1, who.newest + 1),
        "farm_name": who.farm_name,
        "ship_to": reader,
        "ship_tos": who.ship_tos,
        "tier": who.tier,
        "is_staff": user.is_staff_member,
        "is_open": week.closed_at is None,
        "can_order": bool(week.closed_at is None and is_newest and reader),
        "order_key": secrets.token_urlsafe(16),
        "ship_days": [
            {"value": day.isoformat(), "words": f"{day:%a %-d %b}"} for day in week.ship_days
        ],
        "published_words": time_text(at=version.published_at, zone=zone),
        "cut_off_words": zoned_text(at=week.cut_off_at, zone=zone),
        "week_line": week_line(week=week, now=who.now, zone=zone),
    }


def _rows(who: Who, *, can_order: bool) -> dict[str, Any]:
    """The lines as this ship-to may read them, with its draft filled in where it may order."""
    week = who.version.week
    groups = list_groups(version=who.version, tier=who.tier)
    totals, ship_on, record = None, None, ""
    if who.ship_to is not None:
        beside = read_beside(ship_to=who.ship_to, week=week, now=who.now)
        hide_forbidden(groups=groups, book=beside.book, on=week.first_ship_on)
        show_watches(groups=groups, watches=beside.watches, since=week.published_at)
        if can_order and beside.asks is not None:
            record, ship_on = _record_words(beside.asks), beside.ship_on
            totals = fill_in(
                groups=groups,
                draft=beside.draft,
                asks=beside.asks,
                customer=who.ship_to.customer,
                tier=who.tier,
            )
    draw_rows(groups=groups, can_order=can_order)
    rows = [row for group in groups for row in group.rows]
    return {
        "groups": groups,
        "totals": totals,
        "ship_on": ship_on.isoformat() if ship_on else "",
        "record": record,
        "has_old_counts": any("old count" in row.words for row in rows),
        "has_toxic": any(row.is_toxic for row in rows),
        "news": [row for row in rows if row.is_news],
        # Answered in place when the draft is kept: what stands beside each field.
        "says": ",".join(f"#says-{row.id}" for row in rows if row.is_orderable),
    }


def _record_words(asks: Asks) -> str:
    """How often likely promises came true, once there are any to count."""
    true, said = asks.record
    return f"Such words came true {true} of {said} times." if said else ""


def _ship_tos_for(user: User, customer: Customer | None) -> list[ShipTo]:
    if customer is not None:
        return list(customer.ship_tos.select_related("customer"))
    if user.may("order_for_customer"):
        return list(ShipTo.objects.select_related("customer"))
    return []


def _chosen_ship_to(request: HttpRequest, ship_tos: list[ShipTo]) -> ShipTo | None:
    """The ship-to named in the form or the address; a buyer's only one without being named."""
    wanted = request.POST.get("ship_to") or request.GET.get("ship_to")
    named = next((row for row in ship_tos if row.code == wanted), None)
    return named or (ship_tos[0] if ship_tos else None)


def _act(request: HttpRequest, user: User, week: ShipWeek, ship_to: ShipTo | None) -> HttpResponse:
    """Keep what was typed, then do what the button said."""
    if customer_of(user) is None:
        user.must("order_for_customer")
    if ship_to is None:
        raise Unknown(kind="ship-to", name=request.POST.get("ship_to") or "(none)")
    wanted = request.POST.get("ship_to")
    if wanted and wanted != ship_to.code:
        raise Unknown(kind="ship-to", name=wanted)
    here = redirect(f"{reverse('list', args=[week.name])}?ship_to={ship_to.code}")
    act = request.POST.get("act", "send")
    if act == "repeat" or act.startswith(("watch:", "add:")):
        at = _fill_or_watch(request, user, week, ship_to)
        return redirect(f"{here.url}{at}")
    basket = save_basket(
        ship_to=ship_to,
        week=week,
        typed=_typed(request),
        user=user,
        now=farm_now(),
        ship_on=_posted_day(request, week),
        version_seen=_posted_whole(request, "version"),
    )
    if act == "standing":
        kept = keep_as_standing(basket=basket)
        messages.success(request, f"{kept} rows are your standing basket from now on.")
        return here
    if act == "save":
        messages.success(request, "Your draft is kept. Nothing is ordered yet.")
        return here
    return _send(request, user, basket, here)


def _fill_or_watch(request: HttpRequest, user: User, week: ShipWeek, ship_to: ShipTo) -> str:
    """Fill the last order in, ask to be told of a return, or add what is back. What was typed is
    kept first. Returns where on the page to go on."""
    now, act = farm_now(), request.POST["act"]
    save_basket(ship_to=ship_to, week=week, typed=_typed(request), user=user, now=now)
    if act == "repeat":
        dropped = repeat_last_order(ship_to=ship_to, week=week, user=user, now=now)
        messages.success(request, f"{dropped.filled} rows of your last order are filled in.")
        for words in dropped.left_out:
            messages.warning(request, f"Not this week: {words}.")
        return ""
    if act.startswith("add:"):
        wanted = int(act[4:]) if act[4:].isascii() and act[4:].isdigit() else 0
        row = add_wanted(watch_id=wanted, ship_to=ship_to, week=week, user=user, now=now)
        words = f"{row.asked} {row.listing.title} stand in your draft. Nothing is ordered yet."
        messages.success(request, words)
        return f"#{row_anchor(row.listing.name)}"
    watch = watch_listing(ship_to=ship_to, listing_name=act[6:], user=user, now=now)
    messages.success(request, f"We write to you when {watch.listing.title} is back.")
    return f"#{row_anchor(watch.listing.name)}"


def _send(request: HttpRequest, user: User, basket: Basket, here: HttpResponse) -> HttpResponse:
    now = farm_now()
    asks = read_asks(week=basket.week, now=now)
    try:
        order = send_basket(
            basket=basket,
            ship_on=basket.ship_on or basket.week.first_ship_on,
            source=_source_of(user, basket),
            idempotency_key=request.POST.get("key") or secrets.token_urlsafe(16),
            user=user,
            now=now,
            takes_now=request.POST.get("takes_now") == "on",
        )
    except (BasketNotRight, BasketEmpty) as refusal:
        # Shown where it was typed: the rows to mend stand beside their fields.
        messages.error(request, refusal.sentence)
        return here
    keep_words(order=order, asks=asks)
    messages.success(request, f"Order {order.number} is sent.")
    return redirect("order", order.number)


def _source_of(user: User, basket: Basket) -> str:
    """How an order came in: a draft that a sheet was read into counts as one by sheet."""
    if basket.sheets_read.filter(put_back_at__isnull=True).exists():
        return Order.Source.SHEET
    return Order.Source.PHONE if user.is_staff_member else Order.Source.PAGE


def _typed(request: HttpRequest) -> dict[str, Typed]:
    """Every row of the form as it was typed, by listing."""
    return {
        name[4:]: Typed(str(text), request.POST.get(f"least:{name[4:]}", ""))
        for name, text in request.POST.items()
        if name.startswith("ask:")
    }


def _posted_day(request: HttpRequest, week: ShipWeek) -> date | None:
    """The ship day chosen; blank or one that is none of the week's is not guessed."""
    try:
        on = date.fromisoformat(request.POST.get("ship_on", ""))
    except ValueError:
        return None
    return on if on in week.ship_days else None


def _posted_whole(request: HttpRequest, name: str) -> int | None:
    text = request.POST.get(name, "")
    return int(text) if text.isascii() and text.isdigit() else None


@login_required
def list_pdf(request: HttpRequest, week_name: str) -> HttpResponse:
    """The list on paper, at the reader's own prices."""
    week = week_named(name=week_name)
    version = newest_version(week=week)
    if version is None:
        raise Unknown(kind="list for", name=week_name)
    customer = customer_of(signed_in(request))
    tier = customer.tier_on(farm_today()) if customer else 1
    answer = HttpResponse(
        availability_pdf(version=version, tier=tier), content_type="application/pdf"
    )
    answer["Content-Disposition"] = f'inline; filename="availability-{week.name}.pdf"'
    return answer


@login_required
def numbers_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """Every listing's can-promise with its terms, as of now."""
    staff_only(request)
    week = week_named(name=week_name)
    now = farm_now()
    rows = [
        {
            "name": line.listing.name,
            "title": line.listing.title,
            "status": line.status,
            "state_slug": line.status.replace(" ", "-"),
            "reason": line.reason or line.note,
            "total": line.total,
            "unit_word": line.listing.strain_form.form.unit_word,
            "terms": line.terms,
            "promised": (line.gross - line.total) or "",
        }
        for line in draft_list(week=week, now=now, book=SettingBook.read(on=farm_today()))
    ]
    zone = timezone.get_current_timezone_name()
    context = {
        "week": week,
        "rows": rows,
        "now_words": time_text(at=now, zone=zone),
        "week_line": week_line(week=week, now=now, zone=zone),
    }
    return render(request, "orders/numbers.html", context)
