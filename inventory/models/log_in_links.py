"""Links by which a person sets a password: good once, for some hours, never kept in the open."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class LogInLink(models.Model):
    """One link for one person. The word in it is reckoned from this row and the farm's own key."""

    class Kind(models.TextChoices):
        INVITE = "invite", "invitation"
        RESET = "reset", "new password"

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="links")
    kind = models.CharField(max_length=6, choices=Kind.choices)
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True
    )
    used_at = models.DateTimeField(null=True)
    void_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["invite", "reset"]), name="log_in_link_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=models.F("made_at")), name="log_in_link_ends_later"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} for {self.user.name}"
