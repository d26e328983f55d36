"""Shops, where they receive, how the parcel gets there, and what may go there."""

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class FreightZone(models.Model):
    """What a box costs there: as it was loaded, until a rate starts on a later day."""

    zone = models.PositiveSmallIntegerField(unique=True)
    base = models.DecimalField(max_digits=8, decimal_places=2)
    rate_per_lb = models.DecimalField(max_digits=6, decimal_places=2)

    def __str__(self) -> str:
        return f"{self.zone}"

    def rate_on(self, on: date) -> tuple[Decimal, Decimal]:
        """The first pounds' price and each pound's more, of a box that ships that day. [money]"""
        rows = [row for row in self.rates.all() if row.starts_on <= on]
        newest = max(rows, key=lambda row: row.starts_on) if rows else self
        return newest.base, newest.rate_per_lb


class FreightRate(models.Model):
    """A zone's freight from a day on."""

    zone = models.ForeignKey(FreightZone, models.CASCADE, related_name="rates")
    base = models.DecimalField(max_digits=8, decimal_places=2)
    rate_per_lb = models.DecimalField(max_digits=6, decimal_places=2)
    starts_on = models.DateField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["zone", "starts_on"], name="freight_rate_once_a_day"),
            models.CheckConstraint(
                condition=Q(base__gt=0, rate_per_lb__gte=0), name="freight_rate_over_zero"
            ),
        ]


class Lane(models.Model):
    """The way from the farm to one door. Its legs are those of its profile."""

    code = models.CharField(max_length=12, unique=True)
    profile = models.CharField(max_length=16)
    is_sunny = models.BooleanField(default=False)
    has_saturday = models.BooleanField(default=False)
    note = models.CharField(max_length=200, blank=True)

    def __str__(self) -> str:
        return self.code


class LaneLeg(models.Model):
    """Hours at a temperature: share x forecast point + fixed share x fixed temperature."""

    class Mode(models.TextChoices):
        BOTH = "both", "door and depot"
        DOOR = "door", "door only"
        DEPOT = "depot", "depot only"
        LATE = "late", "only when a day late"

    profile = models.CharField(max_length=16)
    leg = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=60)
    hours = models.FloatField()
    mode = models.CharField(max_length=5, choices=Mode.choices, default=Mode.BOTH)
    share = models.FloatField(default=0)
    point = models.CharField(max_length=16, blank=True)
    fixed_share = models.FloatField(default=0)
    fixed_c = models.FloatField(null=True)
    shift_share = models.FloatField(default=0)
    rule = models.CharField(max_length=16, blank=True)

    class Meta:
        ordering = ["profile", "leg"]
        constraints = [
            models.CheckConstraint(condition=Q(hours__gt=0), name="lane_leg_hours_over_zero"),
            models.UniqueConstraint(fields=["profile", "leg", "mode"], name="lane_leg_once_a_mode"),
        ]


class Customer(models.Model):
    code = models.CharField(max_length=6, unique=True)
    name = models.CharField(max_length=80)
    minimum_order = models.DecimalField(max_digits=9, decimal_places=2, null=True)
    takes_substitutes = models.CharField(max_length=3, default="no")
    late_risk_choice = models.CharField(max_length=40, blank=True)
    prefers = models.CharField(max_length=60, blank=True)
    is_credit_stopped = models.BooleanField(default=False)
    # As the office words it to the shop, such as "net 14 days".
    payment_terms = models.CharField(max_length=60, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name

    def tier_on(self, on: date) -> int:
        """The customer's price tier on that farm day. Past orders keep theirs."""
        return tier_of([(row.tier, row.starts_on) for row in self.tiers.all()], on=on)


def tier_of(starts: Iterable[tuple[int, date]], *, on: date) -> int:
    """The tier that started last by that day; tier 1 before any did. ``starts`` are (tier, day)."""
    begun = [(day, tier) for tier, day in starts if day <= on]
    return max(begun)[1] if begun else 1


class CustomerTier(models.Model):
    customer = models.ForeignKey(Customer, models.CASCADE, related_name="tiers")
    tier = models.PositiveSmallIntegerField()
    starts_on = models.DateField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["customer", "starts_on"], name="tier_once_a_day"),
            models.CheckConstraint(condition=Q(tier__in=[1, 2, 3]), name="tier_1_to_3"),
        ]


