from django.db import migrations, models


def count(apps, schema_editor):
    """How full each unit is, from where its tubes are stored now."""
    tubes, fill = apps.get_model("custody", "TubeState"), apps.get_model("custody", "Fill")
    rows = tubes.objects.filter(unit__isnull=False).order_by().values("unit").annotate(tubes=models.Count("pk"))
    fill.objects.bulk_create([fill(**row) for row in rows], batch_size=500)


def forget(apps, schema_editor):
    """Nothing: the table goes, and with it what was counted."""


class Migration(migrations.Migration):

    dependencies = [
        ('custody', '0003_packed_returned'),
    ]

    operations = [
        migrations.CreateModel(
            name='Fill',
            fields=[
                ('unit', models.CharField(max_length=20, primary_key=True, serialize=False)),
                ('tubes', models.PositiveIntegerField()),
            ],
        ),
        migrations.RemoveIndex(
            model_name='line',
            name='lines_of_a_subject',
        ),
        migrations.AddIndex(
            model_name='line',
            index=models.Index(fields=['what', 'subject'], name='lines_of_a_subject'),
        ),
        migrations.AddIndex(
            model_name='tubestate',
            index=models.Index(fields=['unit'], name='tubes_of_a_unit'),
        ),
        migrations.RunPython(count, forget),
    ]
