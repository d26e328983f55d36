"""Lots of pieces with one history, cohorts of propagules, and what cuts are mounted on."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class FirstDrop(models.Model):
    """The first propagule seen to fall from a species' trees in a season."""

    strain = models.ForeignKey("inventory.Strain", models.PROTECT, related_name="first_drops")
    dropped_on = models.DateField()
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["strain", "dropped_on"], name="first_drop_once")
        ]


class Cohort(models.Model):
    class State(models.TextChoices):
        ON_TREE = "on tree", "on the tree"
        COLLECTED = "collected", "collected"
        ROOTING = "rooting", "rooting"
        ROOTED = "rooted", "rooted"
        SPROUTING = "sprouting", "sprouting"
        SPROUTED = "sprouted", "sprouted"
        FINISHED = "finished", "finished"
        LOST = "lost", "lost"

    code = models.CharField(max_length=12, unique=True)
    strain = models.ForeignKey("inventory.Strain", models.PROTECT, related_name="cohorts")
    collected_on = models.DateField()
    collected_pieces = models.PositiveIntegerField()
    rooted_on = models.DateField(null=True)
    p50_on = models.DateField(null=True)
    p80_on = models.DateField(null=True)
    state = models.CharField(max_length=10, choices=State.choices)
    note = models.CharField(max_length=200, blank=True)

    def __str__(self) -> str:
        return self.code


class Lot(models.Model):
    class State(models.TextChoices):
        CUT = "cut", "cut"
        HEALING = "healing", "healing"
        GROWING = "growing", "growing"
        READY = "ready", "ready"
        SPENT = "spent", "spent"
        KEPT = "kept", "kept"
        LOST = "lost", "lost"

    # Every move a lot may make, and no other.
    MOVES: dict[str, set[str]] = {
        "cut": {"healing", "kept", "lost"},
        "healing": {"growing", "kept", "lost"},
        "growing": {"ready", "kept", "lost", "spent"},
        "ready": {"growing", "spent", "kept", "lost"},
        "spent": {"ready", "lost"},
        "kept": {"ready", "lost"},
        "lost": set(),
    }

    code = models.CharField(max_length=24, unique=True)
    strain_form = models.ForeignKey("inventory.StrainForm", models.PROTECT, related_name="lots")
    state = models.CharField(max_length=8, choices=State.choices)
    cut_on = models.DateField(null=True)
    cut_pieces = models.PositiveIntegerField(null=True)
    parent = models.ForeignKey("self", models.PROTECT, related_name="cuttings", null=True)
    generation = models.PositiveSmallIntegerField(default=0)
    cohort = models.ForeignKey(Cohort, models.PROTECT, related_name="lots", null=True)
    p50_on = models.DateField(null=True)
    p80_on = models.DateField(null=True)
    shell_min_cm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    shell_max_cm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    age_months = models.PositiveSmallIntegerField(null=True)
    origin = models.CharField(max_length=12, default="farm-raised")
    paper = models.CharField(max_length=12, blank=True)
    base_batch = models.ForeignKey("BaseBatch", models.PROTECT, related_name="lots", null=True)
    # Kept beside the care records so that supply reads it in its one statement.
    dip_due_on = models.DateField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(
                    state__in=["cut", "healing", "growing", "ready", "spent", "kept", "lost"]
                ),
                name="lot_state_known",
            ),
            models.CheckConstraint(
                condition=Q(p50_on__isnull=True) | Q(p80_on__gte=F("p50_on")),
                name="lot_p80_not_before_p50",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class BaseBatch(models.Model):
    """Bases of one mixing. They cure, are rinsed, and may be used once somebody lets them out."""

    class State(models.TextChoices):
        CURING = "curing", "curing"
        RINSING = "rinsing", "rinsing"
        USABLE = "usable", "usable"
        USED_UP = "used up", "used up"
        SCRAPPED = "scrapped", "scrapped"

    # Every move a batch may make, and no other.
    MOVES: dict[str, set[str]] = {
        "curing": {"rinsing", "scrapped"},
        "rinsing": {"usable", "scrapped"},
        "usable": {"used up", "scrapped"},
        "used up": set(),
        "scrapped": set(),
    }

    code = models.CharField(max_length=12, unique=True)
    pieces = models.PositiveIntegerField()
    mixed_on = models.DateField(null=True)
    rinsed_on = models.DateField(null=True)
    usable_on = models.DateField(null=True)
    state = models.CharField(max_length=8, choices=State.choices)

    def __str__(self) -> str:
        return self.code


class PlugLot(models.Model):
    """Plugs of one kind, state and source that lie on one heap."""

    class State(models.TextChoices):
        CLEAN = "clean", "clean"
        RETURNED = "returned unwashed", "returned unwashed"
        BLOCKED = "blocked", "blocked"

    kind = models.CharField(max_length=20)
    count = models.PositiveIntegerField()
    state = models.CharField(max_length=20, choices=State.choices)
    source_system = models.ForeignKey(
        "inventory.WaterSystem", models.PROTECT, related_name="+", null=True
    )
    # Empty for plugs that were never used.
    cleaned_on = models.DateField(null=True)

    def __str__(self) -> str:
        return f"{self.kind}, {self.state}"


class MountAct(models.Model):
    """What somebody did with bases or plugs: who, when, how many. Never changed."""

    class What(models.TextChoices):
        MIX = "mix", "mixed"
        RINSE = "rinse", "rinse begun"
        RELEASE = "release", "let out for use"
        SCRAP = "scrap", "scrapped"
        RETURN = "return", "came back"
        BUY = "buy", "bought new"
        WASH = "wash", "washed"
        DISINFECT = "disinfect", "bleached and dried, signed"

    what = models.CharField(max_length=9, choices=What.choices)
    base_batch = models.ForeignKey(BaseBatch, models.PROTECT, related_name="acts", null=True)
    plug_lot = models.ForeignKey(PlugLot, models.PROTECT, related_name="acts", null=True)
    pieces = models.PositiveIntegerField()
    done_on = models.DateField()
    note = models.CharField(max_length=200, blank=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["-at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(base_batch__isnull=False, plug_lot__isnull=True)
                | Q(base_batch__isnull=True, plug_lot__isnull=False),
                name="mount_act_of_bases_or_of_plugs",
            )
        ]

    def __str__(self) -> str:
        return f"{self.base_batch or self.plug_lot}: {self.pieces} {self.get_what_display()}"


class HealCheck(models.Model):
    """The look at a lot some three weeks after its cut: how many were cut, how many live."""

    lot = models.OneToOneField(Lot, models.PROTECT, related_name="heal_check")
    checked_on = models.DateField()
    cut_pieces = models.PositiveIntegerField()
    alive_pieces = models.PositiveIntegerField()
    # Whether the share in force was signed with this check behind it.
    is_learned = models.BooleanField(default=False)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["checked_on", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(alive_pieces__lte=F("cut_pieces"), cut_pieces__gt=0),
                name="heal_check_alive_within_cut",
            )
        ]

    def __str__(self) -> str:
        return f"{self.lot}: {self.alive_pieces} of {self.cut_pieces}"
