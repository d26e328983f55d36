"""Share runs: what was asked, what the rule gave, and the sentence for each line."""

from django.conf import settings
from django.db import models


class ShareRun(models.Model):
    """One sharing out of a week. Inputs and result are frozen as text so they replay bytewise."""

    week = models.ForeignKey("orders.ShipWeek", models.PROTECT, related_name="share_runs")
    ran_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)
    # "by item" or "by order": orders/calc/share_orders.py.
    way = models.CharField(max_length=8, default="by item")
    inputs = models.TextField()
    inputs_hash = models.CharField(max_length=64)
    result = models.TextField()
    is_signed = models.BooleanField(default=False)

    class Meta:
        ordering = ["week", "id"]


class ShareLine(models.Model):
    """What one line got, in sale units, beside what the other rules would have given."""

    run = models.ForeignKey(ShareRun, models.PROTECT, related_name="lines")
    line = models.ForeignKey("orders.Line", models.PROTECT, related_name="shares")
    rule = models.CharField(max_length=12)
    is_short = models.BooleanField()
    available = models.PositiveIntegerField()
    asked = models.PositiveIntegerField()
    promised = models.PositiveIntegerField()
    # What the chosen way gives without a change by hand; what either way gives.
    by_rule = models.PositiveIntegerField()
    by_item = models.PositiveIntegerField(default=0)
    by_order = models.PositiveIntegerField(default=0)
    first_come = models.PositiveIntegerField()
    equal = models.PositiveIntegerField()
    proportional = models.PositiveIntegerField()
    sentence = models.CharField(max_length=500)
    buyer_sentence = models.CharField(max_length=500)
    hand_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["run", "line"], name="share_line_once_a_run")
        ]
