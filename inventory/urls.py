from django.urls import path

from inventory import care_pages, message_pages, pages

urlpatterns = [
    path("holds/", pages.holds_page, name="holds"),
    path("messages/", message_pages.messages_page, name="messages"),
    path("messages/<int:message_id>/", message_pages.message_page, name="message"),
    path(
        "messages/<int:message_id>/again/", message_pages.message_again_page, name="message-again"
    ),
    path("holds/<int:hold_id>/<str:act>/", pages.hold_act_page, name="hold-act"),
    path("care/", care_pages.care_page, name="care"),
    path("water/", care_pages.water_page, name="water"),
]
