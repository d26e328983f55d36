"""Phones of the walk: paired once, known by a key, and the notes that wait for a person's word."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class Phone(models.Model):
    """A phone that may send walk notes and read the walk, and nothing else.

    Only the hash of its key is kept here.
    """

    name = models.CharField(max_length=40)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="phones")
    key_hash = models.CharField(max_length=64, unique=True)
    paired_at = models.DateTimeField()
    paired_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    seen_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)
    revoked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.name} of {self.user.name}"

    @property
    def is_revoked(self) -> bool:
        return self.revoked_at is not None


class PairingCode(models.Model):
    """A code shown on the office screen: good once, for one person, for some minutes."""

    code_hash = models.CharField(max_length=64, unique=True)
    name = models.CharField(max_length=40)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    good_until = models.DateTimeField()
    phone = models.OneToOneField(Phone, models.PROTECT, related_name="code", null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(good_until__gt=models.F("made_at")), name="pairing_code_has_some_time"
            )
        ]


class KeptAside(models.Model):
    """A note that nobody may drop and that cannot be stored without a person's word."""

    class Outcome(models.TextChoices):
        WAITING = "waiting", "waiting for a word"
        STORED = "stored", "stored"
        LEFT_OUT = "left out", "left out"

    client_id = models.CharField(max_length=60, unique=True)
    phone = models.ForeignKey(Phone, models.PROTECT, related_name="kept_aside", null=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    note = models.JSONField()
    code = models.CharField(max_length=40)
    sentence = models.CharField(max_length=400)
    received_at = models.DateTimeField()
    outcome = models.CharField(max_length=8, choices=Outcome.choices, default=Outcome.WAITING)
    settled_at = models.DateTimeField(null=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["id"]

    @property
    def is_waiting(self) -> bool:
        return self.outcome == self.Outcome.WAITING
