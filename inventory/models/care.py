"""Care of the stock: dips and inspections, water tests, and lots released from quarantine."""

from django.conf import settings
from django.db import models
from django.db.models import Q

MEASURES = (
    ("salinity_ppt", "salinity", "ppt"),
    ("temperature_c", "temperature", "°C"),
    ("alkalinity_dkh", "alkalinity", "dKH"),
    ("calcium_mg_l", "calcium", "mg/L"),
    ("magnesium_mg_l", "magnesium", "mg/L"),
    ("nitrate_mg_l", "nitrate", "mg/L"),
    ("phosphate_mg_l", "phosphate", "mg/L"),
)


class CareRecord(models.Model):
    """A dip or an inspection that a lot has had. Never changed: a mistake is noted as a new one."""

    class Kind(models.TextChoices):
        DIP = "dip", "dip"
        INSPECTION = "inspection", "inspection"

    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="care")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    done_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    what = models.CharField(max_length=120, blank=True)
    is_clean = models.BooleanField(default=True)

    class Meta:
        indexes = [models.Index(fields=["lot", "kind", "done_at"], name="care_by_lot")]
        constraints = [
            models.UniqueConstraint(fields=["lot", "kind", "done_at"], name="care_once_a_moment"),
            models.CheckConstraint(
                condition=Q(kind__in=["dip", "inspection"]), name="care_kind_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.lot}"


class WaterTest(models.Model):
    """One test of a system's water. A measure that was not taken is null, never zero."""

    system = models.ForeignKey("inventory.WaterSystem", models.PROTECT, related_name="tests")
    taken_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    salinity_ppt = models.FloatField(null=True)
    temperature_c = models.FloatField(null=True)
    alkalinity_dkh = models.FloatField(null=True)
    calcium_mg_l = models.FloatField(null=True)
    magnesium_mg_l = models.FloatField(null=True)
    nitrate_mg_l = models.FloatField(null=True)
    phosphate_mg_l = models.FloatField(null=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["system", "taken_at"]
        constraints = [
            models.UniqueConstraint(fields=["system", "taken_at"], name="water_test_once")
        ]

    def __str__(self) -> str:
        return f"water of {self.system.code} at {self.taken_at:%Y-%m-%d %H:%M}"


class LotRelease(models.Model):
    """A named person lets a lot out of quarantine."""

    lot = models.OneToOneField("inventory.Lot", models.PROTECT, related_name="release")
    at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=200)
