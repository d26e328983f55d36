from django.urls import path

from orders import api, hook_api, photo_api, rest_api, strain_api

urlpatterns = [
    path("weeks/", api.WeeksView.as_view(), name="api-weeks"),
    path("weeks/<str:week_name>/lines/", api.LinesView.as_view(), name="api-lines"),
    path("strains/<str:key>/", strain_api.StrainView.as_view(), name="api-strain"),
    path("listings/<str:name>/photo/", photo_api.PhotoView.as_view(), name="api-photo"),
    path("orders/", api.OrdersView.as_view(), name="api-orders"),
    path("orders/<str:number>/", api.OrderView.as_view(), name="api-order"),
    path("orders/<str:number>/withdraw/", api.WithdrawView.as_view(), name="api-withdraw"),
    path("orders/<str:number>/rests/", rest_api.RestsView.as_view(), name="api-rests"),
    path("orders/<str:number>/rests/<int:question>/", rest_api.RestView.as_view(), name="api-rest"),
    path("hooks/", hook_api.HooksView.as_view(), name="api-hooks"),
    path("hooks/<int:number>/", hook_api.HookView.as_view(), name="api-hook"),
    path("hooks/<int:number>/renew/", hook_api.HookRenewView.as_view(), name="api-hook-renew"),
    path("changes/", api.ChangesView.as_view(), name="api-changes"),
]
