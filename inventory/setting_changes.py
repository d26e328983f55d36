"""HOP settings: a rule's number from a day on. What was reckoned before keeps the old one.

Call from: config/edit_settings.py.
Locks: the newest row of the same name and scope, so that two people write one after the other.
"""

from datetime import date, datetime

from django.db import transaction
from django.utils import timezone

from inventory.changing import note_change
from inventory.errors import FarmError
from inventory.models import Happening, Setting
from inventory.people import User

# Whose number it is: the owner column of settings.csv.
GROWER_LEAD = "grower lead"


class SettingInPast(FarmError):
    code = "setting_in_past"
    status = 422
    title = "That day has passed"
    message = (
        "{name} cannot change from {day}: what was reckoned then keeps its number. Let it start "
        "today or later."
    )


def right_of(setting: Setting) -> str:
    """Who may change it: the grower lead the growing side's numbers, the office the others."""
    return "set_grower_numbers" if setting.owner == GROWER_LEAD else "set_office_numbers"


@transaction.atomic
def set_setting(
    *,
    setting: Setting,
    value: str,
    confidence: str,
    starts_on: date,
    reason: str,
    user: User,
    now: datetime,
) -> Setting:
    """A setting's value from a day on. A row that starts that very day is written anew.

    Raises SettingInPast, ReasonMissing, NotAllowed.
    """
    user.must(right_of(setting))
    if starts_on < timezone.localdate(now):
        raise SettingInPast(name=setting.name, day=f"{starts_on:%-d %b %Y}")
    same = Setting.objects.filter(
        name=setting.name, scope_kind=setting.scope_kind, scope=setting.scope
    )
    list(same.select_for_update().order_by("pk"))
    was = same.filter(set_on__lte=starts_on).order_by("-set_on", "-id").first()
    kept, _ = Setting.objects.update_or_create(
        name=setting.name,
        scope_kind=setting.scope_kind,
        scope=setting.scope,
        set_on=starts_on,
        defaults={
            "value": value,
            "unit": setting.unit,
            "confidence": confidence,
            "owner": setting.owner,
            "reason": reason.strip()[:300],
        },
    )
    name = " ".join(filter(None, (setting.name, setting.scope)))
    for field, before, after in (
        ("value", was.value if was else "", value),
        ("confidence", was.confidence if was else "", confidence),
    ):
        if before != after:
            note_change(
                what="setting",
                name=name,
                field=field,
                was=before,
                now_is=after,
                reason=reason,
                user=user,
                at=now,
                starts_on=starts_on,
            )
    facts = {"setting": name, "value": value, "starts_on": starts_on.isoformat(), "reason": reason}
    Happening.objects.create(kind="setting.changed", at=now, facts=facts)
    return kept
