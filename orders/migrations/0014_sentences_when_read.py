"""A line's sentence is made when it is read; a run keeps its rule's numbers and what lines got."""

import json

from django.db import migrations, models


def _text(value):
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def keep_numbers(apps, schema_editor):
    """From the traces of earlier runs, which are made again when they are read."""
    ShareRun = apps.get_model("orders", "ShareRun")
    for run in ShareRun.objects.order_by("pk").iterator(chunk_size=20):
        rows = [row for row in json.loads(run.result) if "trace" in row]
        numbers = [row["trace"]["settings"] for row in rows if row["trace"].get("settings")]
        run.rule_numbers = _text(numbers[0]) if numbers else ""
        run.result = _text(
            [
                {
                    "listing": row["listing"],
                    "promised": {
                        ref: line["promised"] for ref, line in row["trace"]["lines"].items()
                    },
                }
                for row in rows
            ]
        )
        run.save(update_fields=["rule_numbers", "result"])


class Migration(migrations.Migration):
    dependencies = [("orders", "0013_changes_told")]

    operations = [
        migrations.AddField("sharerun", "rule_numbers", models.TextField(default="")),
        migrations.RunPython(keep_numbers, migrations.RunPython.noop),
        migrations.RemoveField("shareline", "sentence"),
        migrations.RemoveField("shareline", "buyer_sentence"),
    ]
