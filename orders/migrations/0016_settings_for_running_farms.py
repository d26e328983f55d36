from datetime import date

from django.db import migrations

# As in fixtures/settings.csv, which a farm that runs already has read before they were there.
SETTINGS = (
    ("quantity_event_s", "30", "second", "M",
     "changes of a line within it are told together; below the minute in which an event must leave"),
    ("change_letter_quiet_min", "10", "minute", "L",
     "changes of an order by the office within it go in one letter; chosen by the farm"),
)


def add_settings(apps, schema_editor):
    """The feed and the letters ask for them at every tick: without them a running farm would stop."""
    setting = apps.get_model("inventory", "Setting")
    if not setting.objects.exists():
        return  # a farm that is set up anew reads them from its own file
    for name, value, unit, confidence, reason in SETTINGS:
        if not setting.objects.filter(name=name).exists():
            setting.objects.create(
                name=name, scope_kind="farm", scope="", value=value, unit=unit,
                confidence=confidence, owner="office lead", set_on=date(2026, 1, 1), reason=reason,
            )


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0010_cut_on_bases'),
        ('orders', '0015_payment_terms'),
    ]

    operations = [migrations.RunPython(add_settings, migrations.RunPython.noop)]
