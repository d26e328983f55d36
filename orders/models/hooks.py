"""Addresses of retailers' systems that are called at once, and the calls that are due to them."""

from datetime import datetime

from django.db import models
from django.db.models import Q


class Hook(models.Model):
    """One address of a client. Its secret is reckoned from the farm's own key and a mark.

    Nothing that could sign stands in the table: a copied database forges no event.
    """

    client = models.ForeignKey("orders.FeedClient", models.PROTECT, related_name="hooks")
    url = models.CharField(max_length=300)
    mark = models.CharField(max_length=32)
    # While the reader changes over, both secrets sign.
    old_mark = models.CharField(max_length=32, blank=True)
    old_until = models.DateTimeField(null=True)
    is_active = models.BooleanField(default=True)
    made_at = models.DateTimeField()
    stopped_why = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["client", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["client", "url"], condition=Q(is_active=True), name="hook_one_an_address"
            )
        ]

    def __str__(self) -> str:
        return f"{self.client} at {self.url}"


class HookCallQuerySet(models.QuerySet["HookCall"]):
    def due(self, now: datetime) -> "HookCallQuerySet":
        """Calls that wait and whose hour has come, the oldest event first."""
        waiting = self.filter(state=HookCall.State.WAITING, hook__is_active=True)
        return waiting.filter(Q(next_try_at__isnull=True) | Q(next_try_at__lte=now)).order_by("pk")


class HookCall(models.Model):
    """One event on its way to one address. Its id is the same at every try."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        CALLING = "calling", "being called"
        ANSWERED = "answered", "answered"
        PARKED = "parked", "parked"

    hook = models.ForeignKey(Hook, models.CASCADE, related_name="calls")
    event = models.ForeignKey("orders.FeedEvent", models.PROTECT, related_name="+")
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING)
    tries = models.PositiveSmallIntegerField(default=0)
    claimed_at = models.DateTimeField(null=True)
    next_try_at = models.DateTimeField(null=True)
    answered_at = models.DateTimeField(null=True)
    last_error = models.CharField(max_length=300, blank=True)

    objects = HookCallQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]
        indexes = [models.Index(fields=["state", "next_try_at"], name="hook_call_due")]
        constraints = [
            models.UniqueConstraint(fields=["hook", "event"], name="hook_call_once"),
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "calling", "answered", "parked"]),
                name="hook_call_state_known",
            ),
        ]

    @property
    def message_id(self) -> str:
        """The same at every try, so that a reader who has it can leave the second out."""
        return f"evt_{self.hook_id}_{self.event_id}"
