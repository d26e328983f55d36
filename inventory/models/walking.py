"""What growers see on the walk, counts, and the colour state those looks lead to."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class Sent(models.Model):
    """How a note or a count came in: whose phone sent it, or who keyed it in from a paper card."""

    client_id = models.CharField(max_length=60, unique=True)
    looked_at = models.DateTimeField()
    received_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    phone = models.ForeignKey("inventory.Phone", models.PROTECT, related_name="+", null=True)
    keyed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    # What the phone's own clock said, kept where the service had to correct it.
    sent_looked_at = models.DateTimeField(null=True)

    class Meta:
        abstract = True


class WalkNote(Sent):
    """One look at a trough or a tray. Ordered by when it was looked at, not when it arrived.

    Never deleted, and only its photo may follow: a note taken back has a counter-note.
    """

    class Kind(models.TextChoices):
        LOOK = "look", "looked"
        GRADE = "grade", "colour graded"
        READY = "ready", "graded ready"
        DEAD = "dead", "dead pieces"
        MOVE = "move", "tray moved"
        SHADE = "shade", "shade drawn"
        PEST = "pest", "pest"
        BLEACH = "bleach", "bleach"
        SURGE = "surge", "surge stalled"
        UNDO = "undo", "taken back"

    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.LOOK)
    trough = models.ForeignKey("inventory.Trough", models.PROTECT, related_name="notes")
    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="notes", null=True)
    strain = models.ForeignKey("inventory.Strain", models.PROTECT, related_name="notes", null=True)
    cohort = models.ForeignKey("inventory.Cohort", models.PROTECT, related_name="notes", null=True)
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
    dead_pieces = models.PositiveSmallIntegerField(null=True)
    movement = models.OneToOneField(
        "inventory.Movement", models.PROTECT, related_name="walk_note", null=True
    )
    tray_move = models.OneToOneField(
        "inventory.TrayMove", models.PROTECT, related_name="note", null=True
    )
    shade = models.ForeignKey("inventory.ShadeLog", models.PROTECT, related_name="+", null=True)
    hold = models.ForeignKey("inventory.Hold", models.PROTECT, related_name="notes", null=True)
    undoes = models.OneToOneField("self", models.PROTECT, related_name="undone_by", null=True)
    undoes_count = models.OneToOneField(
        "inventory.Count", models.PROTECT, related_name="undone_by", null=True
    )

    class Meta:
        indexes = [
            models.Index(fields=["trough", "looked_at"], name="walk_note_by_trough"),
            models.Index(fields=["strain", "looked_at"], name="walk_note_by_strain"),
            models.Index(fields=["looked_at"], name="walk_note_by_time"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(grade__isnull=True) | Q(grade__in=[0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4]),
                name="walk_note_grade_in_half_steps",
            ),
            models.CheckConstraint(
                condition=(Q(polyp__isnull=True) | Q(polyp__lte=3))
                & (Q(growth__isnull=True) | Q(growth__lte=3)),
                name="walk_note_polyp_and_growth_to_3",
            ),
            models.CheckConstraint(
                condition=Q(rooted_pieces__isnull=True)
                | Q(rooted_pieces__lte=models.F("sampled_pieces")),
                name="walk_note_rooted_within_sample",
            ),
        ]


class Count(Sent):
    """A count of one tray. A large upward one waits for a second pair of eyes."""

    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="counts")
    lot = models.ForeignKey("inventory.Lot", models.PROTECT, related_name="counts")
    pieces = models.PositiveIntegerField()
    pieces_before = models.PositiveIntegerField()
    is_sample = models.BooleanField(default=False)
    sure_share = models.DecimalField(max_digits=3, decimal_places=2, default=1)
    # What the tray's own count said before, so that this one can be taken back.
    counted_on_before = models.DateField(null=True)
    was_sample_before = models.BooleanField(default=False)
    is_waiting = models.BooleanField(default=False)
    movement = models.OneToOneField(
        "inventory.Movement", models.PROTECT, related_name="count", null=True
    )

    class Meta:
        indexes = [models.Index(fields=["tray", "looked_at"], name="count_by_tray")]


class VoiceNote(models.Model):
    """What a walker said about a note. It hangs on the note's client id, since a note that waits
    aside for a person's word has its voice before it has a row."""

    client_id = models.CharField(max_length=60, unique=True)
    path = models.CharField(max_length=120)
    media_type = models.CharField(max_length=20)
    seconds = models.PositiveSmallIntegerField(null=True)
    size_bytes = models.PositiveIntegerField()
    received_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    phone = models.ForeignKey("inventory.Phone", models.PROTECT, related_name="+", null=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.seconds} s" if self.seconds is not None else "a recording"


class TrayMove(models.Model):
    """A tray was carried to another place. Its light and its water are those of each place."""

    tray = models.ForeignKey("inventory.Tray", models.PROTECT, related_name="moves")
    from_trough = models.ForeignKey("inventory.Trough", models.PROTECT, related_name="+")
    from_slot = models.PositiveSmallIntegerField()
    to_trough = models.ForeignKey("inventory.Trough", models.PROTECT, related_name="+")
    to_slot = models.PositiveSmallIntegerField()
    at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["tray", "at"], name="tray_move_by_tray")]

    def __str__(self) -> str:
        return f"{self.tray} {self.from_trough} -> {self.to_trough}"


class Alarm(models.Model):
    """A call that stands on every staff page until somebody says that it was heard."""

    note = models.OneToOneField(WalkNote, models.PROTECT, related_name="alarm")
    words = models.CharField(max_length=200)
    raised_at = models.DateTimeField()
    answered_at = models.DateTimeField(null=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering = ["raised_at", "id"]
        indexes = [
            models.Index(
                fields=["id"], name="alarm_unanswered", condition=Q(answered_at__isnull=True)
            )
        ]

    def __str__(self) -> str:
        return self.words


class SurgeStop(models.Model):
    """The clock of a surge that stands still. It ends when it runs again or its hold acts."""

    trough = models.ForeignKey("inventory.Trough", models.PROTECT, related_name="surge_stops")
    note = models.OneToOneField(WalkNote, models.PROTECT, related_name="surge_stop")
    stopped_at = models.DateTimeField()
    hold_due_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    hold = models.ForeignKey("inventory.Hold", models.PROTECT, related_name="+", null=True)

    class Meta:
        ordering = ["hold_due_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["trough"], condition=Q(ended_at__isnull=True), name="surge_one_clock"
            )
        ]

    def __str__(self) -> str:
        return f"{self.trough} since {self.stopped_at:%Y-%m-%d %H:%M}"
