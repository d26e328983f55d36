"""Messages as they were written, and what has been done once and is not done again."""

from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q


class MessageQuerySet(models.QuerySet["Message"]):
    def due(self, now: datetime) -> "MessageQuerySet":
        """What waits and may be tried by the machine's clock, oldest first."""
        waiting = self.filter(state=Message.State.WAITING)
        return waiting.filter(Q(next_try_at__isnull=True) | Q(next_try_at__lte=now)).order_by("id")


class Message(models.Model):
    """One letter to one person, frozen when it was written.

    ``key`` names its cause and its reader, so that a cause that is handled twice writes it once.
    ``written_at`` is the farm's time; the tries go by the machine's clock, as post does.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        HANDING = "handing", "being handed over"
        SENT = "sent", "sent"
        PARKED = "parked", "parked"

    key = models.CharField(max_length=160, unique=True)
    kind = models.CharField(max_length=40)
    why = models.CharField(max_length=200)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)
    to_name = models.CharField(max_length=80)
    to_address = models.EmailField()
    subject = models.CharField(max_length=200)
    text = models.TextField()
    html = models.TextField()
    action = models.CharField(max_length=120)
    action_url = models.CharField(max_length=300)
    # Each [maker, facts]: the file is made from its row when the letter is handed over.
    attachments: Any = models.JSONField(default=list)
    message_id = models.CharField(max_length=160, unique=True)
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING)
    written_at = models.DateTimeField()
    tries = models.PositiveSmallIntegerField(default=0)
    next_try_at = models.DateTimeField(null=True)
    claimed_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    last_error = models.CharField(max_length=300, blank=True)

    objects = MessageQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        indexes = [
            models.Index(
                fields=["id"],
                name="message_not_sent",
                condition=Q(state__in=["waiting", "handing"]),
            )
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "handing", "sent", "parked"]),
                name="message_state_known",
            ),
            models.CheckConstraint(
                condition=~Q(state="sent") | Q(sent_at__isnull=False), name="message_sent_has_time"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.subject} to {self.to_address}"


class Once(models.Model):
    """Something timed that has been done: two loops, or a late one, do it once."""

    key = models.CharField(max_length=120, unique=True)
    at = models.DateTimeField()

    def __str__(self) -> str:
        return self.key
