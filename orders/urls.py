from django.urls import path

from orders import (
    change_pages,
    hook_pages,
    list_pages,
    pages,
    photo_pages,
    publish_pages,
    rest_pages,
    share_pages,
    sheet_pages,
)

urlpatterns = [
    path("listings/<str:name>/photo/", photo_pages.listing_photo_page, name="listing-photo"),
    path("weeks/<str:week_name>/list/", list_pages.list_page, name="list"),
    path("weeks/<str:week_name>/list.pdf", list_pages.list_pdf, name="list-pdf"),
    path("weeks/<str:week_name>/list.csv", sheet_pages.csv_file, name="list-csv"),
    path("weeks/<str:week_name>/list.xlsx", sheet_pages.xlsx_file, name="list-xlsx"),
    path("weeks/<str:week_name>/sheet/", sheet_pages.upload_page, name="sheet-upload"),
    path("weeks/<str:week_name>/sheet/<int:read_id>/", sheet_pages.read_page, name="sheet-read"),
    path(
        "weeks/<str:week_name>/sheet/<int:read_id>/refused.csv",
        sheet_pages.refused_file,
        name="sheet-refused",
    ),
    path("weeks/<str:week_name>/publish/", publish_pages.publish_page, name="publish"),
    path("weeks/<str:week_name>/numbers/", list_pages.numbers_page, name="numbers"),
    path("weeks/<str:week_name>/sharing/", share_pages.sharing_page, name="sharing"),
    path("hooks/", hook_pages.hooks_page, name="hooks"),
    path("hooks/tokens/", hook_pages.tokens_page, name="feed-tokens"),
    path("hooks/calls/<int:call_id>/again/", hook_pages.call_again_page, name="hook-again"),
    path("orders/", pages.orders_page, name="orders"),
    path("orders/<str:number>/", pages.order_page, name="order"),
    path("orders/<str:number>/change/", change_pages.change_page, name="change-order"),
    path("orders/<str:number>/resting/", rest_pages.rest_answer_page, name="rest-answer"),
    path("resting/", rest_pages.rests_page, name="rests"),
    path("orders/<str:number>/withdraw/", pages.withdraw_page, name="withdraw"),
    path("orders/<str:number>/export/<str:kind>/", pages.export_tick_page, name="export-tick"),
    path("lines/<int:line_id>/confirm/", pages.confirm_line_page, name="confirm-line"),
]
