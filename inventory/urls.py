from django.urls import path

from inventory import (
    card_pages,
    care_pages,
    colour_pages,
    healing_pages,
    house_pages,
    message_pages,
    pages,
    phone_pages,
    season_pages,
    walk_pages,
)

urlpatterns = [
    path("holds/", pages.holds_page, name="holds"),
    path("messages/", message_pages.messages_page, name="messages"),
    path("messages/<int:message_id>/", message_pages.message_page, name="message"),
    path(
        "messages/<int:message_id>/again/", message_pages.message_again_page, name="message-again"
    ),
    path("holds/<int:hold_id>/<str:act>/", pages.hold_act_page, name="hold-act"),
    path("house/", house_pages.house_page, name="house"),
    path("cuts/", healing_pages.healing_page, name="healing"),
    path("growing/", season_pages.growing_page, name="growing"),
    path("mothers/", house_pages.mothers_page, name="mothers"),
    path("lines/<str:key>/", house_pages.line_page, name="line"),
    path("seasons/", colour_pages.seasons_page, name="seasons"),
    path("care/", care_pages.care_page, name="care"),
    path("water/", care_pages.water_page, name="water"),
    path("walk/notes/", walk_pages.notes_view, name="walk-notes"),
    path("walk/missing/", walk_pages.missing_view, name="walk-missing"),
    path("walk/note/", walk_pages.note_view, name="walk-note"),
    path("walk/photos/", walk_pages.photo_view, name="walk-photos"),
    path("walk-worker.js", walk_pages.worker_view, name="walk-worker"),
    path("alarms/<int:alarm_id>/heard/", walk_pages.alarm_heard_page, name="alarm-heard"),
    path("phones/", phone_pages.phones_page, name="phones"),
    path("phones/<int:phone_id>/off/", phone_pages.phone_revoke_page, name="phone-revoke"),
    path("phones/notes/<int:kept_id>/", phone_pages.kept_note_page, name="kept-note"),
    path("pair/<str:code>/", phone_pages.pair_page, name="pair"),
    path("walk/strains/<str:key>/photo/", walk_pages.strain_photo_view, name="strain-photo"),
    path("walk/cards.pdf", card_pages.walk_cards_page, name="walk-cards"),
    path("walk/marks.pdf", card_pages.tray_marks_page, name="tray-marks"),
    path("walk/keying/", card_pages.keying_page, name="walk-keying"),
    path("walk/<str:code>/", walk_pages.place_page, name="walk-place"),
    path("t/<str:code>/", walk_pages.tray_mark_page, name="tray-mark"),
]