class Seat(models.Model):
    """A person who orders for a customer."""

    user = models.OneToOneField(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    customer = models.ForeignKey(Customer, models.CASCADE, related_name="seats")


class ShipTo(models.Model):
    code = models.CharField(max_length=6, unique=True)
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="ship_tos")
    contact = models.CharField(max_length=80, blank=True)
    street = models.CharField(max_length=120, blank=True)
    town = models.CharField(max_length=80)
    region = models.CharField(max_length=8)
    country = models.CharField(max_length=40)
    time_zone = models.CharField(max_length=40)
    lane = models.ForeignKey(Lane, models.PROTECT, related_name="ship_tos")
    zone = models.ForeignKey(FreightZone, models.PROTECT, related_name="ship_tos")
    is_export = models.BooleanField(default=False)
    is_depot_allowed = models.BooleanField(default=False)
    is_collected = models.BooleanField(default=False)
    opens_at = models.TimeField(null=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(condition=~Q(region=""), name="ship_to_region_required")
        ]

    def __str__(self) -> str:
        return f"{self.customer.name}, {self.town}"

    @property
    def place(self) -> str:
        return f"{self.town} {self.region.split('-')[-1]}"


class RegionRule(models.Model):
    """What may go where. A taxon row is nearer than a class row."""

    class Verdict(models.TextChoices):
        ALLOW = "allow", "allowed"
        ASK = "ask", "a person confirms each list"
        PAPER = "paper", "a paper is needed"
        FORBID = "forbid", "forbidden"

    region = models.CharField(max_length=8)
    strain_class = models.ForeignKey(
        "inventory.StrainClass", models.PROTECT, related_name="+", null=True
    )
    taxon = models.CharField(max_length=80, blank=True)
    verdict = models.CharField(max_length=6, choices=Verdict.choices)
    text = models.CharField(max_length=300)
    checked_on = models.DateField()
    checked_by = models.CharField(max_length=60)
    review_by = models.DateField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["region", "strain_class", "taxon"], name="region_rule_once"
            ),
            models.CheckConstraint(
                condition=Q(verdict__in=["allow", "ask", "paper", "forbid"]),
                name="region_rule_verdict_known",
            ),
        ]

    def verdict_on(self, on: date) -> str:
        """The verdict, weakened where the row is past its review date; forbid stays."""
        if on <= self.review_by or self.verdict == self.Verdict.FORBID:
            return self.verdict
        return self.Verdict.ASK if self.verdict == self.Verdict.ALLOW else self.verdict


class Paper(models.Model):
    """A permit or statement on file. ``allowed`` maps a taxon to pieces; empty is no limit."""

    code = models.CharField(max_length=12, unique=True)
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="papers", null=True)
    ship_to = models.ForeignKey(ShipTo, models.PROTECT, related_name="papers", null=True)
    kind = models.CharField(max_length=60)
    number = models.CharField(max_length=60, blank=True)
    classes = models.JSONField(default=list)
    allowed: Any = models.JSONField(default=dict)
    valid_from = models.DateField(null=True)
    valid_to = models.DateField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(valid_from__isnull=True)
                | Q(valid_to__isnull=True)
                | Q(valid_to__gte=F("valid_from")),
                name="paper_ends_after_it_begins",
            )
        ]

    def is_valid_on(self, on: date) -> bool:
        starts = self.valid_from is None or self.valid_from <= on
        return starts and (self.valid_to is None or on <= self.valid_to)


class PaperUse(models.Model):
    paper = models.ForeignKey(Paper, models.PROTECT, related_name="uses")
    line = models.ForeignKey("orders.Line", models.PROTECT, related_name="paper_uses")
    taxon = models.CharField(max_length=80)
    pieces = models.PositiveIntegerField()
