"""Recalls and drills: what a place has sent out, frozen as it was found, and a notice a shop."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class Recall(models.Model):
    """One recall by place and days back. ``result`` is the traced bags, frozen as text."""

    class State(models.TextChoices):
        DRAFTED = "drafted", "drafted"
        SIGNED = "signed", "signed"
        DROPPED = "dropped", "dropped"

    code = models.CharField(max_length=12, unique=True)
    hold = models.ForeignKey("inventory.Hold", models.PROTECT, related_name="+", null=True)
    scope_kind = models.CharField(max_length=6)
    scope = models.CharField(max_length=24)
    reason = models.CharField(max_length=200)
    is_confirmed = models.BooleanField(default=False)
    look_back_days = models.PositiveSmallIntegerField()
    from_on = models.DateField()
    is_drill = models.BooleanField(default=False)
    state = models.CharField(max_length=8, choices=State.choices, default=State.DRAFTED)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    # By the wall clock, also on a demo farm: a drill is about how fast people are.
    clock_began_at = models.DateTimeField()
    traced_s = models.FloatField()
    clock_ended_at = models.DateTimeField(null=True)
    pieces = models.PositiveIntegerField()
    result = models.TextField()
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["drafted", "signed", "dropped"]), name="recall_state_known"
            )
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def took_s(self) -> float | None:
        """From asking to signing, by the wall clock. [s]"""
        if self.clock_ended_at is None:
            return None
        return (self.clock_ended_at - self.clock_began_at).total_seconds()


class RecallNotice(models.Model):
    """What one shop is told, and what it answered."""

    class Answer(models.TextChoices):
        NONE = "", "no answer yet"
        WATCH = "watch", "keeps them apart and watches"
        CREDIT = "credit", "wants a credit"
        FOUND = "found", "has found it"

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="notices")
    customer = models.ForeignKey("orders.Customer", models.PROTECT, related_name="+")
    pieces = models.PositiveIntegerField()
    text = models.TextField()
    answer = models.CharField(max_length=6, choices=Answer.choices, blank=True)
    answer_note = models.CharField(max_length=300, blank=True)
    answered_at = models.DateTimeField(null=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["recall", "customer__code"]
        constraints = [
            models.UniqueConstraint(fields=["recall", "customer"], name="recall_notice_once_a_shop")
        ]
