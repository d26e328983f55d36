"""Orders, their lines and the promises made on them."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inventory.errors import ForbiddenMove


class Order(models.Model):
    class State(models.TextChoices):
        BASKET = "basket", "basket"
        SENT = "sent", "sent"
        CHECKED = "checked", "checked"
        PROMISED = "promised", "promised"
        IN_PICK = "in pick", "in pick"
        PACKED = "packed", "packed"
        ON_THE_ROAD = "on the road", "on the road"
        ARRIVED = "arrived", "arrived"
        SETTLED = "settled", "settled"
        SET_ASIDE = "set aside", "set aside"
        WITHDRAWN = "withdrawn", "withdrawn"

    MOVES: dict[str, set[str]] = {
        "basket": {"sent"},
        "sent": {"checked", "promised", "set aside", "withdrawn"},
        "checked": {"promised", "set aside", "withdrawn"},
        "set aside": {"checked", "promised", "withdrawn"},
        "promised": {"in pick", "set aside", "withdrawn"},
        "in pick": {"packed"},
        "packed": {"on the road"},
        "on the road": {"arrived"},
        "arrived": {"settled"},
        "settled": set(),
        "withdrawn": set(),
    }

    class Source(models.TextChoices):
        PAGE = "page", "page"
        SHEET = "sheet", "sheet"
        API = "api", "API"
        PHONE = "phone", "phone"

    number = models.CharField(max_length=12, unique=True)
    customer = models.ForeignKey("orders.Customer", models.PROTECT, related_name="orders")
    ship_to = models.ForeignKey("orders.ShipTo", models.PROTECT, related_name="orders")
    week = models.ForeignKey("orders.ShipWeek", models.PROTECT, related_name="orders")
    ship_on = models.DateField()
    tier = models.PositiveSmallIntegerField()
    source = models.CharField(max_length=5, choices=Source.choices)
    state = models.CharField(max_length=12, choices=State.choices, default=State.SENT)
    idempotency_key = models.CharField(max_length=80)
    sent_at = models.DateTimeField()
    version_seen = models.PositiveSmallIntegerField(null=True)
    # Counts up with every change: whoever changes says which one was read.
    version = models.PositiveIntegerField(default=1)
    placed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    is_late_risk_accepted = models.BooleanField(default=False)
    # The shop lets this one go to the depot where its ship-to does not as a rule.
    is_depot_accepted = models.BooleanField(default=False)
    note = models.CharField(max_length=300, blank=True)
    office_note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(fields=["customer", "idempotency_key"], name="order_one_a_key"),
        ]

    def __str__(self) -> str:
        return self.number

    def move_to(self, state: str, *, why: str = "that is not a move an order makes") -> None:
        """Move the order to another state and save it. Raises ForbiddenMove."""
        if state not in self.MOVES[self.state]:
            raise ForbiddenMove(
                kind="Order",
                name=self.number,
                state=self.get_state_display(),
                wanted=state,
                why=why,
            )
        self.state = state
        self.save(update_fields=["state"])


class Line(models.Model):
    """One listing of an order. Asked, unit and least are in sale units."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        REFUSED = "refused", "refused"
        NEEDS_PAPER = "needs paper", "waits for a paper"
        NEEDS_PERSON = "needs person", "waits for a person"
        WITHDRAWN = "withdrawn", "withdrawn"

    order = models.ForeignKey(Order, models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    listing = models.ForeignKey("inventory.Listing", models.PROTECT, related_name="+")
    asked = models.PositiveIntegerField()
    unit = models.PositiveIntegerField(default=1)
    least = models.PositiveIntegerField(default=1)
    # Pencilled at once from what is left; every other line waits for the sharing out.
    is_first_come = models.BooleanField(default=False)
    state = models.CharField(max_length=12, choices=State.choices, default=State.OPEN)
    reason_code = models.CharField(max_length=40, blank=True)
    reason = models.CharField(max_length=400, blank=True)
    unit_price = models.DecimalField(max_digits=8, decimal_places=2)
    # Set where the line was raised or added after the order was sent: its place among equals and
    # the day of its price go by it.
    sent_at = models.DateTimeField(null=True)
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    confirmed_at = models.DateTimeField(null=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["order", "position"]
        constraints = [
            models.UniqueConstraint(fields=["order", "listing"], name="line_once_a_listing"),
            models.CheckConstraint(condition=Q(asked__gt=0), name="line_asked_over_zero"),
            models.CheckConstraint(
                condition=Q(least__lte=F("asked"), unit__gte=1), name="line_least_within_asked"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order} {self.listing}"


class Promise(models.Model):
    """Pieces promised to a line. Their sum never exceeds what stands above the floor."""

    class State(models.TextChoices):
        PENCILLED = "pencilled", "pencilled"
        INKED = "inked", "inked"
        PULLED = "pulled", "pulled"
        BAGGED = "bagged", "bagged"
        GONE = "gone", "gone"
        FREED = "freed", "freed"
        MISSED = "missed", "missed"

    LIVE = ("pencilled", "inked", "pulled", "bagged")
    # Pieces that have left their tray no longer weigh on the count.
    IN_THE_WATER = ("pencilled", "inked")
    CUTTABLE = ("inked", "pulled", "bagged")
    MOVES: dict[str, set[str]] = {
        "pencilled": {"inked", "freed"},
        "inked": {"pulled", "freed", "missed"},
        "pulled": {"bagged", "inked", "missed", "freed"},
        "bagged": {"gone", "pulled"},
        "gone": set(),
        "freed": set(),
        "missed": set(),
    }

    line = models.OneToOneField(Line, models.PROTECT, related_name="promise")
    strain_form = models.ForeignKey("inventory.StrainForm", models.PROTECT, related_name="+")
    week = models.ForeignKey("orders.ShipWeek", models.PROTECT, related_name="promises")
    units = models.PositiveIntegerField()
    pieces = models.PositiveIntegerField()
    pieces_out = models.PositiveIntegerField(default=0)
    state = models.CharField(max_length=9, choices=State.choices)
    pencilled_at = models.DateTimeField(null=True)
    inked_at = models.DateTimeField(null=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["strain_form", "week", "state"], name="promise_by_strain_form")
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(pieces_out__lte=F("pieces")), name="promise_out_within_pieces"
            ),
            models.CheckConstraint(
                condition=Q(
                    state__in=[
                        "pencilled",
                        "inked",
                        "pulled",
                        "bagged",
                        "gone",
                        "freed",
                        "missed",
                    ]
                ),
                name="promise_state_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.line}: {self.pieces} {self.state}"


class PromisedTotal(models.Model):
    """Live promised pieces of a strain-form in a week that still stand in the water.

    Kept in the promises' own transactions. Its guarded update is the second fence against
    overselling, behind the lock.
    """

    strain_form = models.ForeignKey("inventory.StrainForm", models.PROTECT, related_name="+")
    week = models.ForeignKey("orders.ShipWeek", models.PROTECT, related_name="promised_totals")
    pieces = models.IntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["strain_form", "week"], name="promised_total_once_a_week"
            ),
            models.CheckConstraint(
                condition=Q(pieces__gte=0), name="promised_total_never_below_zero"
            ),
        ]


class ExportTick(models.Model):
    """A person has seen to one thing a live export needs."""

    class Kind(models.TextChoices):
        DECLARATION = "declaration", "export declaration filed"
        PORT = "port", "leaves by a designated port"
        LICENCE = "licence", "export licence current"

    order = models.ForeignKey(Order, models.PROTECT, related_name="export_ticks")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["order", "kind"], name="export_tick_once")]
