import django.db.models.deletion
import simple_history.models
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('biobank', '0002_plans_sets_animals'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Count',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('why', models.CharField(max_length=400)),
                ('weight', models.PositiveIntegerField(default=0)),
                ('asked', models.DateTimeField()),
                ('started', models.DateTimeField(null=True)),
                ('finished', models.DateTimeField(null=True)),
                ('key', models.UUIDField(null=True, unique=True)),
                ('event', models.UUIDField(null=True)),
                ('next_slot', models.CharField(blank=True, default='', max_length=6)),
                ('expected', models.PositiveIntegerField(default=0)),
                ('found', models.PositiveIntegerField(default=0)),
                ('wrong_place', models.PositiveIntegerField(default=0)),
                ('not_found', models.PositiveIntegerField(default=0)),
                ('extra', models.PositiveIntegerField(default=0)),
                ('unreadable', models.PositiveIntegerField(default=0)),
            ],
            options={
                'ordering': ['-finished', '-weight', 'pk'],
            },
        ),
        migrations.CreateModel(
            name='CountDraw',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('at', models.DateTimeField()),
                ('seed', models.CharField(max_length=32)),
                ('wanted', models.PositiveIntegerField()),
                ('considered', models.JSONField(help_text='[[box, weight, [reason, …]], …]')),
                ('chosen', models.JSONField(help_text='[[box, risk or chance], …]')),
            ],
            options={
                'ordering': ['-at', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='CountRead',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tube', models.CharField(blank=True, max_length=9)),
                ('row', models.PositiveSmallIntegerField(null=True)),
                ('col', models.PositiveSmallIntegerField(null=True)),
                ('taken_for', models.CharField(blank=True, max_length=9)),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='HistoricalRotor',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('name', models.CharField(max_length=60)),
                ('places', models.PositiveSmallIntegerField()),
                ('radius_mm', models.PositiveSmallIntegerField(verbose_name='radius, mm')),
                ('max_rpm', models.PositiveIntegerField(verbose_name='largest speed, rpm')),
                ('retired', models.BooleanField(default=False, verbose_name='no longer in use')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical rotor',
                'verbose_name_plural': 'historical rotors',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='Rotor',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=60)),
                ('places', models.PositiveSmallIntegerField()),
                ('radius_mm', models.PositiveSmallIntegerField(verbose_name='radius, mm')),
                ('max_rpm', models.PositiveIntegerField(verbose_name='largest speed, rpm')),
                ('retired', models.BooleanField(default=False, verbose_name='no longer in use')),
            ],
            options={
                'ordering': ['name'],
            },
        ),
        migrations.RemoveConstraint(
            model_name='unit',
            name='unit_naming_is_known',
        ),
        migrations.AlterField(
            model_name='historicalunit',
            name='naming',
            field=models.CharField(choices=[('A1', 'A1, A2, …: letters for rows'), ('1-81', '1, 2, … row by row'), ('down', '1, 2, … column by column'), ('AC', 'A1, A2, …: letters for columns')], default='A1', max_length=5),
        ),
        migrations.AlterField(
            model_name='unit',
            name='naming',
            field=models.CharField(choices=[('A1', 'A1, A2, …: letters for rows'), ('1-81', '1, 2, … row by row'), ('down', '1, 2, … column by column'), ('AC', 'A1, A2, …: letters for columns')], default='A1', max_length=5),
        ),
        migrations.AddConstraint(
            model_name='unit',
            constraint=models.CheckConstraint(condition=models.Q(('naming__in', ['A1', '1-81', 'down', 'AC'])), name='unit_naming_is_known'),
        ),
        migrations.AddField(
            model_name='count',
            name='after',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='queued', to='biobank.count'),
        ),
        migrations.AddField(
            model_name='count',
            name='by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='count',
            name='unit',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='counts', to='biobank.unit'),
        ),
        migrations.AddField(
            model_name='countdraw',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='count',
            name='draw',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='counts', to='biobank.countdraw'),
        ),
        migrations.AddField(
            model_name='countread',
            name='count',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='reads', to='biobank.count'),
        ),
        migrations.AddField(
            model_name='historicalrotor',
            name='agency',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicalrotor',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='rotor',
            name='agency',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='rotors', to='biobank.agency'),
        ),
        migrations.AddConstraint(
            model_name='count',
            constraint=models.UniqueConstraint(condition=models.Q(('finished', None)), fields=('unit',), name='one_open_count_a_box'),
        ),
        migrations.AddConstraint(
            model_name='count',
            constraint=models.CheckConstraint(condition=models.Q(('finished', None), models.Q(('by__isnull', False), ('key__isnull', False), ('started__isnull', False)), _connector='OR'), name='a_finished_count_says_who_and_when'),
        ),
        migrations.AddConstraint(
            model_name='countread',
            constraint=models.UniqueConstraint(condition=models.Q(('tube', ''), _negated=True), fields=('count', 'tube'), name='a_tube_once_in_a_count'),
        ),
        migrations.AddConstraint(
            model_name='countread',
            constraint=models.UniqueConstraint(condition=models.Q(('row__isnull', False)), fields=('count', 'row', 'col'), name='one_reading_a_slot_in_a_count'),
        ),
        migrations.AddConstraint(
            model_name='rotor',
            constraint=models.UniqueConstraint(fields=('agency', 'name'), name='rotor_name_once'),
        ),
        migrations.AddConstraint(
            model_name='rotor',
            constraint=models.CheckConstraint(condition=models.Q(('places__gte', 2), ('places__lte', 200)), name='rotor_has_places'),
        ),
        migrations.AddConstraint(
            model_name='rotor',
            constraint=models.CheckConstraint(condition=models.Q(('max_rpm__gte', 1), ('radius_mm__gte', 1)), name='rotor_turns'),
        ),
    ]
