"""What is grown and how it is offered."""

from django.db import models
from django.db.models import F, Q


class StrainClass(models.Model):
    code = models.CharField(max_length=4, primary_key=True)
    name = models.CharField(max_length=40)
    list_order = models.PositiveSmallIntegerField(unique=True)

    class Meta:
        ordering = ["list_order"]

    def __str__(self) -> str:
        return self.name


class Strain(models.Model):
    """A line of clones from one parent."""

    class Colour(models.TextChoices):
        NONE = "none", "the same all year"
        WINTER_OUT = "winter-out", "out of colour in winter"
        SUMMER_OUT = "summer-out", "out of colour in summer"

    key = models.CharField(max_length=3, unique=True)
    name = models.CharField(max_length=60)
    taxon = models.CharField(max_length=80)
    strain_class = models.ForeignKey(StrainClass, models.PROTECT, related_name="strains")
    level = models.PositiveSmallIntegerField()
    sting = models.PositiveSmallIntegerField(default=0)
    toxin = models.PositiveSmallIntegerField(default=0)
    is_spiky = models.BooleanField(default=False)
    cites_appendix = models.CharField(max_length=3, blank=True)
    is_reexport = models.BooleanField(default=False)
    law_watch = models.CharField(max_length=200, blank=True)
    colour = models.CharField(max_length=10, choices=Colour.choices, default=Colour.NONE)
    colour_n50_h = models.FloatField(null=True)
    colour_k_per_h = models.FloatField(null=True)
    colour_lag_days = models.PositiveSmallIntegerField(null=True)
    drop_season = models.CharField(max_length=20, blank=True)
    held_since = models.PositiveSmallIntegerField()
    is_making = models.BooleanField(default=True)
    floor_pieces = models.PositiveSmallIntegerField(default=0)
    hard_floor_pieces = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["strain_class__list_order", "key"]
        constraints = [
            models.CheckConstraint(
                condition=Q(floor_pieces__gte=F("hard_floor_pieces"))
                & (Q(hard_floor_pieces__gte=4) | Q(floor_pieces=0, hard_floor_pieces=0)),
                name="strain_floor_at_or_above_hard_floor",
            ),
            models.CheckConstraint(
                condition=Q(sting__lte=3, toxin__lte=3), name="strain_sting_and_toxin_0_to_3"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"

    @property
    def is_colour_strain(self) -> bool:
        return self.colour != self.Colour.NONE


class Form(models.Model):
    key = models.CharField(max_length=8, unique=True)
    name = models.CharField(max_length=40)
    unit_pieces = models.PositiveSmallIntegerField(default=1)
    minimum_line = models.PositiveSmallIntegerField(default=1)
    positions = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(unit_pieces__gte=1), name="form_unit_at_least_one")
        ]

    def __str__(self) -> str:
        return self.key

    @property
    def unit_word(self) -> str:
        return unit_word(self.unit_pieces)


def unit_word(unit_pieces: int) -> str:
    """What a form is counted in when it is sold."""
    return "packs" if unit_pieces > 1 else "pieces"


class StrainForm(models.Model):
    """A strain in one form. Its row is the lock under which its trays are promised."""

    strain = models.ForeignKey(Strain, models.PROTECT, related_name="forms")
    form = models.ForeignKey(Form, models.PROTECT, related_name="strain_forms")
    bag = models.CharField(max_length=2)
    reference_days = models.PositiveSmallIntegerField(null=True)
    heal_share = models.DecimalField(max_digits=4, decimal_places=3, null=True)
    yield_pieces = models.PositiveSmallIntegerField(null=True)

    class Meta:
        ordering = ["strain__strain_class__list_order", "strain__key", "form__key"]
        constraints = [models.UniqueConstraint(fields=["strain", "form"], name="strain_form_once")]

    def __str__(self) -> str:
        return f"{self.strain.key} {self.form.key}"


def look_words(look: str) -> str:
    """What whoever orders a look must know of it; empty for the look in colour."""
    if look != Listing.Look.WINTER:
        return ""
    return "winter look: these pieces are out of colour now and arrive so"


class Listing(models.Model):
    """A strain-form as it is offered: in its colour, or in its winter look at its own price."""

    class Look(models.TextChoices):
        COLOUR = "", "in colour"
        WINTER = "winter", "winter look"

    class Rule(models.TextChoices):
        MIXED = "mixed", "mixed"
        FIRST_COME = "first_come", "first come"
        EQUAL = "equal", "equal share"
        PROPORTIONAL = "proportional", "proportional"

    name = models.CharField(max_length=24, unique=True)
    strain_form = models.ForeignKey(StrainForm, models.PROTECT, related_name="listings")
    look = models.CharField(max_length=8, choices=Look.choices, blank=True, default=Look.COLOUR)
    title = models.CharField(max_length=80)
    share_rule = models.CharField(max_length=12, choices=Rule.choices, default=Rule.MIXED)
    photo = models.CharField(max_length=120, blank=True)
    photo_light = models.CharField(max_length=10, blank=True)
    photo_on = models.DateField(null=True)

    class Meta:
        ordering = ["strain_form__strain__strain_class__list_order", "name"]
        constraints = [
            models.UniqueConstraint(fields=["strain_form", "look"], name="listing_one_a_look"),
            models.CheckConstraint(
                condition=Q(share_rule__in=["mixed", "first_come", "equal", "proportional"]),
                name="listing_share_rule_known",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_winter(self) -> bool:
        return self.look == self.Look.WINTER

    @property
    def look_words(self) -> str:
        """What whoever orders it must know of how it looks; empty for a listing in colour."""
        return look_words(self.look)


class Substitute(models.Model):
    listing = models.ForeignKey(Listing, models.CASCADE, related_name="substitutes")
    substitute = models.ForeignKey(Listing, models.CASCADE, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["listing", "substitute"], name="substitute_once")
        ]
