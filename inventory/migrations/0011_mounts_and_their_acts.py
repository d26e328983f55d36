from datetime import date

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

# As in fixtures/settings.csv, which a farm that runs already has read before they were there.
SETTINGS = (
    ("base_rinse_days", "3", "day", "M",
     "how many of the days to cure are rinsing: common practice"),
    ("soak_most_ph_rise", "0.2", "pH", "M",
     "the rise in a day's soak in seawater from which bases are rinsed on: common practice"),
    ("plug_buy_weeks", "6", "week", "L",
     "for how many weeks of cuts plugs lie ready; below it new ones are bought; chosen by the farm"),
)


def add_settings(apps, schema_editor):
    """Plugs and bases ask for them: without them that page of a running farm would stop."""
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
    ]

    operations = [
        migrations.RunPython(add_settings, migrations.RunPython.noop),
        migrations.AddField(
            model_name='basebatch',
            name='rinsed_on',
            field=models.DateField(null=True),
        ),
        migrations.AddField(
            model_name='pluglot',
            name='cleaned_on',
            field=models.DateField(null=True),
        ),
        migrations.AlterField(
            model_name='basebatch',
            name='state',
            field=models.CharField(choices=[('curing', 'curing'), ('rinsing', 'rinsing'), ('usable', 'usable'), ('used up', 'used up'), ('scrapped', 'scrapped')], max_length=8),
        ),
        migrations.AlterField(
            model_name='pluglot',
            name='state',
            field=models.CharField(choices=[('clean', 'clean'), ('returned unwashed', 'returned unwashed'), ('blocked', 'blocked')], max_length=20),
        ),
        migrations.CreateModel(
            name='MountAct',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('what', models.CharField(choices=[('mix', 'mixed'), ('rinse', 'rinse begun'), ('release', 'let out for use'), ('scrap', 'scrapped'), ('return', 'came back'), ('buy', 'bought new'), ('wash', 'washed'), ('disinfect', 'bleached and dried, signed')], max_length=9)),
                ('pieces', models.PositiveIntegerField()),
                ('done_on', models.DateField()),
                ('note', models.CharField(blank=True, max_length=200)),
                ('at', models.DateTimeField()),
                ('base_batch', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='acts', to='inventory.basebatch')),
                ('plug_lot', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='acts', to='inventory.pluglot')),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-at', '-id'],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('base_batch__isnull', False), ('plug_lot__isnull', True)), models.Q(('base_batch__isnull', True), ('plug_lot__isnull', False)), _connector='OR'), name='mount_act_of_bases_or_of_plugs')],
            },
        ),
    ]
