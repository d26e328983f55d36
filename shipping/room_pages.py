"""The page of a basket in boxes. Thin caller of shipping.room."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from inventory.clock import farm_today
from inventory.door import signed_in
from inventory.errors import Unknown
from orders.models import Basket
from orders.pages import customer_of
from orders.weeks import week_named
from shipping.models import Forecast
from shipping.room import room_of


@login_required
def room_page(request: HttpRequest, week_name: str, ship_to_code: str) -> HttpResponse:
    """Boxes, room and freight of a draft; another shop's draft does not exist."""
    user = signed_in(request)
    week = week_named(name=week_name)
    baskets = Basket.objects.filter(week=week, ship_to__code=ship_to_code)
    if not user.may("order_for_customer"):
        baskets = baskets.filter(ship_to__customer=customer_of(user))
    basket = baskets.select_related("ship_to__zone", "ship_to__customer").first()
    if basket is None:
        raise Unknown(kind="basket of ship-to", name=ship_to_code)
    has_forecast = Forecast.objects.filter(
        ship_to=basket.ship_to, ship_on__in=week.ship_days
    ).exists()
    context = {
        "week": week,
        "basket": basket,
        "room": room_of(basket=basket, on=farm_today()),
        "has_forecast": has_forecast,
    }
    return render(request, "shipping/room.html", context)
