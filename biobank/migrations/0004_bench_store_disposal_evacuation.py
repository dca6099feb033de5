import django.db.models.deletion
import simple_history.models
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('biobank', '0003_counts_rotors_namings'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Consent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('given_by', models.CharField(max_length=120)),
                ('given_on', models.DateField()),
                ('how', models.CharField(choices=[('letter', 'letter'), ('mail', 'mail'), ('phone', 'phone'), ('meeting', 'in person')], max_length=8)),
                ('reference', models.CharField(max_length=120)),
                ('note', models.CharField(blank=True, max_length=400)),
                ('box', models.CharField(blank=True, max_length=20)),
                ('noted_at', models.DateTimeField()),
                ('withdrawn_at', models.DateTimeField(blank=True, null=True)),
            ],
            options={
                'ordering': ['-noted_at', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='ConsentRule',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('plan', models.CharField(blank=True, max_length=20)),
                ('asks', models.CharField(choices=[('others', 'before others discard what is not empty'), ('always', 'before every discard, its own too'), ('never', 'never: the holder decides')], max_length=8)),
                ('source', models.CharField(max_length=200)),
            ],
            options={
                'ordering': ['plan'],
            },
        ),
        migrations.CreateModel(
            name='ConsentTube',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tube', models.CharField(db_index=True, max_length=9)),
            ],
        ),
        migrations.CreateModel(
            name='Evacuation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('opened', models.DateTimeField()),
                ('why', models.CharField(max_length=400)),
                ('warm_since', models.DateTimeField(blank=True, null=True)),
                ('end_key', models.UUIDField(null=True, unique=True)),
                ('ended', models.DateTimeField(null=True)),
                ('note', models.CharField(blank=True, max_length=400)),
            ],
            options={
                'ordering': [models.OrderBy(models.F('ended'), descending=True, nulls_first=True), '-opened', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='ExposureLimit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('band', models.CharField(choices=[('frozen', '−18 to −35 °C'), ('deep', '−60 to −85 °C'), ('nitrogen', 'below −135 °C')], max_length=8, verbose_name='class')),
                ('minutes', models.PositiveSmallIntegerField()),
                ('source', models.CharField(max_length=200)),
            ],
        ),
        migrations.CreateModel(
            name='HistoricalConsent',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('key', models.UUIDField(db_index=True)),
                ('given_by', models.CharField(max_length=120)),
                ('given_on', models.DateField()),
                ('how', models.CharField(choices=[('letter', 'letter'), ('mail', 'mail'), ('phone', 'phone'), ('meeting', 'in person')], max_length=8)),
                ('reference', models.CharField(max_length=120)),
                ('note', models.CharField(blank=True, max_length=400)),
                ('box', models.CharField(blank=True, max_length=20)),
                ('noted_at', models.DateTimeField()),
                ('withdrawn_at', models.DateTimeField(blank=True, null=True)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical consent',
                'verbose_name_plural': 'historical consents',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalConsentRule',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('plan', models.CharField(blank=True, max_length=20)),
                ('asks', models.CharField(choices=[('others', 'before others discard what is not empty'), ('always', 'before every discard, its own too'), ('never', 'never: the holder decides')], max_length=8)),
                ('source', models.CharField(max_length=200)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical consent rule',
                'verbose_name_plural': 'historical consent rules',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalExposureLimit',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('band', models.CharField(choices=[('frozen', '−18 to −35 °C'), ('deep', '−60 to −85 °C'), ('nitrogen', 'below −135 °C')], max_length=8, verbose_name='class')),
                ('minutes', models.PositiveSmallIntegerField()),
                ('source', models.CharField(max_length=200)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical exposure limit',
                'verbose_name_plural': 'historical exposure limits',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalThermalEvent',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('key', models.UUIDField(db_index=True)),
                ('from_ms', models.BigIntegerField()),
                ('to_ms', models.BigIntegerField()),
                ('max_centi', models.SmallIntegerField(blank=True, null=True, verbose_name='warmest measured, hundredths of °C')),
                ('probe', models.CharField(blank=True, max_length=80, verbose_name='measured with')),
                ('note', models.CharField(max_length=400)),
                ('at', models.DateTimeField()),
                ('withdrawn', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_why', models.CharField(blank=True, max_length=200)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical thermal event',
                'verbose_name_plural': 'historical thermal events',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='Pass',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('mode', models.CharField(default='look-up', max_length=10)),
                ('held', models.JSONField(blank=True, default=dict)),
                ('said', models.JSONField(blank=True, default=list)),
                ('updated', models.DateTimeField()),
            ],
            options={
                'verbose_name_plural': 'passes',
            },
        ),
        migrations.CreateModel(
            name='Swap',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('close_key', models.UUIDField(null=True, unique=True)),
                ('why', models.CharField(max_length=200)),
                ('listed', models.JSONField()),
                ('opened', models.DateTimeField()),
                ('closed', models.DateTimeField(null=True)),
                ('closed_why', models.CharField(blank=True, max_length=400)),
                ('left', models.JSONField(default=list)),
            ],
            options={
                'ordering': ['-opened', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='ThawAnswer',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('returned', models.UUIDField(unique=True)),
                ('counted', models.BooleanField()),
                ('why', models.CharField(max_length=200)),
                ('at', models.DateTimeField()),
            ],
        ),
        migrations.CreateModel(
            name='ThermalEvent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('from_ms', models.BigIntegerField()),
                ('to_ms', models.BigIntegerField()),
                ('max_centi', models.SmallIntegerField(blank=True, null=True, verbose_name='warmest measured, hundredths of °C')),
                ('probe', models.CharField(blank=True, max_length=80, verbose_name='measured with')),
                ('note', models.CharField(max_length=400)),
                ('at', models.DateTimeField()),
                ('withdrawn', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_why', models.CharField(blank=True, max_length=200)),
            ],
            options={
                'ordering': ['-from_ms', '-pk'],
            },
        ),
        migrations.RemoveConstraint(
            model_name='unit',
            name='unit_kind_is_known_word',
        ),
        migrations.AlterField(
            model_name='historicalunit',
            name='kind',
            field=models.CharField(choices=[('freezer', 'freezer'), ('tank', 'tank'), ('fridge', 'fridge'), ('cooler', 'cooler'), ('shipper', 'shipper'), ('shelf', 'shelf'), ('drawer', 'drawer'), ('rack', 'rack'), ('canister', 'canister'), ('goblet', 'goblet'), ('box', 'box'), ('bench', 'bench'), ('room', 'room')], max_length=8),
        ),
        migrations.AlterField(
            model_name='unit',
            name='kind',
            field=models.CharField(choices=[('freezer', 'freezer'), ('tank', 'tank'), ('fridge', 'fridge'), ('cooler', 'cooler'), ('shipper', 'shipper'), ('shelf', 'shelf'), ('drawer', 'drawer'), ('rack', 'rack'), ('canister', 'canister'), ('goblet', 'goblet'), ('box', 'box'), ('bench', 'bench'), ('room', 'room')], max_length=8),
        ),
        migrations.AddConstraint(
            model_name='unit',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['freezer', 'tank', 'fridge', 'cooler', 'shipper', 'shelf', 'drawer', 'rack', 'canister', 'goblet', 'box', 'bench', 'room'])), name='unit_kind_is_known_word'),
        ),
        migrations.AddField(
            model_name='consent',
            name='agency',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='consents', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='consent',
            name='noted_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='consentrule',
            name='owner',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='consent_rules', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='consentrule',
            name='programme',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='consent_rules', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='consenttube',
            name='consent',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='tubes', to='biobank.consent'),
        ),
        migrations.AddField(
            model_name='evacuation',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='evacuation',
            name='ended_by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='evacuation',
            name='unit',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='evacuations', to='biobank.unit'),
        ),
        migrations.AddField(
            model_name='exposurelimit',
            name='programme',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='exposure_limits', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='historicalconsent',
            name='agency',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicalconsent',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalconsent',
            name='noted_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalconsentrule',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalconsentrule',
            name='owner',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicalconsentrule',
            name='programme',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='historicalexposurelimit',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalexposurelimit',
            name='programme',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='historicalthermalevent',
            name='by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalthermalevent',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalthermalevent',
            name='unit',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.unit'),
        ),
        migrations.AddField(
            model_name='historicalthermalevent',
            name='withdrawn_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='pass',
            name='person',
            field=models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='swap',
            name='closed_by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='swap',
            name='into',
            field=models.ManyToManyField(related_name='+', to='biobank.unit'),
        ),
        migrations.AddField(
            model_name='swap',
            name='opened_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='swap',
            name='out_of',
            field=models.ManyToManyField(related_name='+', to='biobank.unit'),
        ),
        migrations.AddField(
            model_name='thawanswer',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='thermalevent',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='thermalevent',
            name='unit',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='thermal_events', to='biobank.unit'),
        ),
        migrations.AddField(
            model_name='thermalevent',
            name='withdrawn_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddConstraint(
            model_name='consent',
            constraint=models.CheckConstraint(condition=models.Q(('how__in', ['letter', 'mail', 'phone', 'meeting'])), name='consent_how_is_known_word'),
        ),
        migrations.AddConstraint(
            model_name='consent',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('given_by', ''), _negated=True), models.Q(('reference', ''), _negated=True)), name='consent_says_who_and_where'),
        ),
        migrations.AddConstraint(
            model_name='consentrule',
            constraint=models.UniqueConstraint(fields=('programme', 'plan'), name='one_consent_rule_a_plan'),
        ),
        migrations.AddConstraint(
            model_name='consentrule',
            constraint=models.CheckConstraint(condition=models.Q(('asks__in', ['others', 'always', 'never'])), name='consent_rule_asks_is_known_word'),
        ),
        migrations.AddConstraint(
            model_name='consentrule',
            constraint=models.CheckConstraint(condition=models.Q(('source', ''), _negated=True), name='consent_rule_has_a_source'),
        ),
        migrations.AddConstraint(
            model_name='consenttube',
            constraint=models.UniqueConstraint(fields=('consent', 'tube'), name='a_tube_once_in_a_consent'),
        ),
        migrations.AddConstraint(
            model_name='evacuation',
            constraint=models.UniqueConstraint(condition=models.Q(('ended', None)), fields=('unit',), name='one_open_evacuation_a_unit'),
        ),
        migrations.AddConstraint(
            model_name='evacuation',
            constraint=models.CheckConstraint(condition=models.Q(('ended', None), models.Q(('end_key__isnull', False), ('ended_by__isnull', False)), _connector='OR'), name='an_ended_evacuation_says_by_whom'),
        ),
        migrations.AddConstraint(
            model_name='evacuation',
            constraint=models.CheckConstraint(condition=models.Q(('why', ''), _negated=True), name='evacuation_has_a_reason'),
        ),
        migrations.AddConstraint(
            model_name='exposurelimit',
            constraint=models.UniqueConstraint(fields=('programme', 'band'), name='one_exposure_limit_a_class'),
        ),
        migrations.AddConstraint(
            model_name='exposurelimit',
            constraint=models.CheckConstraint(condition=models.Q(('band__in', ['frozen', 'deep', 'nitrogen'])), name='exposure_limit_class_is_known'),
        ),
        migrations.AddConstraint(
            model_name='exposurelimit',
            constraint=models.CheckConstraint(condition=models.Q(('minutes__gte', 1), ('minutes__lte', 1440)), name='exposure_limit_is_minutes'),
        ),
        migrations.AddConstraint(
            model_name='exposurelimit',
            constraint=models.CheckConstraint(condition=models.Q(('source', ''), _negated=True), name='exposure_limit_has_a_source'),
        ),
        migrations.AddConstraint(
            model_name='swap',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('close_key', None), ('closed', None), ('closed_by', None)), models.Q(('close_key__isnull', False), ('closed__isnull', False), ('closed_by__isnull', False)), _connector='OR'), name='a_closed_swap_says_who_and_when'),
        ),
        migrations.AddConstraint(
            model_name='thawanswer',
            constraint=models.CheckConstraint(condition=models.Q(('why', ''), _negated=True), name='thaw_answer_says_why'),
        ),
        migrations.AddConstraint(
            model_name='thermalevent',
            constraint=models.CheckConstraint(condition=models.Q(('to_ms__gt', models.F('from_ms'))), name='thermal_event_ends_after_it_starts'),
        ),
        migrations.AddConstraint(
            model_name='thermalevent',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('withdrawn', None), ('withdrawn_by', None), ('withdrawn_why', '')), models.Q(('withdrawn__isnull', False), ('withdrawn_by__isnull', False), models.Q(('withdrawn_why', ''), _negated=True)), _connector='OR'), name='a_withdrawn_thermal_event_says_who_and_why'),
        ),
    ]
