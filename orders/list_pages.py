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
from inventory.errors import Unknown
from inventory.models import Site, User
from inventory.setting_book import SettingBook
from orders.basket import (
    BasketEmpty,
    BasketNotRight,
    Typed,
    keep_as_standing,
    repeat_last_order,
    save_basket,
    send_basket,
    watch_listing,
)
from orders.calc.weeks import time_text
from orders.likely import keep_words, read_asks, track_record
from orders.list_rows import fill_in, hide_forbidden, list_groups, mark_watches
from orders.listing import draft_list, newest_version
from orders.models import Basket, Customer, ListVersion, Order, ShipTo, ShipWeek
from orders.pages import customer_of, signed_in, staff_only
from orders.papers import availability_pdf
from orders.weeks import week_line, week_named


@login_required
def list_page(request: HttpRequest, week_name: str) -> HttpResponse:
    """The week's list for one ship-to, with what it has typed kept beside each line."""
    user = signed_in(request)
    week = week_named(name=week_name)
    customer = customer_of(user)
    ship_tos = _ship_tos_for(user, customer)
    ship_to = _chosen_ship_to(request, ship_tos)
    if request.method == "POST":
        return _act(request, user, week, ship_to)
    versions = list(week.versions.defer("snapshot"))
    version = _version_shown(request, versions)
    if version is None:
        raise Unknown(kind="list for", name=week_name)
    can_order = bool(
        week.closed_at is None
        and version == versions[-1]
        and ship_to
        and (customer or user.may("order_for_customer"))
    )
    context = _context(user, customer, week, version, versions, ship_to)
    basket = _basket_of(ship_to, week) if can_order and ship_to else None
    groups = list_groups(version=version, tier=context["tier"])
    if ship_to is not None:
        hide_forbidden(groups=groups, ship_to=ship_to, on=week.first_ship_on)
        mark_watches(groups=groups, customer=ship_to.customer)
    totals = None
    if basket is not None and ship_to is not None:
        asks = read_asks(week=week, now=farm_now())
        totals = fill_in(groups=groups, basket=basket, asks=asks, ship_to=ship_to)
    context |= {
        "groups": groups,
        "can_order": can_order,
        "ship_tos": ship_tos,
        "basket": basket,
        "totals": totals,
        "record": _record_words(),
        "order_key": secrets.token_urlsafe(16),
        "has_toxic": any(row.is_toxic for group in groups for row in group.rows),
        "news": [row for group in groups for row in group.rows if row.is_news],
    }
    return render(request, "orders/list.html", context)


def _context(
    user: User,
    customer: Customer | None,
    week: ShipWeek,
    version: ListVersion,
    versions: list[ListVersion],
    ship_to: ShipTo | None,
) -> dict[str, Any]:
    zone = ship_to.time_zone if customer and ship_to else timezone.get_current_timezone_name()
    whose = customer or (ship_to.customer if ship_to else None)
    return {
        "week": week,
        "week_number": week.name[-2:],
        "version": version,
        "versions": versions,
        "farm_name": _farm_name(),
        "ship_to": ship_to,
        "tier": whose.tier_on(farm_today()) if whose else 1,
        "is_staff": user.is_staff_member,
        "is_open": week.closed_at is None,
        "ship_days": [
            {"value": day.isoformat(), "words": f"{day:%a %-d %b}"} for day in week.ship_days
        ],
        "published_words": time_text(at=version.published_at, zone=zone),
        "cut_off_words": time_text(at=week.cut_off_at, zone=zone),
        "week_line": week_line(week=week, now=farm_now(), zone=zone),
    }


def _basket_of(ship_to: ShipTo, week: ShipWeek) -> Basket | None:
    return Basket.objects.filter(ship_to=ship_to, week=week).first()


def _record_words() -> str:
    """How often likely promises came true, once there are any to count."""
    true, said = track_record()
    return f"Such words came true {true} of {said} times." if said else ""


def _version_shown(request: HttpRequest, versions: list[ListVersion]) -> ListVersion | None:
    """The version asked for by number, else the newest."""
    wanted = request.GET.get("version", "")
    asked = [row for row in versions if str(row.number) == wanted]
    shown = asked or versions[-1:]
    return shown[0] if shown else None


def _farm_name() -> str:
    return Site.objects.filter(is_origin=True).values_list("name", flat=True).first() or "The farm"


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
    if act == "repeat" or act.startswith("watch:"):
        _fill_or_watch(request, user, week, ship_to)
        return here
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


def _fill_or_watch(request: HttpRequest, user: User, week: ShipWeek, ship_to: ShipTo) -> None:
    """Fill the last order in, or ask to be told of a return. What was typed is kept first."""
    now, act = farm_now(), request.POST["act"]
    save_basket(ship_to=ship_to, week=week, typed=_typed(request), user=user, now=now)
    if act == "repeat":
        dropped = repeat_last_order(ship_to=ship_to, week=week, user=user, now=now)
        messages.success(request, f"{dropped.filled} rows of your last order are filled in.")
        for words in dropped.left_out:
            messages.warning(request, f"Not this week: {words}.")
        return
    watch = watch_listing(customer=ship_to.customer, listing_name=act[6:], user=user, now=now)
    messages.success(request, f"We write to you when {watch.listing.title} is back.")


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
