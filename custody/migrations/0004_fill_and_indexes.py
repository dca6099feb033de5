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
        migrations.AlterField(
            model_name='event',
            name='of',
            field=models.UUIDField(null=True),
        ),
        migrations.AlterField(
            model_name='event',
            name='ref',
            field=models.UUIDField(null=True),
        ),
        migrations.AlterField(
            model_name='tubestate',
            name='parent',
            field=models.CharField(max_length=20, null=True),
        ),
        migrations.AlterField(
            model_name='tubestate',
            name='workup',
            field=models.CharField(max_length=24, null=True),
        ),
        migrations.AddIndex(
            model_name='event',
            index=models.Index(condition=models.Q(('ref__isnull', False)), fields=['ref'], name='events_that_answer'),
        ),
        migrations.AddIndex(
            model_name='event',
            index=models.Index(condition=models.Q(('of__isnull', False)), fields=['of'], name='events_that_amend'),
        ),
        migrations.AddIndex(
            model_name='line',
            index=models.Index(fields=['what', 'subject'], name='lines_of_a_subject'),
        ),
        migrations.AddIndex(
            model_name='tubestate',
            index=models.Index(condition=models.Q(('unit__isnull', False)), fields=['unit'], name='tubes_of_a_unit'),
        ),
        migrations.AddIndex(
            model_name='tubestate',
            index=models.Index(condition=models.Q(('parent__isnull', False)), fields=['parent'], name='tubes_of_a_parent'),
        ),
        migrations.AddIndex(
            model_name='tubestate',
            index=models.Index(condition=models.Q(('workup__isnull', False)), fields=['workup'], name='tubes_of_a_workup'),
        ),
        migrations.AddIndex(
            model_name='tubestate',
            index=models.Index(condition=models.Q(('pending_to__isnull', False)), fields=['pending_to'], name='tubes_on_the_way'),
        ),
        migrations.AddIndex(
            model_name='tubestate',
            index=models.Index(condition=models.Q(('pending_to__isnull', False)), fields=['custodian', 'tube'], name='tubes_given_away'),
        ),
        migrations.AddIndex(
            model_name='tubestate',
            index=models.Index(condition=models.Q(('disputes__gt', 0)), fields=['tube'], name='tubes_in_dispute'),
        ),
        migrations.RunPython(count, forget),
    ]
