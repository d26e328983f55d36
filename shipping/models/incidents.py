"""What happened to a person at a bench. It stops the bench until somebody says what was done."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class Incident(models.Model):
    """Somebody was hurt, or might be. Nothing of its shipment is tied, filled, sealed or handed
    over while it is open. Of a person's health no more is kept than the packer wrote."""

    class Kind(models.TextChoices):
        TOXIN = "toxin", "zoanthids or Palythoa on skin or in the eye"
        CUT = "cut", "a cut or a stab"
        OXYGEN = "oxygen", "oxygen: fire, a leak or a cylinder"
        HEAT = "heat", "a heat pack: burnt or torn"
        CHEMICAL = "chemical", "bleach or another chemical"
        OTHER = "other", "something else"

    shipment = models.ForeignKey("shipping.Shipment", models.PROTECT, related_name="incidents")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    words = models.CharField(max_length=300)
    noted_at = models.DateTimeField()
    noted_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    ended_words = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["noted_at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True, ended_by__isnull=True, ended_words="")
                | Q(ended_at__isnull=False, ended_by__isnull=False) & ~Q(ended_words=""),
                name="incident_ended_by_a_word",
            )
        ]

    def __str__(self) -> str:
        return f"IN-{self.pk}"
