from django.urls import path

from shipping import arrival_api

urlpatterns = [
    path("orders/<str:number>/arrival/", arrival_api.ArrivalView.as_view(), name="api-arrival"),
]
