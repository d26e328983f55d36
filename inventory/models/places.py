"""Where pieces stand: sites, water systems, troughs and trays."""

from django.db import models
from django.db.models import F, Q


class Site(models.Model):
    code = models.CharField(max_length=12, unique=True)
    name = models.CharField(max_length=80)
    town = models.CharField(max_length=80, blank=True)
    time_zone = models.CharField(max_length=40)
    latitude_deg = models.FloatField(null=True)
    longitude_deg = models.FloatField(null=True)
    country = models.CharField(max_length=40, blank=True)
    is_origin = models.BooleanField(default=False)
    imports_from = models.CharField(max_length=80, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["is_origin"], condition=Q(is_origin=True), name="site_one_origin"
            )
        ]

    def __str__(self) -> str:
        return self.name


class WaterSystem(models.Model):
    """Troughs that share their water. Its rank in cleanness follows from the last lifted hold."""

    code = models.CharField(max_length=2, unique=True)
    name = models.CharField(max_length=40)
    volume_m3 = models.DecimalField(max_digits=6, decimal_places=2)
    last_lifted_on = models.DateField(null=True)
    is_quarantine = models.BooleanField(default=False)

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Trough(models.Model):
    code = models.CharField(max_length=4, unique=True)
    system = models.ForeignKey(WaterSystem, models.PROTECT, related_name="troughs")
    kind = models.CharField(max_length=40)
    light_index = models.DecimalField(max_digits=3, decimal_places=2)
    flow = models.CharField(max_length=10)
    slots = models.PositiveSmallIntegerField()
    aisle = models.PositiveSmallIntegerField()
    aisle_length_m = models.DecimalField(max_digits=5, decimal_places=2)
    walk_order = models.PositiveSmallIntegerField(unique=True)

    class Meta:
        ordering = ["walk_order"]
        constraints = [
            models.CheckConstraint(
                condition=Q(light_index__gte=0.4, light_index__lte=1.3),
                name="trough_light_index_in_range",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class ShadeLog(models.Model):
    trough = models.ForeignKey(Trough, models.PROTECT, related_name="shade", null=True)
    from_on = models.DateField()
    to_on = models.DateField()
    fraction = models.DecimalField(max_digits=3, decimal_places=2)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(to_on__gte=F("from_on")), name="shade_ends_later"),
            models.CheckConstraint(
                condition=Q(fraction__gte=0, fraction__lte=1), name="shade_fraction_is_a_share"
            ),
        ]


class Tray(models.Model):
    class Use(models.TextChoices):
        SALE = "sale", "for sale"
        KEPT = "kept", "kept"
        EMPTY = "empty", "empty"

    code = models.CharField(max_length=6, unique=True)
    trough = models.ForeignKey(Trough, models.PROTECT, related_name="trays")
    slot = models.PositiveSmallIntegerField()
    form = models.ForeignKey("inventory.Form", models.PROTECT, related_name="+")
    positions = models.PositiveSmallIntegerField()
    is_grip_side_up = models.BooleanField(default=True)
    use = models.CharField(max_length=5, choices=Use.choices, default=Use.EMPTY)

    class Meta:
        ordering = ["trough__walk_order", "slot"]
        constraints = [
            models.UniqueConstraint(fields=["trough", "slot"], name="tray_one_a_slot"),
            models.CheckConstraint(
                condition=Q(use__in=["sale", "kept", "empty"]), name="tray_use_known"
            ),
            models.CheckConstraint(condition=Q(positions__gt=0), name="tray_positions_over_zero"),
        ]

    def __str__(self) -> str:
        return self.code
