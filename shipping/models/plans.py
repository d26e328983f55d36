"""Forecasts as they were issued, and the pack plans made from them."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class Forecast(models.Model):
    """Named temperatures for one ship-to and ship day, as issued at one time. [deg C]"""

    ship_to = models.ForeignKey("orders.ShipTo", models.PROTECT, related_name="+")
    ship_on = models.DateField()
    issued_at = models.DateTimeField()
    source = models.CharField(max_length=20)
    evening_c = models.FloatField(null=True)
    hub_c = models.FloatField(null=True)
    morning_c = models.FloatField(null=True)
    midday_c = models.FloatField(null=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)

    class Meta:
        ordering = ["ship_to", "ship_on", "issued_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["ship_to", "ship_on", "issued_at"], name="forecast_issued_once"
            )
        ]


class PackPlan(models.Model):
    """Box set, packs, delivery and verdict for one order, with everything that decided it."""

    class Verdict(models.TextChoices):
        CLEAR = "clear", "clear"
        CARE = "care", "care"
        STOP = "stop", "stop"

    order = models.ForeignKey("orders.Order", models.PROTECT, related_name="+")
    ship_on = models.DateField()
    made_at = models.DateTimeField()
    stage = models.CharField(max_length=24)
    forecast = models.ForeignKey(Forecast, models.PROTECT, related_name="+", null=True)
    verdict = models.CharField(max_length=5, choices=Verdict.choices)
    delivery = models.CharField(max_length=5)
    sentence = models.CharField(max_length=500)
    thumb_rule = models.CharField(max_length=300, blank=True)
    is_thumb_different = models.BooleanField(default=False)
    goods = models.DecimalField(max_digits=10, decimal_places=2)
    freight = models.DecimalField(max_digits=10, decimal_places=2)
    boxes_and_packs = models.DecimalField(max_digits=10, decimal_places=2)
    total = models.DecimalField(max_digits=10, decimal_places=2)
    bags_hash = models.CharField(max_length=64)
    record = models.TextField()
    void_at = models.DateTimeField(null=True)
    void_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["order", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["order"], condition=Q(void_at__isnull=True), name="pack_plan_one_live"
            )
        ]
