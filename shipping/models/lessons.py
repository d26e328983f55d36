"""What losses taught: what died by lane and by strain, and rules a person signed for it."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class LaneLoss(models.Model):
    """Pieces shipped and dead on one lane in one box size, pack count and group of months.

    ``months`` is empty for what was shipped before the months were kept.
    """

    ship_to = models.ForeignKey("orders.ShipTo", models.PROTECT, related_name="+")
    box = models.CharField(max_length=1)
    packs = models.PositiveSmallIntegerField()
    months = models.CharField(max_length=12, blank=True)
    pieces = models.PositiveIntegerField()
    dead = models.PositiveIntegerField()

    class Meta:
        ordering = ["ship_to__code", "box", "packs", "months"]
        constraints = [
            models.UniqueConstraint(
                fields=["ship_to", "box", "packs", "months"], name="one_loss_row_each"
            ),
            models.CheckConstraint(
                condition=Q(dead__lte=F("pieces")), name="lane_loss_dead_within_pieces"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.ship_to.code} {self.box}, {self.packs} packs: {self.dead} of {self.pieces}"


class StrainLoss(models.Model):
    """Pieces of a strain shipped and dead, on all lanes together."""

    strain = models.OneToOneField("inventory.Strain", models.PROTECT, related_name="+")
    pieces = models.PositiveIntegerField()
    dead = models.PositiveIntegerField()

    class Meta:
        ordering = ["strain__key"]
        constraints = [
            models.CheckConstraint(
                condition=Q(dead__lte=F("pieces")), name="strain_loss_dead_within_pieces"
            )
        ]

    def __str__(self) -> str:
        return f"{self.strain_id}: {self.dead} of {self.pieces}"


class LaneRule(models.Model):
    """A tighter rule for one lane, signed because of what died on it; it can be ended."""

    class Kind(models.TextChoices):
        CAUTION = "caution", "tighter caution lines"
        NO_BOX = "no box", "a box size that is not used"

    ship_to = models.ForeignKey("orders.ShipTo", models.PROTECT, related_name="+")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    box = models.CharField(max_length=1, blank=True)
    tighter_c = models.DecimalField(max_digits=3, decimal_places=1, null=True)
    months = models.CharField(max_length=12, blank=True)
    # What was known when it was signed.
    because = models.CharField(max_length=200)
    reason = models.CharField(max_length=300)
    starts_on = models.DateField()
    # The first day on which it does not hold any more.
    ends_on = models.DateField(null=True)
    signed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    signed_at = models.DateTimeField()

    class Meta:
        ordering = ["-starts_on", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="caution", tighter_c__gt=0, box="")
                | (Q(kind="no box", tighter_c=None) & ~Q(box="")),
                name="lane_rule_says_what",
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="lane_rule_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.ship_to.code}: {self.words}"

    @property
    def words(self) -> str:
        """The rule as a person reads it."""
        if self.kind == self.Kind.NO_BOX:
            what = f"no {self.box} boxes"
        else:
            what = f"both caution lines {self.tighter_c} °C tighter"
        return f"{what}, {self.months}" if self.months else what
