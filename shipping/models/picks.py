"""Pick sheets: which pieces leave which tray, in walking order, for whom."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class PickSheet(models.Model):
    """One system's walk on one ship day, or the separate walk for toxic lines."""

    class State(models.TextChoices):
        DRAWN = "drawn", "drawn"
        PRINTED = "printed", "printed"
        STALE = "stale", "stale"
        KEYED_IN = "keyed in", "keyed in"
        CLOSED = "closed", "closed"

    week = models.ForeignKey("orders.ShipWeek", models.PROTECT, related_name="+")
    ship_on = models.DateField()
    number = models.PositiveSmallIntegerField()
    system = models.ForeignKey("inventory.WaterSystem", models.PROTECT, related_name="+")
    is_toxin = models.BooleanField(default=False)
    stamp = models.CharField(max_length=8, unique=True)
    content = models.TextField(default="")
    state = models.CharField(max_length=8, choices=State.choices, default=State.DRAWN)
    drawn_at = models.DateTimeField()
    checksum_pieces = models.PositiveIntegerField()
    walk_m = models.FloatField()
    walk_min = models.FloatField()
    replaces = models.OneToOneField("self", models.PROTECT, related_name="replaced_by", null=True)
    stale_reason = models.CharField(max_length=200, blank=True)
    keyed_at = models.DateTimeField(null=True)
    keyed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["ship_on", "number", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["ship_on", "number"],
                condition=~Q(state="stale"),
                name="pick_sheet_one_live_a_number",
            )
        ]

    def __str__(self) -> str:
        return f"sheet {self.number} of {self.ship_on:%a %-d %b}"


class PickTask(models.Model):
    """Pieces for one promise out of one tray. A task points at a tray, never only at a strain."""

    sheet = models.ForeignKey(PickSheet, models.PROTECT, related_name="tasks")
    stop = models.PositiveSmallIntegerField()
    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="+")
    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="+")
    promise = models.ForeignKey("orders.Promise", models.PROTECT, related_name="+")
    # A second pick, asked for by a person: its bags are numbered apart from those first printed.
    refill = models.ForeignKey("shipping.Refill", models.PROTECT, related_name="tasks", null=True)
    pieces = models.PositiveIntegerField()
    leave_pieces = models.PositiveIntegerField(default=0)
    picked_pieces = models.PositiveIntegerField(null=True)
    short_reason = models.CharField(max_length=120, blank=True)
    movement = models.OneToOneField(
        "inventory.Movement", models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["sheet", "stop", "promise__line__order__number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(picked_pieces__isnull=True) | Q(picked_pieces__lte=F("pieces")),
                name="pick_task_picked_within_asked",
            )
        ]


class Shortfall(models.Model):
    """Promised pieces that are not there. A person settles it; no rule shrinks the promise."""

    strain_form = models.ForeignKey("inventory.StrainForm", models.PROTECT, related_name="+")
    week = models.ForeignKey("orders.ShipWeek", models.PROTECT, related_name="+")
    pieces = models.PositiveIntegerField()
    cause = models.CharField(max_length=200)
    found_at = models.DateTimeField()
    remedies = models.JSONField(default=list)
    settled_at = models.DateTimeField(null=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    settled_how = models.CharField(max_length=300, blank=True)


class Refill(models.Model):
    """Pieces of one tray that a person lets make good a shortfall.

    With a promise: a second pick for a line that was picked and lacks them. Without one: pieces
    above what is counted on, looked at and found good, which the sheets of the week may take.
    """

    shortfall = models.ForeignKey(Shortfall, models.PROTECT, related_name="refills")
    promise = models.ForeignKey("orders.Promise", models.PROTECT, related_name="+", null=True)
    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="+")
    pieces = models.PositiveIntegerField()
    at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    # Picked, or not to be picked any more.
    ended_at = models.DateTimeField(null=True)
    ended_why = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=Q(pieces__gt=0), name="refill_pieces_over_zero")
        ]


class FreightCredit(models.Model):
    """The share of a box's freight that a shop is credited for what is carried to a later week."""

    class State(models.TextChoices):
        DRAFTED = "drafted", "drafted"
        APPROVED = "approved", "approved"
        APPLIED = "applied", "applied"
        VOID = "void", "void"

    shortfall = models.ForeignKey(Shortfall, models.PROTECT, related_name="freight_credits")
    order = models.ForeignKey("orders.Order", models.PROTECT, related_name="+")
    carried = models.ForeignKey("orders.Order", models.PROTECT, related_name="+")
    amount = models.DecimalField(max_digits=10, decimal_places=2)
    sentence = models.CharField(max_length=300)
    at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    state = models.CharField(max_length=8, choices=State.choices, default=State.DRAFTED)
    approved_at = models.DateTimeField(null=True)
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(amount__gte=0), name="freight_credit_not_below_zero"
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["approved", "applied"]) | Q(approved_by__isnull=False),
                name="freight_credit_approved_by",
            ),
        ]
