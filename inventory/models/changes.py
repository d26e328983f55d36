"""What a person has changed on an edit page: never altered, never deleted."""

from django.conf import settings
from django.db import models


class Change(models.Model):
    """One field of one row: what it was, what it is, from when, why, and who signed it."""

    what = models.CharField(max_length=20)
    name = models.CharField(max_length=60)
    field = models.CharField(max_length=40)
    was = models.CharField(max_length=300, blank=True)
    now = models.CharField(max_length=300, blank=True)
    starts_on = models.DateField()
    reason = models.CharField(max_length=300)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["what", "name"], name="change_by_row")]
        constraints = [
            models.CheckConstraint(condition=~models.Q(reason=""), name="change_has_a_reason")
        ]

    def __str__(self) -> str:
        return f"{self.what} {self.name}: {self.field} {self.was or 'empty'} to {self.now}"


class WaitingEdit(models.Model):
    """An edit that is typed and not written: it waits for a signature, for its day, or for both.

    ``typed`` holds the fields that differ, as text; what else stands in the row then stays.
    """

    subject = models.CharField(max_length=20)
    key = models.CharField(max_length=100)
    name = models.CharField(max_length=80)
    words = models.CharField(max_length=400)
    typed = models.JSONField(default=dict)
    starts_on = models.DateField()
    reason = models.CharField(max_length=300)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    signed_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    outcome = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["starts_on", "id"]
        constraints = [
            models.CheckConstraint(condition=~models.Q(reason=""), name="waiting_edit_has_a_reason")
        ]

    def __str__(self) -> str:
        return self.words
