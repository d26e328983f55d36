"""What arrived, told by a retailer's system: counts by listing, with photos where pieces are dead.

Thin caller of shipping/arrivals.py. JSON alone, or multipart with the same JSON in ``report`` and
photos as files named "bag:LISTING" or "label", as on the page.
"""

import io
import math
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.exceptions import ParseError
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request

from inventory.clock import farm_now
from inventory.photos import photo_key
from orders.api import own_order
from orders.api_answers import Body, BodyParser, FeedView, answer_once, reply_json, when
from orders.models import Order
from shipping import arrivals
from shipping.models import ArrivalReport, Credit, Shipment


class ArrivedSerializer(Body):
    listing = serializers.CharField(max_length=24)
    dead = serializers.IntegerField(min_value=0, max_value=100_000, default=0)
    pale = serializers.IntegerField(min_value=0, max_value=100_000, default=0)
    missing = serializers.IntegerField(min_value=0, max_value=100_000, default=0)
    wrong = serializers.IntegerField(min_value=0, max_value=100_000, default=0)


class ReportSerializer(Body):
    lines = ArrivedSerializer(many=True, allow_empty=False)
    bag_c = serializers.FloatField(min_value=-30, max_value=60, required=False, allow_null=True)
    text = serializers.CharField(max_length=500, required=False, allow_blank=True, default="")

    def validate_bag_c(self, value: float | None) -> float | None:
        if value is not None and math.isnan(value):
            raise serializers.ValidationError("A number of degrees is needed.")
        return value


class ArrivalView(FeedView):
    """Reports on one order of the reader's own; POST files one. One key is one report."""

    parser_classes = [BodyParser, MultiPartParser]

    def get(self, request: Request, number: str) -> HttpResponse:
        return reply_json(request, arrival_record(own_order(self.client, number)))

    def post(self, request: Request, number: str) -> HttpResponse:
        order = own_order(self.client, number)
        body, photos = _body_of(request)
        return answer_once(
            request,
            parts=[number, body, [[p.kind, p.listing, _mark(p)] for p in photos]],
            work=lambda: report_record(_file(order, body, photos)),
            path_of=lambda made: f"/api/v1/orders/{number}/arrival/",
        )


def _mark(photo: arrivals.Photo) -> str:
    return photo_key(content=photo.content)


def _body_of(request: Request) -> tuple[Any, list[arrivals.Photo]]:
    """The report as JSON and the photos beside it."""
    sent: Any = request.data
    if not hasattr(sent, "getlist"):
        return sent, []
    text = str(sent.get("report", "")).encode(errors="replace")
    try:
        body = BodyParser().parse(io.BytesIO(text))
    except ParseError as error:
        raise ParseError(f"The field report cannot be read: {error.detail}") from None
    return body, arrivals.photos_of(request.FILES)


def _file(order: Order, body: Any, photos: list[arrivals.Photo]) -> ArrivalReport:
    form = ReportSerializer(data=body)
    form.is_valid(raise_exception=True)
    told = form.validated_data
    return arrivals.file_report(
        order=order,
        rows=[arrivals.Arrived(**row) for row in told["lines"]],
        photos=photos,
        filed_at=farm_now(),
        bag_c=told.get("bag_c"),
        text=told["text"],
    )


def arrival_record(order: Order) -> dict[str, Any]:
    """Whether an order has arrived, until when to report, and what was reported."""
    shipment = Shipment.objects.filter(order=order).select_related("ship_to").first()
    due_at = arrivals.report_due(shipment=shipment) if shipment else None
    reports = shipment.reports.prefetch_related("lines__line__listing") if shipment else ()
    return {
        "order": order.number,
        "state": order.state,
        "delivered_at": when(shipment.delivered_at) if shipment else None,
        "report_by": when(due_at),
        "void": shipment.get_first_try_display() if shipment and shipment.first_try else None,
        "reports": [report_record(report) for report in reports],
    }


def report_record(report: ArrivalReport) -> dict[str, Any]:
    """A report as its own customer reads it, with the credit it led to."""
    credit = Credit.objects.filter(report=report).first()
    return {
        "report": report.pk,
        "filed_at": when(report.filed_at),
        "in_time": report.is_in_time,
        "state": report.state,
        "lines": [
            {
                "listing": row.line.listing.name,
                "dead": row.dead,
                "pale": row.pale,
                "missing": row.missing,
                "wrong": row.wrong,
            }
            for row in report.lines.select_related("line__listing").order_by("pk")
        ],
        "photos": report.photos.count(),
        "credit": _credit_record(credit) if credit else None,
    }


def _credit_record(credit: Credit) -> dict[str, Any]:
    return {
        "state": credit.state,
        "amount": str(credit.amount),
        "freight": str(credit.freight),
        "sentence": credit.sentence,
    }
