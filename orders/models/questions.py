"""What a buyer is asked about a line that cannot go as it was promised, and what came of it."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class RestQuestion(models.Model):
    """An inked line whose strain has gone to rest. Asked once a rest; its answer is kept."""

    class State(models.TextChoices):
        ASKED = "asked", "waits for an answer"
        ANSWERED = "answered", "answered"
        LAPSED = "lapsed", "not answered in time"
        VOID = "void", "needs no answer any more"

    class Choice(models.TextChoices):
        WINTER = "winter", "winter colour"
        INSTEAD = "instead", "another strain"
        WAIT = "wait", "wait for its return"
        CANCEL = "cancel", "cancel the line"

    line = models.ForeignKey("orders.Line", models.PROTECT, related_name="rest_questions")
    units = models.PositiveIntegerField()
    reason = models.CharField(max_length=300)
    asked_at = models.DateTimeField()
    state = models.CharField(max_length=8, choices=State.choices, default=State.ASKED)
    choice = models.CharField(max_length=7, choices=Choice.choices, blank=True)
    settled_at = models.DateTimeField(null=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    new_line = models.ForeignKey("orders.Line", models.PROTECT, related_name="+", null=True)

    class Meta:
        ordering = ["line__order__number", "line__position"]
        constraints = [
            models.UniqueConstraint(
                fields=["line"], condition=Q(state="asked"), name="rest_question_one_open"
            ),
            models.CheckConstraint(
                condition=Q(state="asked") | Q(settled_at__isnull=False),
                name="rest_question_settled_when",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.line}: {self.get_state_display()}"
