"""The what-if bench: ask, read, and sign from the same page. Thin: acts are made, not judged."""

from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from config import what_if
from config.what_if_acts import (
    Act,
    LiftHold,
    LowerFloor,
    MoveShipDay,
    NewPrice,
    OtherWeather,
    RaiseHold,
)
from inventory.clock import farm_now
from inventory.door import staff_only
from inventory.errors import FarmError, Unknown
from inventory.models import Hold, Listing, Strain
from orders.models import Lane, ShipTo
from shipping.models import Forecast

Fields = Mapping[str, str]


class WhatIfUnreadable(FarmError):
    code = "what_if_unreadable"
    status = 422
    title = "That cannot be asked yet"
    message = "{field}: {typed} is not {wanted}. Type it as {like}."


def _day(fields: Fields, name: str, words: str) -> date:
    text = fields.get(name, "").strip()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise WhatIfUnreadable(
            field=words, typed=_shown(text), wanted="a day", like="2026-12-11"
        ) from None


def _number(fields: Fields, name: str, words: str) -> float:
    text = fields.get(name, "").strip()
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -60 <= value <= 60:
        raise WhatIfUnreadable(
            field=words, typed=_shown(text), wanted="a temperature from -60 to 60 °C", like="-4.5"
        )
    return value


def _money(fields: Fields, name: str, words: str) -> Decimal:
    text = fields.get(name, "").strip()
    try:
        return Decimal(text)
    except InvalidOperation:
        raise WhatIfUnreadable(
            field=words, typed=_shown(text), wanted="an amount", like="14.00"
        ) from None


def _whole(fields: Fields, name: str, words: str) -> int:
    text = fields.get(name, "").strip()
    if not text.isascii() or not text.isdecimal() or len(text) > 4:
        raise WhatIfUnreadable(
            field=words, typed=_shown(text), wanted="a whole number of pieces", like="8"
        )
    return int(text)


def _shown(text: str) -> str:
    return f"“{text[:30]}”" if text else "nothing"


def _one(model: Any, kind: str, value: str, field: str = "code") -> Any:
    row = model.objects.filter(**{field: value}).first()
    if row is None:
        raise Unknown(kind=kind, name=value or "(none)")
    return row


def _lift(fields: Fields) -> Act:
    hold = _one(Hold, "hold", fields.get("hold", ""))
    return LiftHold(hold=hold, on=_day(fields, "on", "Day"), reason=fields.get("reason", ""))


def _raise(fields: Fields) -> Act:
    return RaiseHold(
        scope_kind=fields.get("scope_kind", ""),
        scope=fields.get("scope", "").strip().upper(),
        grade=fields.get("grade", ""),
        reason=fields.get("reason", "").strip(),
    )


def _ship_day(fields: Fields) -> Act:
    lane = _one(Lane, "lane", fields.get("lane", ""))
    was, to = _day(fields, "was", "Ships on"), _day(fields, "to", "Instead on")
    return MoveShipDay(lane=lane.code, was=was, to=to, reason=fields.get("reason", ""))


def _weather(fields: Fields) -> Act:
    return OtherWeather(
        ship_to=_one(ShipTo, "ship-to", fields.get("ship_to", "")),
        ship_on=_day(fields, "ship_on", "Ship day"),
        evening_c=_number(fields, "evening_c", "Evening"),
        hub_c=_number(fields, "hub_c", "Hub at night"),
        morning_c=_number(fields, "morning_c", "Morning"),
        midday_c=_number(fields, "midday_c", "Midday"),
    )


def _price(fields: Fields) -> Act:
    return NewPrice(
        listing=_one(Listing, "listing", fields.get("listing", "").strip(), "name"),
        list_price=_money(fields, "list_price", "List price"),
        starts_on=_day(fields, "starts_on", "From"),
        reason=fields.get("reason", "").strip(),
    )


def _floor(fields: Fields) -> Act:
    return LowerFloor(
        strain=_one(Strain, "strain", fields.get("strain", "").strip().upper(), "key"),
        pieces=_whole(fields, "pieces", "Floor"),
        reason=fields.get("reason", "").strip(),
    )


ACTS: dict[str, Callable[[Fields], Act]] = {
    "lift": _lift,
    "raise": _raise,
    "day": _ship_day,
    "weather": _weather,
    "price": _price,
    "floor": _floor,
}


@login_required
def what_if_page(request: HttpRequest) -> HttpResponse:
    """Ask by GET, so that a question has an address; sign by POST with the mark of the answer."""
    user, now = staff_only(request), farm_now()
    fields = request.POST if request.method == "POST" else request.GET
    kind = fields.get("act", "")
    context: dict[str, Any] = {"kind": kind, "typed": fields.dict(), **_choices(now)}
    status = 200
    if kind:
        try:
            act = _act(kind, fields)
            if request.method == "POST":
                words = what_if.sign(act=act, mark=fields.get("mark", ""), now=now, user=user)
                messages.success(request, f"Signed: {words}.")
                return redirect("what-if")
        except what_if.FarmChangedSince as error:
            context["error"], status = error, error.status
        except FarmError as error:
            context["error"], status = error, error.status
            return render(request, "what_if.html", context, status=status)
        try:
            context |= {
                "asked": what_if.ask(act=act, now=now, user=user),
                "may_sign": user.may(act.right) and act.can_sign(now=now),
                "act_words": act.words,
            }
        except FarmError as error:
            context["error"], status = error, error.status
    return render(request, "what_if.html", context, status=status)


def _act(kind: str, fields: Fields) -> Act:
    if kind not in ACTS:
        raise Unknown(kind="what-if", name=kind[:30])
    return ACTS[kind](fields)


def _choices(now: Any) -> dict[str, Any]:
    """What the forms offer, so that little has to be typed."""
    holds = Hold.objects.filter(state__in=Hold.OPEN)
    today = timezone.localdate(now)
    return {
        "open_holds": [
            {
                "code": hold.code,
                "words": f"{hold.code} on {hold.scope}",
                "on": hold.earliest_lift_on().isoformat(),
            }
            for hold in holds.prefetch_related("looks")
        ],
        "lanes": Lane.objects.order_by("code"),
        "ship_tos": ShipTo.objects.select_related("customer").order_by("code"),
        "listings": Listing.objects.order_by("name").values_list("name", flat=True),
        "strains": Strain.objects.order_by("key"),
        "today": today.isoformat(),
        "ship_days": sorted(
            set(Forecast.objects.filter(ship_on__gte=today).values_list("ship_on", flat=True))
        ),
    }
