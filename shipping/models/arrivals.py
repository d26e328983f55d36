"""What arrived, what did not, and what is credited for it."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class ArrivalReport(models.Model):
    class State(models.TextChoices):
        FILED = "filed", "filed"
        LOOKED_AT = "looked at", "looked at"
        AGREED = "agreed", "agreed"
        PART_AGREED = "part agreed", "part agreed"
        DECLINED = "declined", "declined"
        CLOSED = "closed", "closed"

    shipment = models.ForeignKey("shipping.Shipment", models.PROTECT, related_name="reports")
    filed_at = models.DateTimeField()
    filed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    due_at = models.DateTimeField()
    state = models.CharField(max_length=12, choices=State.choices, default=State.FILED)
    bag_c = models.FloatField(null=True)
    is_our_fault = models.BooleanField(default=False)
    text = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["filed_at"]

    @property
    def is_in_time(self) -> bool:
        return self.filed_at <= self.due_at


class ReportLine(models.Model):
    report = models.ForeignKey(ArrivalReport, models.PROTECT, related_name="lines")
    line = models.ForeignKey("orders.Line", models.PROTECT, related_name="+")
    dead = models.PositiveIntegerField(default=0)
    pale = models.PositiveIntegerField(default=0)
    missing = models.PositiveIntegerField(default=0)
    wrong = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["report", "line"], name="report_line_once")]


class ReportPhoto(models.Model):
    class Kind(models.TextChoices):
        BAG = "bag", "dead piece in its unopened bag"
        LABEL = "label", "box label"

    report = models.ForeignKey(ArrivalReport, models.PROTECT, related_name="photos")
    kind = models.CharField(max_length=5, choices=Kind.choices)
    line = models.ForeignKey("orders.Line", models.PROTECT, related_name="+", null=True)
    path = models.CharField(max_length=160)


class Credit(models.Model):
    class State(models.TextChoices):
        DRAFTED = "drafted", "drafted"
        APPROVED = "approved", "approved"
        APPLIED = "applied", "applied"
        VOID = "void", "void"

    report = models.OneToOneField(ArrivalReport, models.PROTECT, related_name="credit")
    amount = models.DecimalField(max_digits=10, decimal_places=2)
    freight = models.DecimalField(max_digits=10, decimal_places=2)
    state = models.CharField(max_length=8, choices=State.choices, default=State.DRAFTED)
    is_automatic = models.BooleanField(default=False)
    sentence = models.CharField(max_length=400)
    approved_at = models.DateTimeField(null=True)
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(amount__gte=0, freight__gte=0), name="credit_not_below_zero"
            )
        ]
