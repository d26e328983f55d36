"""The ledger: one append-only row an event, and the two sums kept beside it."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class Place(models.Model):
    """A tray, or one of the named ends pieces come from and go to."""

    class End(models.TextChoices):
        CUT = "cut", "cut from a parent"
        BENCH = "bench", "on the packing bench"
        ROAD = "road", "handed over"
        DEAD = "dead", "dead"
        FOUND = "found", "found at a count"
        LOST = "lost", "missing at a count"
        USED_UP = "used up", "cut up or grown into another form"

    code = models.CharField(max_length=8, unique=True)
    tray = models.OneToOneField(
        "inventory.Tray", models.PROTECT, related_name="place", null=True, blank=True
    )

    def __str__(self) -> str:
        return self.code


class Movement(models.Model):
    """Pieces of one lot went from one place to another. Never changed, never deleted."""

    class Reason(models.TextChoices):
        OPENING = "opening", "opening count"
        RECOUNT = "recount", "recount"
        SHIFT = "shift", "moved to another tray"
        PULL = "pull", "picked for an order"
        RETURN = "return", "put back from the bench"
        HAND_OVER = "hand over", "handed over"
        DEATH = "death", "died"
        SPROUT = "sprout", "sprouted"
        CUT = "cut", "cut"

    at = models.DateTimeField()
    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="movements")
    from_place = models.ForeignKey(Place, models.PROTECT, related_name="+")
    to_place = models.ForeignKey(Place, models.PROTECT, related_name="+")
    pieces = models.PositiveIntegerField()
    reason = models.CharField(max_length=10, choices=Reason.choices)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)
    device = models.CharField(max_length=40, blank=True)
    client_key = models.CharField(max_length=80, unique=True, null=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["from_place", "lot"], name="movement_from"),
            models.Index(fields=["to_place", "lot"], name="movement_to"),
        ]
        constraints = [
            models.CheckConstraint(condition=Q(pieces__gt=0), name="movement_pieces_over_zero"),
            models.CheckConstraint(
                condition=~Q(from_place=F("to_place")), name="movement_goes_somewhere"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pieces} of {self.lot} {self.from_place} -> {self.to_place}"


class Balance(models.Model):
    """What stands in one tray: the sum of its moves, and when it was last counted."""

    tray = models.OneToOneField("inventory.Tray", models.PROTECT, related_name="balance")
    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="balances")
    strain_form = models.ForeignKey("inventory.StrainForm", models.PROTECT, related_name="balances")
    pieces = models.IntegerField()
    counted_on = models.DateField()
    is_sample = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(pieces__gte=0), name="balance_never_below_zero")
        ]

    def __str__(self) -> str:
        return f"{self.tray}: {self.pieces} of {self.lot}"


class StockTotal(models.Model):
    """The roll-up: pieces of a strain-form by system and standing, kept with every move."""

    class Standing(models.TextChoices):
        READY = "ready", "ready"
        GROWING = "growing", "growing"
        KEPT = "kept", "kept"

    strain_form = models.ForeignKey("inventory.StrainForm", models.PROTECT, related_name="totals")
    system = models.ForeignKey("inventory.WaterSystem", models.PROTECT, related_name="totals")
    standing = models.CharField(max_length=7, choices=Standing.choices)
    pieces = models.IntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["strain_form", "system", "standing"], name="stock_total_once"
            ),
            models.CheckConstraint(condition=Q(pieces__gte=0), name="stock_total_never_below_zero"),
        ]
