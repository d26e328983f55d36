"""Retailers' systems: their keys, the numbered events they read, and claimed request keys."""

from django.db import models
from django.db.models import Q


class FeedClient(models.Model):
    """A retailer's system. The token is hashed at rest and shown once."""

    code = models.CharField(max_length=12, unique=True)
    customer = models.ForeignKey("orders.Customer", models.PROTECT, related_name="feed_clients")
    token_hash = models.CharField(max_length=64, unique=True)
    url = models.URLField(blank=True)
    is_active = models.BooleanField(default=True)
    last_sequence = models.PositiveBigIntegerField(default=0)

    def __str__(self) -> str:
        return self.code

    @property
    def is_authenticated(self) -> bool:
        return True


class FeedEvent(models.Model):
    """One event for one client. Sequences are gap-free per client; the body is frozen text."""

    client = models.ForeignKey(FeedClient, models.PROTECT, related_name="events")
    sequence = models.PositiveBigIntegerField()
    kind = models.CharField(max_length=40)
    listing = models.CharField(max_length=24, blank=True)
    at = models.DateTimeField()
    body = models.TextField()

    class Meta:
        ordering = ["client", "sequence"]
        constraints = [
            models.UniqueConstraint(fields=["client", "sequence"], name="feed_event_gap_free")
        ]


class IdempotencyClaim(models.Model):
    """A request key, claimed in its own committed row before the work begins.

    Without the commit a second request could not be told that the first is still running.
    """

    class State(models.TextChoices):
        RUNNING = "running", "running"
        DONE = "done", "done"

    customer = models.ForeignKey("orders.Customer", models.CASCADE, related_name="+")
    key = models.CharField(max_length=80)
    body_hash = models.CharField(max_length=64)
    state = models.CharField(max_length=8, choices=State.choices, default=State.RUNNING)
    claimed_at = models.DateTimeField()
    status = models.PositiveSmallIntegerField(null=True)
    reply = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["customer", "key"], name="claim_once_a_key"),
            models.CheckConstraint(
                condition=Q(state__in=["running", "done"]), name="claim_state_known"
            ),
        ]
