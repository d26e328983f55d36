from django.urls import path

from orders import api

urlpatterns = [
    path("weeks/", api.WeeksView.as_view(), name="api-weeks"),
    path("weeks/<str:week_name>/lines/", api.LinesView.as_view(), name="api-lines"),
    path("orders/", api.OrdersView.as_view(), name="api-orders"),
    path("orders/<str:number>/", api.OrderView.as_view(), name="api-order"),
    path("orders/<str:number>/withdraw/", api.WithdrawView.as_view(), name="api-withdraw"),
    path("changes/", api.ChangesView.as_view(), name="api-changes"),
]
