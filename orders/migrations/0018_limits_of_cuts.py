from datetime import date

from django.db import migrations

# As in fixtures/settings.csv, which a farm that runs already has read before they were there.
SETTINGS = (
    ("cutter_hours_week", "10", "h", "L",
     "two cutters on Thursday from 07:00 to 12:00; spread over the work days of a week; chosen by "
     "the farm"),
    ("parents_sale_share", "0.5", "share", "L",
     "the most of what stands for sale in a week that is cut up; chosen by the farm"),
)


def add_settings(apps, schema_editor):
    """The cut plan asks for them: without them its page and the morning's letters would stop."""
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
        ('inventory', '0011_mounts_and_their_acts'),
        ('orders', '0017_watches_with_what_was_wanted'),
    ]

    operations = [migrations.RunPython(add_settings, migrations.RunPython.noop)]
