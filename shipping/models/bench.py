"""Bags, boxes and shipments on the packing bench."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class BagKind(models.Model):
    code = models.CharField(max_length=2, primary_key=True)
    use = models.CharField(max_length=80)
    water_ml = models.PositiveIntegerField()
    packed_l = models.DecimalField(max_digits=5, decimal_places=2)
    mass_kg = models.DecimalField(max_digits=5, decimal_places=2)
    rule = models.CharField(max_length=200)

    def __str__(self) -> str:
        return f"{self.code} {self.use}"


class BoxKind(models.Model):
    code = models.CharField(max_length=1, primary_key=True)
    inner_l_cm = models.DecimalField(max_digits=5, decimal_places=1)
    inner_w_cm = models.DecimalField(max_digits=5, decimal_places=1)
    inner_h_cm = models.DecimalField(max_digits=5, decimal_places=1)
    foam_cm = models.DecimalField(max_digits=3, decimal_places=1)
    tare_kg = models.DecimalField(max_digits=4, decimal_places=2)
    max_heat_packs = models.PositiveSmallIntegerField()


class Shipment(models.Model):
    class State(models.TextChoices):
        PLANNED = "planned", "planned"
        CLEARED = "cleared", "cleared"
        STOPPED = "stopped", "stopped"
        HANDED_OVER = "handed over", "handed over"
        DELIVERED = "delivered", "delivered"
        LATE = "late", "late"
        LOST = "lost", "lost"

    class FirstTry(models.TextChoices):
        TAKEN = "", "taken at the first try"
        REFUSED = "refused", "the shop refused the first delivery"
        WRONG_ADDRESS = "wrong address", "the address the shop gave was wrong"

    MOVES: dict[str, set[str]] = {
        "planned": {"cleared", "stopped"},
        "cleared": {"handed over", "stopped", "planned"},
        "stopped": {"cleared", "planned"},
        "handed over": {"delivered", "late", "lost"},
        "late": {"delivered", "lost"},
        "delivered": set(),
        "lost": set(),
    }

    code = models.CharField(max_length=16, unique=True)
    order = models.OneToOneField(
        "orders.Order", models.PROTECT, related_name="+", null=True, blank=True
    )
    customer = models.ForeignKey("orders.Customer", models.PROTECT, related_name="+")
    ship_to = models.ForeignKey("orders.ShipTo", models.PROTECT, related_name="+", null=True)
    ship_on = models.DateField()
    state = models.CharField(max_length=12, choices=State.choices, default=State.PLANNED)
    delivery = models.CharField(max_length=5, blank=True)
    tracking = models.CharField(max_length=40, blank=True)
    handed_over_at = models.DateTimeField(null=True)
    delivered_at = models.DateTimeField(null=True)
    collected_at = models.DateTimeField(null=True)
    # Terms of sale: otherwise than taken the arrival guarantee is void, and a person looks.
    first_try = models.CharField(max_length=13, choices=FirstTry.choices, blank=True)
    stop_reason = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return self.code


class Box(models.Model):
    class State(models.TextChoices):
        OPEN = "open", "open"
        SEALED = "sealed", "sealed"
        HANDED_OVER = "handed over", "handed over"

    shipment = models.ForeignKey(Shipment, models.PROTECT, related_name="boxes")
    number = models.PositiveSmallIntegerField()
    kind = models.ForeignKey(BoxKind, models.PROTECT, related_name="+", null=True)
    heat_packs = models.PositiveSmallIntegerField(default=0)
    gel_packs = models.PositiveSmallIntegerField(default=0)
    gross_kg = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    has_holes = models.BooleanField(default=False)
    has_lid_photo = models.BooleanField(default=False)
    state = models.CharField(max_length=12, choices=State.choices, default=State.OPEN)
    seal = models.CharField(max_length=20, blank=True)
    sealed_at = models.DateTimeField(null=True)
    sealed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["shipment", "number"]
        constraints = [
            models.UniqueConstraint(fields=["shipment", "number"], name="box_numbered_once"),
            models.CheckConstraint(
                condition=Q(gross_kg__isnull=True) | Q(gross_kg__lte=22.7),
                name="box_within_handling_limit",
            ),
        ]


class BagQuerySet(models.QuerySet["Bag"]):
    def filled(self) -> "BagQuerySet":
        """Bags that have pieces in them: all but those whose pieces were put back."""
        return self.exclude(state=Bag.State.RETURNED)


class Bag(models.Model):
    """One tray, one strain, one order line. Tray and system are a snapshot, for a recall."""

    class State(models.TextChoices):
        TIED = "tied", "tied"
        BOXED = "boxed", "boxed"
        GONE = "gone", "gone"
        OPENED = "opened", "opened"
        RETURNED = "returned", "returned"

    # With pieces in it, or beside it on the bench.
    HERE = ("tied", "boxed", "opened")

    code = models.CharField(max_length=16, unique=True)
    shipment = models.ForeignKey(Shipment, models.PROTECT, related_name="bags")
    line = models.ForeignKey("orders.Line", models.PROTECT, related_name="+", null=True)
    listing = models.ForeignKey("inventory.Listing", models.PROTECT, related_name="+")
    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="+", null=True)
    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="+")
    system = models.ForeignKey("inventory.WaterSystem", models.PROTECT, related_name="+")
    kind = models.ForeignKey(BagKind, models.PROTECT, related_name="+")
    pieces = models.PositiveSmallIntegerField()
    box = models.ForeignKey(Box, models.PROTECT, related_name="bags", null=True)
    has_cup = models.BooleanField(default=False)
    has_gloves = models.BooleanField(default=False)
    has_goggles = models.BooleanField(default=False)
    is_toxin = models.BooleanField(default=False)
    state = models.CharField(max_length=8, choices=State.choices, default=State.TIED)
    tied_at = models.DateTimeField()
    tied_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    objects = BagQuerySet.as_manager()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(condition=Q(pieces__gt=0), name="bag_pieces_over_zero"),
            models.CheckConstraint(
                condition=Q(is_toxin=False) | Q(has_gloves=True, has_goggles=True),
                name="bag_toxin_needs_gloves_and_goggles",
            ),
        ]
