"""Every address of the service."""

from django.contrib.auth import views as auth
from django.urls import include, path

from config import (
    api_pages,
    cut_page,
    edit_pages,
    missing_page,
    mounts_page,
    owner_page,
    pages,
    people_pages,
    specimen_page,
    walk_page,
    what_if_pages,
    who_page,
)

urlpatterns = [
    path("", pages.today_page, name="today"),
    path("clock/", pages.clock_page, name="clock"),
    path("theme/", pages.theme_page, name="theme"),
    path("specimens/", specimen_page.specimen_page, name="specimens"),
    path("what-if/", what_if_pages.what_if_page, name="what-if"),
    path("weeks/<str:week_name>/who/", who_page.who_page, name="who-ordered"),
    path("cutting/", cut_page.cut_page, name="cutting"),
    path("mounts/", mounts_page.mounts_page, name="mounts"),
    path("owner/", owner_page.owner_page, name="owner"),
    path("edit/", edit_pages.edit_index_page, name="edit"),
    path("edit/waiting/<int:waiting_id>/drop/", edit_pages.edit_drop_page, name="edit-drop"),
    path("edit/people/<str:code>/link/", people_pages.mail_link_page, name="mail-link"),
    path("edit/<str:subject_key>/", edit_pages.edit_list_page, name="edit-list"),
    path("edit/<str:subject_key>/<str:key>/", edit_pages.edit_row_page, name="edit-row"),
    path("missing/", missing_page.missing_page, name="missing"),
    path("walk/", walk_page.walk_page, name="walk"),
    path("log-in/ask/", people_pages.ask_link_page, name="ask-link"),
    path("log-in/link/<str:token>/", people_pages.link_page, name="log-in-link"),
    path("log-in/", auth.LoginView.as_view(template_name="login.html"), name="login"),
    path("log-out/", auth.LogoutView.as_view(), name="logout"),
    path("developers/", api_pages.developers_page, name="developers"),
    path("api/v1/description/", api_pages.description_page, name="api-description"),
    path("api/v1/", include("orders.api_urls")),
    path("api/v1/", include("shipping.api_urls")),
    path("", include("inventory.urls")),
    path("", include("orders.urls")),
    path("", include("shipping.urls")),
]

# An address that no view answers is still answered in the reader's own kind.
handler400 = "config.errors.answer_bad_request"
handler404 = "config.errors.answer_unknown"
handler500 = "config.errors.answer_failure"
