import django.db.models.deletion
import simple_history.models
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('auth', '__first__'),
        ('biobank', '0007_no_reading_days'),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='rule',
            name='rule_kind_has_what_it_needs',
        ),
        migrations.RemoveConstraint(
            model_name='rule',
            name='rule_acts_are_known_words',
        ),
        migrations.RemoveConstraint(
            model_name='rule',
            name='rule_phase_and_side_are_known_words',
        ),
        migrations.AddField(
            model_name='assay',
            name='family',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='members', to='biobank.assay'),
        ),
        migrations.AddField(
            model_name='assay',
            name='min_ul',
            field=models.PositiveIntegerField(blank=True, null=True, verbose_name='least volume, µL'),
        ),
        migrations.AddField(
            model_name='assay',
            name='retired',
            field=models.BooleanField(default=False),
        ),
        migrations.AddField(
            model_name='historicalassay',
            name='family',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.assay'),
        ),
        migrations.AddField(
            model_name='historicalassay',
            name='min_ul',
            field=models.PositiveIntegerField(blank=True, null=True, verbose_name='least volume, µL'),
        ),
        migrations.AddField(
            model_name='historicalassay',
            name='retired',
            field=models.BooleanField(default=False),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='active',
            field=models.BooleanField(default=True),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='bands',
            field=models.CharField(blank=True, max_length=200, verbose_name='temperature bands'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='choice',
            field=models.CharField(blank=True, max_length=300, verbose_name='why this source is chosen or not'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='forbidden_centi',
            field=models.SmallIntegerField(blank=True, null=True, verbose_name='never above, hundredths of °C'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='material',
            field=models.CharField(blank=True, max_length=40, verbose_name='only in tubes of'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='max_cmgdl',
            field=models.PositiveIntegerField(blank=True, null=True, verbose_name='highest as measured, hundredths of mg/dL'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='max_spins',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='spun at most so often'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='permit_for',
            field=models.CharField(blank=True, choices=[('take', 'take'), ('hold', 'hold')], max_length=4, verbose_name='permit to'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='question',
            field=models.CharField(blank=True, max_length=120),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='read',
            field=models.CharField(choices=[('original', 'in the original'), ('abstract', 'its abstract only'), ('quoted', 'quoted by others'), ('none', 'not read')], default='none', max_length=8, verbose_name='the source was read'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='studied',
            field=models.CharField(blank=True, max_length=80, verbose_name='studied in'),
        ),
        migrations.AddField(
            model_name='historicalrule',
            name='taxon',
            field=models.CharField(blank=True, choices=[('mammal', 'Mammal'), ('reptile', 'Reptile'), ('bird', 'Bird'), ('other', 'Other')], max_length=8, verbose_name='species group'),
        ),
        migrations.AddField(
            model_name='historicalruleset',
            name='copied_from',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.ruleset'),
        ),
        migrations.AddField(
            model_name='historicalruleset',
            name='valid_until',
            field=models.DateField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='rule',
            name='active',
            field=models.BooleanField(default=True),
        ),
        migrations.AddField(
            model_name='rule',
            name='bands',
            field=models.CharField(blank=True, max_length=200, verbose_name='temperature bands'),
        ),
        migrations.AddField(
            model_name='rule',
            name='choice',
            field=models.CharField(blank=True, max_length=300, verbose_name='why this source is chosen or not'),
        ),
        migrations.AddField(
            model_name='rule',
            name='forbidden_centi',
            field=models.SmallIntegerField(blank=True, null=True, verbose_name='never above, hundredths of °C'),
        ),
        migrations.AddField(
            model_name='rule',
            name='material',
            field=models.CharField(blank=True, max_length=40, verbose_name='only in tubes of'),
        ),
        migrations.AddField(
            model_name='rule',
            name='max_cmgdl',
            field=models.PositiveIntegerField(blank=True, null=True, verbose_name='highest as measured, hundredths of mg/dL'),
        ),
        migrations.AddField(
            model_name='rule',
            name='max_spins',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='spun at most so often'),
        ),
        migrations.AddField(
            model_name='rule',
            name='permit_for',
            field=models.CharField(blank=True, choices=[('take', 'take'), ('hold', 'hold')], max_length=4, verbose_name='permit to'),
        ),
        migrations.AddField(
            model_name='rule',
            name='question',
            field=models.CharField(blank=True, max_length=120),
        ),
        migrations.AddField(
            model_name='rule',
            name='read',
            field=models.CharField(choices=[('original', 'in the original'), ('abstract', 'its abstract only'), ('quoted', 'quoted by others'), ('none', 'not read')], default='none', max_length=8, verbose_name='the source was read'),
        ),
        migrations.AddField(
            model_name='rule',
            name='studied',
            field=models.CharField(blank=True, max_length=80, verbose_name='studied in'),
        ),
        migrations.AddField(
            model_name='rule',
            name='taxon',
            field=models.CharField(blank=True, choices=[('mammal', 'Mammal'), ('reptile', 'Reptile'), ('bird', 'Bird'), ('other', 'Other')], max_length=8, verbose_name='species group'),
        ),
        migrations.AddField(
            model_name='ruleset',
            name='copied_from',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='copies', to='biobank.ruleset'),
        ),
        migrations.AddField(
            model_name='ruleset',
            name='valid_until',
            field=models.DateField(blank=True, null=True),
        ),
        migrations.AlterField(
            model_name='historicalrule',
            name='from_act',
            field=models.CharField(blank=True, choices=[('net_closed', 'net closed'), ('drawn', 'drawn'), ('spun', 'spun'), ('aliquoted', 'aliquoted'), ('put_away', 'put away'), ('frozen', 'frozen'), ('pulled', 'pulled'), ('thawed', 'thawed'), ('shipped', 'shipped'), ('received', 'received')], max_length=12),
        ),
        migrations.AlterField(
            model_name='historicalrule',
            name='kind',
            field=models.CharField(choices=[('interval', 'interval'), ('never', 'never'), ('temperature', 'temperature'), ('budget', 'budget'), ('thaws', 'thaws'), ('volume', 'volume'), ('fill', 'fill'), ('grade', 'grade'), ('spin', 'spin'), ('spins', 'spins'), ('container', 'container'), ('custody', 'custody'), ('permit', 'permit')], max_length=12),
        ),
        migrations.AlterField(
            model_name='historicalrule',
            name='phase',
            field=models.CharField(blank=True, choices=[('frozen', 'frozen'), ('cold', 'cold'), ('ambient', 'ambient'), ('any', 'any'), ('between', 'between')], max_length=8),
        ),
        migrations.AlterField(
            model_name='historicalrule',
            name='to_act',
            field=models.CharField(blank=True, choices=[('net_closed', 'net closed'), ('drawn', 'drawn'), ('spun', 'spun'), ('aliquoted', 'aliquoted'), ('put_away', 'put away'), ('frozen', 'frozen'), ('pulled', 'pulled'), ('thawed', 'thawed'), ('shipped', 'shipped'), ('received', 'received'), ('now', 'now')], max_length=12),
        ),
        migrations.AlterField(
            model_name='rule',
            name='from_act',
            field=models.CharField(blank=True, choices=[('net_closed', 'net closed'), ('drawn', 'drawn'), ('spun', 'spun'), ('aliquoted', 'aliquoted'), ('put_away', 'put away'), ('frozen', 'frozen'), ('pulled', 'pulled'), ('thawed', 'thawed'), ('shipped', 'shipped'), ('received', 'received')], max_length=12),
        ),
        migrations.AlterField(
            model_name='rule',
            name='kind',
            field=models.CharField(choices=[('interval', 'interval'), ('never', 'never'), ('temperature', 'temperature'), ('budget', 'budget'), ('thaws', 'thaws'), ('volume', 'volume'), ('fill', 'fill'), ('grade', 'grade'), ('spin', 'spin'), ('spins', 'spins'), ('container', 'container'), ('custody', 'custody'), ('permit', 'permit')], max_length=12),
        ),
        migrations.AlterField(
            model_name='rule',
            name='phase',
            field=models.CharField(blank=True, choices=[('frozen', 'frozen'), ('cold', 'cold'), ('ambient', 'ambient'), ('any', 'any'), ('between', 'between')], max_length=8),
        ),
        migrations.AlterField(
            model_name='rule',
            name='to_act',
            field=models.CharField(blank=True, choices=[('net_closed', 'net closed'), ('drawn', 'drawn'), ('spun', 'spun'), ('aliquoted', 'aliquoted'), ('put_away', 'put away'), ('frozen', 'frozen'), ('pulled', 'pulled'), ('thawed', 'thawed'), ('shipped', 'shipped'), ('received', 'received'), ('now', 'now')], max_length=12),
        ),
        migrations.AddConstraint(
            model_name='assay',
            constraint=models.CheckConstraint(condition=models.Q(('family', models.F('id')), _negated=True), name='assay_is_not_its_own_family'),
        ),
        migrations.AddConstraint(
            model_name='rule',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('kind', 'interval'), models.Q(('from_act', ''), _negated=True), models.Q(('to_act', ''), _negated=True), models.Q(('limit_s__isnull', False), ('at_least_s__isnull', False), _connector='OR')), models.Q(('kind', 'never'), models.Q(('to_act', ''), _negated=True)), models.Q(('kind', 'temperature'), models.Q(('phase', ''), _negated=True), models.Q(('side', ''), _negated=True), ('limit_centi__isnull', False), ('allowed_s__isnull', False), models.Q(models.Q(('phase', 'between'), _negated=True), models.Q(models.Q(('from_act', ''), _negated=True), models.Q(('to_act', ''), _negated=True)), _connector='OR')), models.Q(('kind', 'budget'), models.Q(('from_act', ''), _negated=True), models.Q(('bands', ''), _negated=True)), models.Q(('kind', 'thaws'), ('max_thaws__isnull', False)), models.Q(('kind', 'volume'), ('min_ul__isnull', False)), models.Q(('kind', 'fill'), ('min_percent__isnull', False)), models.Q(('kind', 'grade'), models.Q(('grade_name', ''), _negated=True), models.Q(('max_grade__isnull', False), ('max_cmgdl__isnull', False), _connector='OR')), models.Q(('kind', 'spin'), ('min_g__isnull', False), ('min_minutes__isnull', False)), models.Q(('kind', 'spins'), ('max_spins__isnull', False)), models.Q(('kind', 'container'), models.Q(('container_has', ''), _negated=True)), ('kind', 'custody'), models.Q(('kind', 'permit'), models.Q(('permit_for', ''), _negated=True)), _connector='OR'), name='rule_kind_has_what_it_needs'),
        ),
        migrations.AddConstraint(
            model_name='rule',
            constraint=models.CheckConstraint(condition=models.Q(('from_act__in', ['', 'net_closed', 'drawn', 'spun', 'aliquoted', 'put_away', 'frozen', 'pulled', 'thawed', 'shipped', 'received']), ('to_act__in', ['', 'net_closed', 'drawn', 'spun', 'aliquoted', 'put_away', 'frozen', 'pulled', 'thawed', 'shipped', 'received', 'now'])), name='rule_acts_are_known_words'),
        ),
        migrations.AddConstraint(
            model_name='rule',
            constraint=models.CheckConstraint(condition=models.Q(('phase__in', ['', 'frozen', 'cold', 'ambient', 'any', 'between']), ('side__in', ['', 'above', 'below'])), name='rule_phase_and_side_are_known_words'),
        ),
        migrations.AddConstraint(
            model_name='rule',
            constraint=models.CheckConstraint(condition=models.Q(('read__in', ('original', 'abstract', 'quoted', 'none')), ('permit_for__in', ['', 'take', 'hold'])), name='rule_read_and_permit_are_known_words'),
        ),
        migrations.AddConstraint(
            model_name='ruleset',
            constraint=models.CheckConstraint(condition=models.Q(('valid_until', None), ('valid_until__gte', models.F('valid_from')), _connector='OR'), name='rule_set_does_not_end_before_it_begins'),
        ),
        migrations.CreateModel(
            name='HistoricalPermit',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('number', models.CharField(max_length=60)),
                ('allows', models.CharField(choices=[('take', 'take'), ('hold', 'hold')], max_length=4, verbose_name='allows to')),
                ('issued_by', models.CharField(max_length=120)),
                ('species', models.CharField(blank=True, max_length=80)),
                ('valid_from', models.DateField()),
                ('valid_until', models.DateField()),
                ('note', models.CharField(blank=True, max_length=200)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
                ('agency', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency')),
                ('history_user', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('programme', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.programme')),
            ],
            options={
                'verbose_name': 'historical permit',
                'verbose_name_plural': 'historical permits',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='Judgement',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tube', models.CharField(max_length=9)),
                ('word', models.CharField(choices=[('not_fit', 'not fit'), ('cannot_tell', 'cannot tell'), ('caution', 'fit with caution'), ('fit', 'fit')], max_length=11)),
                ('rank', models.PositiveSmallIntegerField()),
                ('allowed', models.BooleanField(default=False)),
                ('sentence', models.TextField()),
                ('decided_by', models.CharField(blank=True, max_length=40)),
                ('matrix', models.CharField(blank=True, max_length=3)),
                ('taxon', models.CharField(blank=True, max_length=8)),
                ('drawn_ms', models.BigIntegerField(null=True)),
                ('volume_ul', models.IntegerField(null=True)),
                ('measured_bp', models.PositiveSmallIntegerField(default=0)),
                ('asof_ms', models.BigIntegerField()),
                ('until_ms', models.BigIntegerField(null=True)),
                ('seq', models.BigIntegerField()),
                ('inputs', models.CharField(max_length=64)),
                ('assay', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.assay')),
                ('rule_set', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.ruleset')),
            ],
            options={
                'ordering': ['assay', 'rank', 'tube'],
                'indexes': [models.Index(fields=['assay', 'rank', 'tube'], name='judgement_by_assay'), models.Index(fields=['assay', 'drawn_ms', 'tube'], name='judgement_by_draw')],
                'constraints': [models.UniqueConstraint(fields=('tube', 'assay'), name='one_judgement_a_tube_and_assay'), models.CheckConstraint(condition=models.Q(('word__in', ['not_fit', 'cannot_tell', 'caution', 'fit']), ('rank__lte', 3), ('measured_bp__lte', 10000)), name='judgement_is_a_known_word')],
            },
        ),
        migrations.CreateModel(
            name='OpenFinding',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tube', models.CharField(max_length=9)),
                ('code', models.CharField(max_length=40)),
                ('severity', models.CharField(max_length=8)),
                ('rank', models.PositiveSmallIntegerField()),
                ('answer', models.CharField(max_length=11)),
                ('sentence', models.TextField()),
                ('fact', models.CharField(blank=True, max_length=200)),
                ('assays', models.CharField(max_length=200)),
                ('since_ms', models.BigIntegerField()),
                ('rule_set', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.ruleset')),
            ],
            options={
                'ordering': ['rank', 'since_ms', 'tube', 'code'],
                'indexes': [models.Index(fields=['rank', 'since_ms', 'tube'], name='open_finding_by_age')],
                'constraints': [models.UniqueConstraint(fields=('tube', 'code'), name='open_finding_once')],
            },
        ),
        migrations.CreateModel(
            name='Permit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.CharField(max_length=60)),
                ('allows', models.CharField(choices=[('take', 'take'), ('hold', 'hold')], max_length=4, verbose_name='allows to')),
                ('issued_by', models.CharField(max_length=120)),
                ('species', models.CharField(blank=True, max_length=80)),
                ('valid_from', models.DateField()),
                ('valid_until', models.DateField()),
                ('note', models.CharField(blank=True, max_length=200)),
                ('agency', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='permits', to='biobank.agency')),
                ('programme', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='permits', to='biobank.programme')),
            ],
            options={
                'ordering': ['-valid_from', 'number'],
                'constraints': [models.UniqueConstraint(fields=('programme', 'number', 'allows', 'agency'), name='permit_once'), models.CheckConstraint(condition=models.Q(('valid_until__gte', models.F('valid_from'))), name='permit_is_not_reversed'), models.CheckConstraint(condition=models.Q(('allows__in', ['take', 'hold'])), name='permit_allows_a_known_word')],
            },
        ),
        migrations.CreateModel(
            name='Trial',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('draft_at', models.CharField(max_length=64)),
                ('against_at', models.CharField(blank=True, max_length=64)),
                ('begun', models.DateTimeField()),
                ('asof_ms', models.BigIntegerField()),
                ('total', models.PositiveIntegerField()),
                ('done', models.PositiveIntegerField(default=0)),
                ('after', models.CharField(blank=True, max_length=9)),
                ('ended', models.DateTimeField(null=True)),
                ('against', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.ruleset')),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person')),
                ('draft', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='trials', to='biobank.ruleset')),
            ],
            options={
                'ordering': ['-begun'],
            },
        ),
        migrations.CreateModel(
            name='TrialChange',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tube', models.CharField(max_length=9)),
                ('assay', models.CharField(max_length=12)),
                ('before', models.CharField(blank=True, max_length=11)),
                ('now', models.CharField(blank=True, max_length=11)),
                ('sentence', models.TextField()),
                ('trial', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='changes', to='biobank.trial')),
            ],
            options={
                'ordering': ['trial', 'assay', 'before', 'now', 'tube'],
                'constraints': [models.UniqueConstraint(fields=('trial', 'tube', 'assay'), name='trial_change_once')],
            },
        ),
    ]
