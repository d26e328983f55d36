"""What became of an order after it was sent: who changed it when and from where, line by line."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class OrderChange(models.Model):
    """One change of a sent order. Never edited: the next change is the next row.

    ``number`` is the version the order has after it; the order as it was sent is version 1.
    """

    class Channel(models.TextChoices):
        PAGE = "page", "page"
        SHEET = "sheet", "sheet"
        API = "api", "API"
        PHONE = "phone", "phone"
        BY_ITSELF = "by itself", "by itself"

    class Kind(models.TextChoices):
        CHANGED = "changed", "changed"
        WITHDRAWN = "withdrawn", "withdrawn"

    order = models.ForeignKey("orders.Order", models.PROTECT, related_name="changes")
    number = models.PositiveIntegerField()
    at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)
    channel = models.CharField(max_length=9, choices=Channel.choices)
    kind = models.CharField(max_length=9, choices=Kind.choices)
    reason = models.CharField(max_length=300, blank=True)
    # When its shop was told; at once where the shop made it or another letter tells of it.
    told_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["order", "number"]
        indexes = [
            models.Index(
                fields=["order"], name="order_change_untold", condition=Q(told_at__isnull=True)
            )
        ]
        constraints = [
            models.UniqueConstraint(fields=["order", "number"], name="order_change_numbered_once"),
            models.CheckConstraint(condition=Q(number__gt=1), name="order_change_after_sending"),
        ]

    def __str__(self) -> str:
        return f"{self.order} version {self.number}"


class OrderChangeRow(models.Model):
    """One line of a change, before and after. Asked 0: the line did not stand. In sale units."""

    change = models.ForeignKey(OrderChange, models.PROTECT, related_name="rows")
    line = models.ForeignKey("orders.Line", models.PROTECT, related_name="change_rows")
    asked_before = models.PositiveIntegerField()
    asked_after = models.PositiveIntegerField()
    least_before = models.PositiveIntegerField()
    least_after = models.PositiveIntegerField()
    promised_before = models.PositiveIntegerField()
    promised_after = models.PositiveIntegerField()
    price_before = models.DecimalField(max_digits=8, decimal_places=2, null=True)
    price_after = models.DecimalField(max_digits=8, decimal_places=2)

    class Meta:
        ordering = ["change", "line__position"]
        constraints = [
            models.UniqueConstraint(fields=["change", "line"], name="order_change_row_once"),
        ]
