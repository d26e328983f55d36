"""The farm's clock, its settings, and the rows that tell higher apps what took place."""

from django.db import models
from django.db.models import Q


class Clock(models.Model):
    """One row. A demo farm runs on ``demo_now_at``; a live farm on the machine's clock."""

    demo_now_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="clock_is_one_row")]


class Setting(models.Model):
    """One default with its unit, owner, confidence, date and reason. The newest row counts."""

    class Scope(models.TextChoices):
        FARM = "farm", "whole farm"
        CLASS = "class", "class"
        STRAIN = "strain", "strain"

    name = models.CharField(max_length=60)
    scope_kind = models.CharField(max_length=6, choices=Scope.choices, default=Scope.FARM)
    scope = models.CharField(max_length=20, blank=True)
    value = models.CharField(max_length=60)
    unit = models.CharField(max_length=30, blank=True)
    confidence = models.CharField(max_length=1)
    owner = models.CharField(max_length=40)
    set_on = models.DateField()
    reason = models.CharField(max_length=300)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["name", "scope_kind", "scope", "set_on"], name="setting_once_a_day"
            ),
            models.CheckConstraint(
                condition=Q(confidence__in=["H", "M", "L"]), name="setting_confidence_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.scope} = {self.value} {self.unit}"


class Happening(models.Model):
    """Something others must hear of, left in the transaction in which it took place."""

    kind = models.CharField(max_length=40)
    at = models.DateTimeField()
    facts = models.JSONField(default=dict)
    handled_at = models.DateTimeField(null=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["id"], name="happening_waiting", condition=Q(handled_at__isnull=True)
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} at {self.at:%Y-%m-%d %H:%M}"
