"""What the graded looks lead to: the colour state of a strain, and what was said of its return."""

from django.conf import settings
from django.db import models


class ColourRun(models.Model):
    """A run of smoothed grades: where it stands and what is said of its return."""

    class State(models.TextChoices):
        IN_COLOUR = "in colour", "in colour"
        FADING = "fading", "fading"
        RESTING = "resting", "resting"
        RETURNING = "returning", "returning"

    value = models.FloatField()
    state = models.CharField(max_length=10, choices=State.choices)
    looked_on = models.DateField()
    rested_on = models.DateField(null=True)
    returned_on = models.DateField(null=True)
    back_likely_on = models.DateField(null=True)
    back_from_on = models.DateField(null=True)
    back_to_on = models.DateField(null=True)

    class Meta:
        abstract = True

    @property
    def is_resting(self) -> bool:
        return self.state in (self.State.RESTING, self.State.RETURNING)


class ColourState(ColourRun):
    """The smoothed grade of a colour strain and what it means for the list.

    While its systems differ, ``split_since`` is set and this row is that of its best system.
    """

    strain = models.OneToOneField("inventory.Strain", models.PROTECT, related_name="colour_state")
    split_since = models.DateField(null=True)


class ColourInSystem(ColourRun):
    """The same for one water system; rows are there only while a strain's systems differ."""

    strain = models.ForeignKey("inventory.Strain", models.PROTECT, related_name="colour_in_systems")
    system = models.ForeignKey("inventory.WaterSystem", models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["strain", "system"], name="colour_in_system_once")
        ]


class ReturnSaid(models.Model):
    """What was said of a resting strain's return, each time it changed; judged when it is back."""

    strain = models.ForeignKey("inventory.Strain", models.PROTECT, related_name="returns_said")
    rested_on = models.DateField()
    said_on = models.DateField()
    likely_on = models.DateField()
    from_on = models.DateField()
    to_on = models.DateField()
    returned_on = models.DateField(null=True)

    class Meta:
        ordering = ["said_on", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["strain", "rested_on", "said_on"], name="return_said_once_a_day"
            )
        ]

    @property
    def came_true(self) -> bool | None:
        """Whether it came back within the band; None while it rests."""
        if self.returned_on is None:
            return None
        return self.from_on <= self.returned_on <= self.to_on


class ColourWord(models.Model):
    """A person's word that a strain, or a strain in one system, rests or is back.

    It acts from the day it is signed; a proposal waits for a signature or is left.
    """

    strain = models.ForeignKey("inventory.Strain", models.PROTECT, related_name="colour_words")
    system = models.ForeignKey("inventory.WaterSystem", models.PROTECT, related_name="+", null=True)
    is_rest = models.BooleanField()
    reason = models.CharField(max_length=300)
    proposed_at = models.DateTimeField()
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    signed_on = models.DateField(null=True)
    settled_at = models.DateTimeField(null=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["settled_at", "id"]
        constraints = [
            models.CheckConstraint(condition=~models.Q(reason=""), name="colour_word_has_a_reason"),
            models.CheckConstraint(
                condition=models.Q(signed_on__isnull=True) | models.Q(settled_by__isnull=False),
                name="colour_word_signed_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        place = f" in system {self.system.code}" if self.system else ""
        return f"{self.strain.key}{place} {'rests' if self.is_rest else 'is back'}"

    @property
    def is_waiting(self) -> bool:
        return self.settled_at is None
