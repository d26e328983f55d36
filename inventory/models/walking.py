"""What growers see on the walk, counts, and the colour state those looks lead to."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class WalkNote(models.Model):
    """One look at a trough or a tray. Ordered by when it was looked at, not when it arrived."""

    client_id = models.CharField(max_length=60, unique=True)
    trough = models.ForeignKey("inventory.Trough", models.PROTECT, related_name="notes")
    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="notes", null=True)
    strain = models.ForeignKey("inventory.Strain", models.PROTECT, related_name="notes", null=True)
    cohort = models.ForeignKey("inventory.Cohort", models.PROTECT, related_name="notes", null=True)
    looked_at = models.DateTimeField()
    received_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    grade = models.DecimalField(max_digits=2, decimal_places=1, null=True)
    is_signed = models.BooleanField(default=False)
    polyp = models.PositiveSmallIntegerField(null=True)
    growth = models.PositiveSmallIntegerField(null=True)
    light = models.CharField(max_length=10, blank=True)
    flow = models.CharField(max_length=10, blank=True)
    is_pest = models.BooleanField(default=False)
    sampled_pieces = models.PositiveSmallIntegerField(null=True)
    rooted_pieces = models.PositiveSmallIntegerField(null=True)
    stalled_min = models.PositiveSmallIntegerField(null=True)
    text = models.CharField(max_length=300, blank=True)
    photo = models.CharField(max_length=120, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["trough", "looked_at"], name="walk_note_by_trough"),
            models.Index(fields=["strain", "looked_at"], name="walk_note_by_strain"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(grade__isnull=True) | Q(grade__in=[0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4]),
                name="walk_note_grade_in_half_steps",
            ),
            models.CheckConstraint(
                condition=Q(rooted_pieces__isnull=True)
                | Q(rooted_pieces__lte=models.F("sampled_pieces")),
                name="walk_note_rooted_within_sample",
            ),
        ]


class Count(models.Model):
    """A count of one tray. A large upward one waits for a second pair of eyes."""

    client_id = models.CharField(max_length=60, unique=True)
    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="counts")
    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="counts")
    pieces = models.PositiveIntegerField()
    pieces_before = models.PositiveIntegerField()
    is_sample = models.BooleanField(default=False)
    sure_share = models.DecimalField(max_digits=3, decimal_places=2, default=1)
    looked_at = models.DateTimeField()
    received_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    is_waiting = models.BooleanField(default=False)
    movement = models.OneToOneField(
        "inventory.Movement", models.PROTECT, related_name="count", null=True
    )

    class Meta:
        indexes = [models.Index(fields=["tray", "looked_at"], name="count_by_tray")]


class ColourState(models.Model):
    """The smoothed grade of a colour strain and what it means for the list."""

    class State(models.TextChoices):
        IN_COLOUR = "in colour", "in colour"
        FADING = "fading", "fading"
        RESTING = "resting", "resting"
        RETURNING = "returning", "returning"

    strain = models.OneToOneField("inventory.Strain", models.PROTECT, related_name="colour_state")
    value = models.FloatField()
    state = models.CharField(max_length=10, choices=State.choices)
    looked_on = models.DateField()
    rested_on = models.DateField(null=True)
    returned_on = models.DateField(null=True)
    back_likely_on = models.DateField(null=True)
    back_from_on = models.DateField(null=True)
    back_to_on = models.DateField(null=True)

    @property
    def is_resting(self) -> bool:
        return self.state in (self.State.RESTING, self.State.RETURNING)
