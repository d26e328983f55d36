from django.urls import path

from inventory import pages

urlpatterns = [
    path("holds/", pages.holds_page, name="holds"),
    path("holds/<int:hold_id>/<str:act>/", pages.hold_act_page, name="hold-act"),
]
