from django.urls import path

from shipping import (
    answer_pages,
    bench_pages,
    credit_pages,
    loss_pages,
    pages,
    recall_pages,
    room_pages,
)

urlpatterns = [
    path("weeks/<str:week_name>/sheets/", pages.sheets_page, name="sheets"),
    path("weeks/<str:week_name>/packing/", pages.packing_page, name="packing"),
    path(
        "weeks/<str:week_name>/basket/<str:ship_to_code>/",
        room_pages.room_page,
        name="basket-room",
    ),
    path("recalls/", recall_pages.recalls_page, name="recalls"),
    path("recalls/<str:code>/", recall_pages.recall_page, name="recall"),
    path("recalls/<str:code>/<str:act>/", recall_pages.recall_act_page, name="recall-act"),
    path("notices/<int:notice_id>/", recall_pages.notice_page, name="recall-notice"),
    path("sheets/<str:stamp>/", pages.sheet_page, name="sheet"),
    path("sheets/<str:stamp>/sheet.pdf", pages.sheet_pdf, name="sheet-pdf"),
    path("orders/<str:number>/bench/", bench_pages.bench_page, name="bench"),
    path("orders/<str:number>/forecast/", bench_pages.forecast_page, name="forecast"),
    path("reports/<int:report_id>/decide/", bench_pages.decide_page, name="decide"),
    path("credits/", credit_pages.credits_page, name="credits"),
    path(
        "credits/<str:kind>/<int:credit_id>/<str:act>/",
        credit_pages.credit_act_page,
        name="credit-act",
    ),
    path("losses/", loss_pages.losses_page, name="losses"),
    path("losses/<int:loss_id>/sign/", loss_pages.sign_rule_page, name="loss-sign"),
    path("losses/rules/<int:rule_id>/end/", loss_pages.end_rule_page, name="loss-end"),
    path("orders/<str:number>/answer/", answer_pages.answer_page, name="answer"),
    path("orders/<str:number>/plan/", pages.plan_page, name="plan"),
    path("orders/<str:number>/bag-labels.pdf", pages.bag_labels_page, name="bag-labels"),
    path("orders/<str:number>/box-labels.pdf", pages.box_labels_page, name="box-labels"),
    path("orders/<str:number>/arrival/", pages.arrival_page, name="arrival"),
    path("shortfalls/<int:shortfall_id>/<int:index>/", pages.remedy_page, name="remedy"),
]
