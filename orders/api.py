"""The feed for retailers' systems: weeks, lines, orders and changes, as JSON over HTTP.

Thin callers of the hops. Times are ISO 8601 with offset, money is a string, problems are
problem+json (config/errors.py).
"""

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

from django.db import transaction
from django.http import HttpResponse
from django.utils import timezone
from rest_framework import serializers
from rest_framework.request import Request

from inventory.clock import farm_now
from inventory.errors import FarmError, Unknown
from inventory.models import Strain
from orders.amending import withdraw_order
from orders.api_answers import (
    LIST_MAX_AGE_S,
    Body,
    ConditionFailed,
    FeedView,
    answer_once,
    day,
    reply_json,
    tag_of,
    verdict_of,
    when,
)
from orders.calc.http_tags import FAILED
from orders.calc.weeks import monday_of
from orders.change_records import changes_shown, when_words
from orders.changing import OrderChangedSince, Wanted, change_order
from orders.feeding import photo_address
from orders.intake import Asked, send_order
from orders.law_api import LawFor
from orders.listing import newest_version
from orders.models import FeedClient, Line, ListLine, Order, OrderChange, ShipWeek
from orders.quantities import Standing, told_of
from orders.resting import open_questions
from orders.share_runs import SHOWN, signed_shares
from orders.weeks import week_named

PAGE_LENGTH = 100


class WeeksView(FeedView):
    """Ship weeks whose list is out, newest first; ``next`` goes on to the older ones."""

    def get(self, request: Request) -> HttpResponse:
        weeks = ShipWeek.objects.filter(published_at__isnull=False).order_by("-monday")
        before = request.query_params.get("before", "")
        if before:
            weeks = weeks.filter(monday__lt=_monday(before))
        found = list(weeks[: PAGE_LENGTH + 1])
        link = None
        if len(found) > PAGE_LENGTH:
            found = found[:PAGE_LENGTH]
            link = f"/api/v1/weeks/?before={found[-1].name}"
        rows = [
            {
                "week": week.name,
                "ship_days": [day(on) for on in week.ship_days],
                "published_at": when(week.published_at),
                "cut_off_at": when(week.cut_off_at),
                "is_open": week.closed_at is None,
                "lines": f"/api/v1/weeks/{week.name}/lines/",
            }
            for week in found
        ]
        body = {"weeks": rows, "next": link}
        return reply_json(request, body, max_age_s=LIST_MAX_AGE_S, links=_next(link))


def _monday(name: str) -> date:
    try:
        return monday_of(name)
    except ValueError:
        raise WeekNotReadable(before=name[:20]) from None


def _next(link: str | None) -> list[tuple[str, str]]:
    return [(link, "next")] if link else []


class WeekNotReadable(FarmError):
    code = "week_not_readable"
    status = 400
    title = "The week cannot be read"
    message = "before={before} is no ISO week. Send one such as 2026-W49, or follow next."


class LinesView(FeedView):
    """Every line of a week's newest version, with its status and reason, priced for the reader."""

    def get(self, request: Request, week_name: str) -> HttpResponse:
        week = week_named(name=week_name)
        version = newest_version(week=week)
        if version is None:
            raise Unknown(kind="list for", name=week_name)
        tier = self.client.customer.tier_on(timezone.localdate(farm_now()))
        lines = version.lines.select_related(
            "listing__strain_form__strain__strain_class", "listing__strain_form__form"
        )
        told = told_of(week=week)
        law = LawFor(request, self.client.customer)
        body = {
            "week": week.name,
            "version": version.number,
            "published_at": when(version.published_at),
            "cut_off_at": when(week.cut_off_at),
            "ship_days": [day(on) for on in week.ship_days],
            "reason": version.reason,
            "lines": [
                line_record(line, tier, told, law.of(_strain_of(line), week.first_ship_on))
                for line in lines
            ],
        }
        return reply_json(request, body, max_age_s=LIST_MAX_AGE_S)


def _strain_of(line: ListLine) -> Strain:
    return line.listing.strain_form.strain


