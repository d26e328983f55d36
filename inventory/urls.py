from django.urls import path

from inventory import care_pages, message_pages, pages, walk_pages

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
    path("walk/notes/", walk_pages.notes_view, name="walk-notes"),
    path("walk/missing/", walk_pages.missing_view, name="walk-missing"),
    path("walk/note/", walk_pages.note_view, name="walk-note"),
    path("walk/strains/<str:key>/photo/", walk_pages.strain_photo_view, name="strain-photo"),
    path("walk/<str:code>/", walk_pages.place_page, name="walk-place"),
    path("t/<str:code>/", walk_pages.tray_mark_page, name="tray-mark"),
]
