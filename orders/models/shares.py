"""Share runs: what was asked and what the rule gave. A line's sentence is made when it is read."""

from django.conf import settings
from django.db import models

from orders.calc.share_replay import Replay
from orders.calc.sharing import Share

# A page, a letter or a record reads one run over and over, line by line.
MOST_KEPT = 4
_kept: dict[tuple[str, str], Replay] = {}


class ShareRun(models.Model):
    """One sharing out of a week. What it was made from is frozen as text so that it replays
    bytewise: inputs, rule_numbers, way; result holds what each line got."""

    week = models.ForeignKey("orders.ShipWeek", models.PROTECT, related_name="share_runs")
    ran_at = models.DateTimeField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True)
    # "by item" or "by order": orders/calc/share_orders.py.
    way = models.CharField(max_length=8, default="by item")
    inputs = models.TextField()
    inputs_hash = models.CharField(max_length=64)
    # Weights, unit stretch, floor and cap as they were; orders/calc/share_rules.py.
    rule_numbers = models.TextField(default="")
    result = models.TextField()
    is_signed = models.BooleanField(default=False)

    class Meta:
        ordering = ["week", "id"]

    def replay(self) -> Replay:
        """The run, shared again as it is read. A run is never written twice, so that its texts'
        hash stands for it."""
        key = self.inputs_hash, self.rule_numbers
        found = _kept.pop(key, None)
        if found is None:
            found = Replay.read(inputs=self.inputs, settings=self.rule_numbers)
        _kept[key] = found
        while len(_kept) > MOST_KEPT:
            _kept.pop(next(iter(_kept)), None)
        return found


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
    hand_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["run", "line"], name="share_line_once_a_run")
        ]

    @property
    def ref(self) -> str:
        """What the rules call the line: its order and its place in it."""
        return f"{self.line.order.number}/{self.line.position}"

    @property
    def share(self) -> Share:
        """How the line's listing was shared, with its trace."""
        replay = self.run.replay()
        return replay.share(replay.listing_of[self.ref])

    @property
    def sentence(self) -> str:
        """What staff read of the line: every number that decided it."""
        return self.run.replay().sentence(ref=self.ref, counted_in=self._unit_word)

    @property
    def buyer_sentence(self) -> str:
        """What its buyer reads."""
        return self.run.replay().buyer_sentence(ref=self.ref, counted_in=self._unit_word)

    @property
    def _unit_word(self) -> str:
        return self.line.listing.strain_form.form.unit_word
