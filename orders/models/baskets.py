"""What buyers prepare before they send: drafts, what they want every week, what they wait for."""

from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q


class Basket(models.Model):
    """The draft of one ship-to for one week, shared by everybody who orders for that customer."""

    ship_to = models.ForeignKey("orders.ShipTo", models.CASCADE, related_name="baskets")
    week = models.ForeignKey("orders.ShipWeek", models.CASCADE, related_name="baskets")
    ship_on = models.DateField(null=True)
    version_seen = models.PositiveSmallIntegerField(null=True)
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["ship_to", "week"], name="basket_one_a_week")
        ]

    def __str__(self) -> str:
        return f"basket of {self.ship_to} for {self.week}"


class BasketRow(models.Model):
    """One listing of a basket as it was typed: what cannot be read is kept and answered."""

    basket = models.ForeignKey(Basket, models.CASCADE, related_name="rows")
    listing = models.ForeignKey("inventory.Listing", models.CASCADE, related_name="+")
    asked = models.CharField(max_length=40, blank=True)
    least = models.CharField(max_length=40, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["basket", "listing"], name="basket_row_once")
        ]


class SheetRead(models.Model):
    """A filled sheet as it was read into a draft: its rows kept and refused, its stamp's words."""

    week = models.ForeignKey("orders.ShipWeek", models.CASCADE, related_name="sheets_read")
    ship_to = models.ForeignKey("orders.ShipTo", models.CASCADE, related_name="sheets_read")
    basket = models.ForeignKey(Basket, models.SET_NULL, related_name="sheets_read", null=True)
    version = models.PositiveSmallIntegerField()
    file_name = models.CharField(max_length=120)
    notes: Any = models.JSONField(default=list)
    lines: Any = models.JSONField(default=list)
    differences: Any = models.JSONField(default=list)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    put_back_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.file_name} for {self.ship_to}, {self.week}"

    @property
    def kept(self) -> list[dict[str, Any]]:
        return [row for row in self.lines if row["outcome"] != "refused"]

    @property
    def refused(self) -> list[dict[str, Any]]:
        return [row for row in self.lines if row["outcome"] == "refused"]


class StandingRow(models.Model):
    """What a ship-to wants every week. It drops into the basket and is never sent by itself."""

    ship_to = models.ForeignKey("orders.ShipTo", models.CASCADE, related_name="standing")
    listing = models.ForeignKey("inventory.Listing", models.CASCADE, related_name="+")
    asked = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["ship_to", "listing"], name="standing_row_once"),
            models.CheckConstraint(condition=Q(asked__gt=0), name="standing_asked_over_zero"),
        ]


class Watch(models.Model):
    """A customer asks to be told when a listing is back or opens. Told once.

    Asked by nobody's name where its own system asked: then everybody there is told. ``wanted`` is
    what the ship-to asked of it last. [sale units]
    """

    customer = models.ForeignKey("orders.Customer", models.CASCADE, related_name="watches")
    listing = models.ForeignKey("inventory.Listing", models.CASCADE, related_name="+")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+", null=True)
    ship_to = models.ForeignKey("orders.ShipTo", models.CASCADE, related_name="+", null=True)
    wanted = models.PositiveIntegerField(null=True)
    asked_at = models.DateTimeField()
    told_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["customer", "listing"],
                condition=Q(told_at__isnull=True),
                name="watch_one_waiting",
            )
        ]


class AskSnapshot(models.Model):
    """What is asked of an open list at its last refresh, as text: likely promises read it."""

    week = models.OneToOneField("orders.ShipWeek", models.CASCADE, related_name="asks")
    at = models.DateTimeField()
    body = models.TextField()


class QuantitySnapshot(models.Model):
    """What retailers' systems were told of an open list's lines last, as text, and when it was
    looked at. ``mark`` says what stock and promises were like then."""

    week = models.OneToOneField("orders.ShipWeek", models.CASCADE, related_name="quantities")
    at = models.DateTimeField()
    mark = models.CharField(max_length=80, blank=True)
    body = models.TextField()


class LikelyWord(models.Model):
    """What a buyer was told when an order was sent; compared with what was promised."""

    line = models.OneToOneField("orders.Line", models.CASCADE, related_name="likely")
    low = models.PositiveIntegerField()
    likely = models.PositiveIntegerField()
    high = models.PositiveIntegerField()
