from datetime import date

from django.db import migrations

LEARNED = "chosen by the farm, to be learned from its own records"
BELIEVED = "what the farm believes before it has shipped: one dead in fifty; " + LEARNED
# As in fixtures/settings.csv, which a farm that runs already has read before they were there.
SETTINGS = (
    ("return_band_few_days", "28", "day", "L", "no curve loaded and too few seasons of looks"),
    ("return_band_seasons", "2", "seasons", "L", LEARNED),
    ("place_look_days", "60", "day", "L", LEARNED),
    ("place_prior_looks", "4", "looks", "L", LEARNED),
    ("place_least_gain", "0.5", "grade", "L", LEARNED),
    ("place_least_looks", "6", "looks", "L", LEARNED),
    ("place_most_share", "0.60", "share", "L", LEARNED),
    ("healing_days", "14", "day", "L", LEARNED),
    ("base_cure_days", "33", "day", "M", "30 to cure and 3 to rinse: common practice"),
    ("base_hours", "0.05", "h", "M", LEARNED),
    ("base_batch_pieces", "160", "pieces", "M", LEARNED),
    ("base_notice_days", "5", "work day", "L",
     "how long before the last day to mix the lead is written to; chosen by the farm"),
    ("demand_weeks", "8", "week", "L", LEARNED),
    ("demand_season_days", "45", "day", "L", LEARNED),
    ("demand_factor", "1.1", "", "L", LEARNED),
    ("cut_stony_an_hour", "45", "pieces", "L", LEARNED),
    ("cut_soft_an_hour", "70", "pieces", "L", LEARNED),
    ("season_least_looks", "6", "looks", "L", LEARNED),
    ("loss_prior_dead", "1", "pieces", "L", BELIEVED),
    ("loss_prior_alive", "49", "pieces", "L", BELIEVED),
    ("loss_line", "0.05", "share", "L",
     "the share dead above which a lane is too costly; chosen by the farm"),
    ("loss_sure", "0.90", "share", "L",
     "how sure it must be before a tighter rule is proposed; chosen by the farm"),
    ("loss_least_pieces", "60", "pieces", "L",
     "pieces shipped before anything is proposed; chosen by the farm"),
    ("loss_tighter_c", "1.0", "deg C", "L",
     "how far both caution lines are drawn in on a lane that lost too many; chosen by the farm"),
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
        ('orders', '0016_settings_for_running_farms'),
        ('shipping', '0006_lessons'),
    ]

    operations = [migrations.RunPython(add_settings, migrations.RunPython.noop)]