def line_record(
    line: ListLine, tier: int, told: Mapping[str, Standing], law: dict[str, Any] | None
) -> dict[str, Any]:
    """One line as a retailer's system reads it. What others asked for is nobody's business.

    ``shown`` is frozen with the version; ``now`` is what can be had by the newest event.
    ``law`` says whether it may go where the reader asked about.
    """
    now = told.get(line.listing.name)
    strain_form = line.listing.strain_form
    strain = strain_form.strain
    back = None
    if line.back_likely_on:
        back = {
            "likely_on": day(line.back_likely_on),
            "from_on": day(line.back_from_on),
            "to_on": day(line.back_to_on),
        }
    return {
        "listing": line.listing.name,
        "strain": strain.key,
        "form": strain_form.form.key,
        "look": line.listing.look or "colour",
        "name": line.listing.title,
        "taxon": strain.taxon,
        "class": strain.strain_class_id,
        "level": strain.level,
        "status": line.status,
        "stop": line.stop or None,
        "reason": line.reason or None,
        "note": line.note or None,
        "back": back,
        "price": str(line.price(tier)),
        "shown": line.shown,
        "is_more_than_shown": line.can_promise > line.shown,
        "now": {"status": now.status, "shown": now.shown, "is_more_than_shown": now.is_more}
        if now is not None
        else None,
        "law": law,
        "photo": photo_address(line.listing),
        "unit_pieces": strain_form.form.unit_pieces,
        "minimum_line": strain_form.form.minimum_line,
        "needs_gloves_and_goggles": strain.toxin >= 2,
    }


class AskedSerializer(Body):
    listing = serializers.CharField(max_length=24)
    asked = serializers.IntegerField(min_value=1, max_value=100_000)
    unit = serializers.IntegerField(min_value=1, max_value=1000, default=1)
    least = serializers.IntegerField(min_value=1, max_value=100_000, required=False)
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class OrderSerializer(Body):
    ship_to = serializers.CharField(max_length=6)
    week = serializers.CharField(max_length=8)
    ship_on = serializers.DateField()
    version_seen = serializers.IntegerField(min_value=1, required=False)
    note = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")
    lines = AskedSerializer(many=True, allow_empty=False)


class WantedSerializer(Body):
    """One line as it shall be; asked 0 takes it off."""

    listing = serializers.CharField(max_length=24)
    asked = serializers.IntegerField(min_value=0, max_value=100_000)
    unit = serializers.IntegerField(min_value=1, max_value=1000, required=False)
    least = serializers.IntegerField(min_value=1, max_value=100_000, required=False)
    note = serializers.CharField(max_length=200, required=False, allow_blank=True)


class ChangeSerializer(Body):
    lines = WantedSerializer(many=True, allow_empty=False)


class OrdersView(FeedView):
    """Send an order. One key is one order: a retry gets the first answer word for word."""

    def post(self, request: Request) -> HttpResponse:
        key = request.headers.get("Idempotency-Key", "").strip()
        return answer_once(
            request,
            parts=request.data,
            work=lambda: order_record(self._send(request, key)),
            path_of=lambda made: f"/api/v1/orders/{made['order']}/",
        )

    def _send(self, request: Request, key: str) -> Order:
        form = OrderSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        asked = form.validated_data
        return send_order(
            customer=self.client.customer,
            ship_to_code=asked["ship_to"],
            week=week_named(name=asked["week"]),
            ship_on=asked["ship_on"],
            rows=[
                Asked(
                    listing=row["listing"],
                    asked=row["asked"],
                    unit=row["unit"],
                    least=row.get("least"),
                    note=row["note"],
                )
                for row in asked["lines"]
            ],
            source=Order.Source.API,
            idempotency_key=key,
            now=farm_now(),
            version_seen=asked.get("version_seen"),
            note=asked["note"],
        )


def own_order(client: FeedClient, number: str) -> Order:
    """An order of the reader's own customer. Another's is unknown."""
    order = Order.objects.filter(customer=client.customer, number=number).first()
    if order is None:
        raise Unknown(kind="order", name=number)
    return order


