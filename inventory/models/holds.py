"""Holds: a stop on a system, trough, tray or lot that acts the moment it is raised."""

from datetime import date, timedelta

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone


class Hold(models.Model):
    class Grade(models.TextChoices):
        SUSPECTED = "suspected", "suspected"
        CONFIRMED = "confirmed", "confirmed"

    class State(models.TextChoices):
        RAISED = "raised", "raised"
        CONFIRMED = "confirmed", "confirmed"
        EASING = "easing", "easing"
        LIFTED = "lifted", "lifted"
        VOID = "void", "void"

    OPEN = ("raised", "confirmed", "easing")

    code = models.CharField(max_length=12, unique=True)
    system = models.ForeignKey(
        "inventory.WaterSystem", models.PROTECT, related_name="holds", null=True
    )
    trough = models.ForeignKey("inventory.Trough", models.PROTECT, related_name="holds", null=True)
    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="holds", null=True)
    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="holds", null=True)
    reason = models.CharField(max_length=200)
    grade = models.CharField(max_length=9, choices=Grade.choices)
    state = models.CharField(max_length=9, choices=State.choices, default=State.RAISED)
    raised_at = models.DateTimeField()
    raised_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    needs_looks = models.PositiveSmallIntegerField(default=3)
    days_apart = models.PositiveSmallIntegerField(default=7)
    look_back_days = models.PositiveSmallIntegerField(default=21)
    # Kept beside the looks so that supply reads it in its one statement.
    lift_expected_on = models.DateField(null=True)
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    ended_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=(
                    Q(
                        system__isnull=False,
                        trough__isnull=True,
                        tray__isnull=True,
                        lot__isnull=True,
                    )
                    | Q(
                        system__isnull=True,
                        trough__isnull=False,
                        tray__isnull=True,
                        lot__isnull=True,
                    )
                    | Q(
                        system__isnull=True,
                        trough__isnull=True,
                        tray__isnull=False,
                        lot__isnull=True,
                    )
                    | Q(
                        system__isnull=True,
                        trough__isnull=True,
                        tray__isnull=True,
                        lot__isnull=False,
                    )
                ),
                name="hold_has_one_scope",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["raised", "confirmed", "easing", "lifted", "void"]),
                name="hold_state_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} on {self.scope}"

    @property
    def is_open(self) -> bool:
        return self.state in self.OPEN

    @property
    def scope(self) -> str:
        return str(self.system or self.trough or self.tray or self.lot)

    def counted_looks(self) -> list[date]:
        """Days of the clean looks that count, each far enough after the one before."""
        counted: list[date] = []
        for look in self.looks.all():
            if not look.is_clean:
                counted = []
            elif look.is_counted:
                counted.append(look.looked_on)
        return counted

    def earliest_lift_on(self) -> date:
        """The earliest day on which the looks could have earned the lift. [date]"""
        looks = list(self.looks.all())
        counted = self.counted_looks()
        missing = max(0, self.needs_looks - len(counted))
        last = looks[-1].looked_on if looks and not looks[-1].is_clean else self.raised_on
        return (counted[-1] if counted else last) + timedelta(days=self.days_apart * missing)

    @property
    def raised_on(self) -> date:
        return timezone.localdate(self.raised_at)


class HoldLook(models.Model):
    """A look for the cause of a hold. ``is_counted`` says whether it was far enough apart."""

    hold = models.ForeignKey(Hold, models.PROTECT, related_name="looks")
    looked_at = models.DateTimeField()
    looked_on = models.DateField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    is_clean = models.BooleanField()
    is_counted = models.BooleanField()

    class Meta:
        ordering = ["looked_at"]
        constraints = [models.UniqueConstraint(fields=["hold", "looked_at"], name="hold_look_once")]
