"""Ship weeks, prices, and the numbered, frozen versions of the weekly list."""

from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class NoDeliveryDay(models.Model):
    """A day on which the carrier, or the farm's own choice, delivers nothing there."""

    day = models.DateField()
    region = models.CharField(max_length=8, blank=True)
    reason = models.CharField(max_length=120)

    class Meta:
        ordering = ["day"]
        constraints = [models.UniqueConstraint(fields=["day", "region"], name="no_delivery_once")]


class ShipWeek(models.Model):
    """One ISO week of shipping, as dates: the week after 2026-W53 is 2027-W01."""

    monday = models.DateField(unique=True)
    name = models.CharField(max_length=8, unique=True)
    publish_at = models.DateTimeField()
    cut_off_at = models.DateTimeField()
    first_ship_on = models.DateField()
    last_ship_on = models.DateField()
    published_at = models.DateTimeField(null=True)
    closed_at = models.DateTimeField(null=True)
    shared_at = models.DateTimeField(null=True)
    inked_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["monday"]
        constraints = [
            models.CheckConstraint(
                condition=Q(publish_at__lt=F("cut_off_at")), name="week_published_before_cut_off"
            ),
            models.CheckConstraint(
                condition=Q(last_ship_on__gte=F("first_ship_on")), name="week_ship_days_in_order"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def ship_days(self) -> list[Any]:
        return sorted({self.first_ship_on, self.last_ship_on})


class Price(models.Model):
    """A list price from a day on. The break price holds for a line of that many units or more."""

    listing = models.ForeignKey("inventory.Listing", models.PROTECT, related_name="+")
    list_price = models.DecimalField(max_digits=8, decimal_places=2)
    break_units = models.PositiveIntegerField(null=True)
    break_price = models.DecimalField(max_digits=8, decimal_places=2, null=True)
    starts_on = models.DateField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["listing", "starts_on"], name="price_once_a_day"),
            models.CheckConstraint(condition=Q(list_price__gt=0), name="price_over_zero"),
        ]


class ListVersion(models.Model):
    """One numbered version of a week's list. Never edited; the next number supersedes it."""

    week = models.ForeignKey(ShipWeek, models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    published_at = models.DateTimeField()
    reason = models.CharField(max_length=300)
    snapshot = models.TextField()
    snapshot_hash = models.CharField(max_length=64)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)

    class Meta:
        ordering = ["week", "number"]
        constraints = [
            models.UniqueConstraint(fields=["week", "number"], name="list_version_numbered_once")
        ]

    def __str__(self) -> str:
        return f"{self.week} version {self.number}"


class ListSignature(models.Model):
    """A person lets a list go out although counts are old, or a price or a photo is missing."""

    week = models.ForeignKey(ShipWeek, models.PROTECT, related_name="signatures")
    faults = models.JSONField(default=list)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["week", "at"]

    def __str__(self) -> str:
        return f"{self.week}: {len(self.faults)} signed by {self.user}"


class ListLine(models.Model):
    """One line of one version, frozen. Counts are in sale units; terms are in single pieces."""

    class Status(models.TextChoices):
        OFFERED = "offered", "offered"
        SOLD_THROUGH = "sold through", "sold through"
        RESTING = "resting", "resting"
        EXPECTED = "expected", "expected"
        CLOSED = "closed", "closed"

    version = models.ForeignKey(ListVersion, models.PROTECT, related_name="lines")
    listing = models.ForeignKey("inventory.Listing", models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()
    status = models.CharField(max_length=12, choices=Status.choices)
    stop = models.CharField(max_length=10, blank=True)
    reason = models.CharField(max_length=300, blank=True)
    note = models.CharField(max_length=300, blank=True)
    can_promise = models.PositiveIntegerField()
    shown = models.PositiveIntegerField()
    total = models.PositiveIntegerField()
    terms = models.TextField()
    price_tier_1 = models.DecimalField(max_digits=8, decimal_places=2)
    price_tier_2 = models.DecimalField(max_digits=8, decimal_places=2)
    price_tier_3 = models.DecimalField(max_digits=8, decimal_places=2)
    is_old_count = models.BooleanField(default=False)
    back_likely_on = models.DateField(null=True)
    back_from_on = models.DateField(null=True)
    back_to_on = models.DateField(null=True)
    change = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["version", "position"]
        constraints = [
            models.UniqueConstraint(fields=["version", "listing"], name="list_line_once"),
            models.CheckConstraint(
                condition=Q(shown__lte=F("can_promise")), name="list_line_shown_within_promise"
            ),
            models.CheckConstraint(
                condition=~Q(status="offered") | Q(stop=""), name="list_line_offered_without_stop"
            ),
            models.CheckConstraint(
                condition=Q(
                    status__in=["offered", "sold through", "resting", "expected", "closed"]
                ),
                name="list_line_status_known",
            ),
        ]

    def price(self, tier: int) -> Any:
        return {1: self.price_tier_1, 2: self.price_tier_2, 3: self.price_tier_3}[tier]