class OrderView(FeedView):
    """One order of the reader's own, with what is pencilled or promised on each line."""

    def get(self, request: Request, number: str) -> HttpResponse:
        return reply_json(request, order_record(own_order(self.client, number)))

    def patch(self, request: Request, number: str) -> HttpResponse:
        """Change lines until the cut-off. If-Match names the reading that the change is made from;
        a retry after a lost answer is then refused instead of being taken twice."""
        form = ChangeSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        order = own_order(self.client, number)
        if not request.headers.get("If-Match", "").strip():
            raise IfMatchMissing(order=number)
        wanted = [Wanted(**row) for row in form.validated_data["lines"]]
        with transaction.atomic():
            _match(request, order)
            change_order(
                order_id=order.pk,
                wanted=wanted,
                version_seen=order.version,
                now=farm_now(),
                user=None,
                channel=OrderChange.Channel.API,
            )
        return reply_json(request, order_record(own_order(self.client, number)))


def _match(request: Request, order: Order) -> None:
    """Refuse unless If-Match, where it is sent, names what the order reads like now.

    The caller changes only that version: what slips in between is refused under the order's lock.
    """
    if verdict_of(request, tag_of(order_record(order))) != FAILED:
        return
    if not request.headers.get("If-Match", "").strip():
        raise ConditionFailed()
    last, zone = changes_shown(order=order)[-1:], order.ship_to.time_zone
    since = (
        f"{when_words(last[0], zone=zone)}: {last[0].words}" if last else "what is promised of it"
    )
    raise OrderChangedSince(order=order.number, since=since)


class IfMatchMissing(FarmError):
    code = "if_match_missing"
    status = 428
    title = "Say which reading you change"
    message = "Send If-Match with the ETag that GET /api/v1/orders/{order}/ answered last."


class WithdrawView(FeedView):
    """Take an order back before anything of it is picked."""

    def post(self, request: Request, number: str) -> HttpResponse:
        order = own_order(self.client, number)
        _match(request, order)
        withdraw_order(
            order_id=order.pk,
            now=farm_now(),
            user=None,
            reason="withdrawn by the customer",
            channel=OrderChange.Channel.API,
        )
        return reply_json(request, order_record(own_order(self.client, number)))


def order_record(order: Order) -> dict[str, Any]:
    """An order as its own customer may read it."""
    lines = order.lines.select_related(*SHOWN).prefetch_related(signed_shares())
    return {
        "order": order.number,
        "state": order.state,
        "week": order.week.name,
        "ship_to": order.ship_to.code,
        "ship_on": day(order.ship_on),
        "sent_at": when(order.sent_at),
        "version_seen": order.version_seen,
        "version": order.version,
        "rests": f"/api/v1/orders/{order.number}/rests/" if open_questions(order=order) else None,
        "lines": [_order_line_record(line) for line in lines],
        "changes": [
            {
                "version": row.number,
                "at": when(row.at),
                "by": row.by,
                "from": row.channel,
                "words": row.words,
            }
            for row in changes_shown(order=order)
        ],
    }


def _order_line_record(line: Line) -> dict[str, Any]:
    promise = getattr(line, "promise", None)
    shares = list(line.shares.all())
    return {
        "listing": line.listing.name,
        "asked": line.asked,
        "unit": line.unit,
        "least": line.least,
        "unit_price": str(line.unit_price),
        "state": line.state,
        "code": line.reason_code or None,
        "reason": line.reason or None,
        "promise": promise.state if promise else None,
        "promised": promise.units if promise and promise.state != "freed" else 0,
        "sentence": shares[-1].buyer_sentence if shares else None,
    }


class ChangesView(FeedView):
    """The reader's events after a sequence number, oldest first: heals any gap."""

    def get(self, request: Request) -> HttpResponse:
        after = request.query_params.get("after", "0")
        if not after.isascii() or not after.isdigit() or len(after) > 18:
            raise AfterNotANumber(after=after[:20])
        rows = list(self.client.events.filter(sequence__gt=int(after))[: PAGE_LENGTH + 1])
        more = len(rows) > PAGE_LENGTH
        rows = rows[:PAGE_LENGTH]
        events = ",".join(row.body for row in rows)
        last = rows[-1].sequence if rows else int(after)
        link = f"/api/v1/changes/?after={last}" if more else None
        body = json.loads(f'{{"events":[{events}],"next":{json.dumps(link)}}}')
        return reply_json(request, body, links=_next(link))


class AfterNotANumber(FarmError):
    code = "after_not_a_number"
    status = 400
    title = "The sequence cannot be read"
    message = "after={after} is not a whole number. Send the last sequence you have, or 0."
