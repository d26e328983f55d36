from datetime import date

from django.db import migrations

# As in fixtures/settings.csv, which a farm that runs already has read before they were there.
SETTINGS = (
    ("seal_before_truck_min", "30", "min", "M",
     "boxes sealed until 15:30, truck from 16:00: the farm's own week"),
)


def add_settings(apps, schema_editor):
    """Pages and rules ask for them: without them those of a running farm would stop."""
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
        ('inventory', '0013_voice_notes'),
        ('shipping', '0009_incidents'),
    ]

    operations = [migrations.RunPython(add_settings, migrations.RunPython.noop)]
