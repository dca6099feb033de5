import django.db.models.deletion
import simple_history.models
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('biobank', '0008_verdicts'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='ClosedDay',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('day', models.DateField()),
                ('why', models.CharField(blank=True, max_length=80)),
            ],
            options={
                'ordering': ['agency', 'day'],
            },
        ),
        migrations.CreateModel(
            name='HandoffCase',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('handoff', models.UUIDField(db_index=True)),
                ('event', models.UUIDField()),
                ('tube', models.CharField(blank=True, max_length=9)),
                ('code', models.CharField(max_length=12)),
                ('said', models.CharField(max_length=300, verbose_name='what was found')),
                ('due', models.DateField()),
                ('opened', models.DateTimeField()),
                ('closed', models.DateTimeField(null=True)),
                ('closing', models.UUIDField(null=True)),
                ('outcome', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'ordering': ['due', 'pk'],
            },
        ),
        migrations.CreateModel(
            name='HandoffLink',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('handoff', models.UUIDField()),
                ('token_hash', models.CharField(max_length=64, unique=True)),
                ('code_hash', models.CharField(max_length=128)),
                ('made', models.DateTimeField()),
                ('expires', models.DateTimeField()),
                ('tries', models.PositiveSmallIntegerField(default=0)),
                ('last_try', models.DateTimeField(null=True)),
                ('opened', models.DateTimeField(null=True)),
                ('used', models.DateTimeField(null=True)),
                ('revoked', models.DateTimeField(null=True)),
            ],
            options={
                'ordering': ['-made'],
            },
        ),
        migrations.CreateModel(
            name='HandoffPaper',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('handoff', models.UUIDField(db_index=True)),
                ('name', models.CharField(max_length=200, verbose_name='name of the file as it came')),
                ('kind', models.CharField(choices=[('image/jpeg', 'JPEG'), ('image/png', 'PNG'), ('image/webp', 'WebP'), ('application/pdf', 'PDF')], max_length=16)),
                ('size', models.PositiveIntegerField(verbose_name='bytes')),
                ('sha256', models.CharField(max_length=64)),
                ('content', models.BinaryField(help_text='the file as it came, byte for byte')),
                ('at', models.DateTimeField(auto_now_add=True)),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='HistoricalClosedDay',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('day', models.DateField()),
                ('why', models.CharField(blank=True, max_length=80)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical closed day',
                'verbose_name_plural': 'historical closed days',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalHandoffCase',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('handoff', models.UUIDField(db_index=True)),
                ('event', models.UUIDField()),
                ('tube', models.CharField(blank=True, max_length=9)),
                ('code', models.CharField(max_length=12)),
                ('said', models.CharField(max_length=300, verbose_name='what was found')),
                ('due', models.DateField()),
                ('opened', models.DateTimeField()),
                ('closed', models.DateTimeField(null=True)),
                ('closing', models.UUIDField(null=True)),
                ('outcome', models.CharField(blank=True, max_length=300)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical handoff case',
                'verbose_name_plural': 'historical handoff cases',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalOpenHours',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('weekday', models.PositiveSmallIntegerField()),
                ('opens', models.TimeField()),
                ('closes', models.TimeField()),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical open hours',
                'verbose_name_plural': 'historical open hourss',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalPermit_people',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('m2m_history_id', models.AutoField(primary_key=True, serialize=False)),
            ],
            options={
                'verbose_name': 'HistoricalPermit_people',
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalPermit_recipients',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('m2m_history_id', models.AutoField(primary_key=True, serialize=False)),
            ],
            options={
                'verbose_name': 'HistoricalPermit_recipients',
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalShipment',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('number', models.CharField(db_index=True, max_length=24)),
                ('terms', models.CharField(choices=[('service', 'for analysis, ownership stays'), ('loan', 'a loan, ownership stays, due back'), ('transfer', 'a transfer, ownership passes')], max_length=8)),
                ('due_back', models.DateField(blank=True, null=True)),
                ('hazard', models.CharField(blank=True, choices=[('category_b', 'biological substance, category B (UN3373)'), ('exempt', 'exempt animal specimen'), ('none', 'neither: not subject to either')], max_length=10)),
                ('contact', models.CharField(blank=True, max_length=160, verbose_name='responsible person, with telephone')),
                ('seal', models.CharField(blank=True, max_length=120, verbose_name='seal numbers')),
                ('remarks', models.CharField(blank=True, max_length=300)),
                ('made', models.DateTimeField()),
                ('handoff', models.UUIDField(db_index=True, null=True)),
                ('dropped', models.CharField(blank=True, max_length=300, verbose_name='why it is not sent')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical shipment',
                'verbose_name_plural': 'historical shipments',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='Leg',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('n', models.PositiveSmallIntegerField()),
                ('mode', models.CharField(choices=[('hand', 'carried by hand'), ('road', 'road'), ('boat', 'boat'), ('rail', 'rail'), ('air', 'air')], max_length=4)),
                ('carrier', models.CharField(blank=True, max_length=80)),
                ('waybill', models.CharField(blank=True, max_length=60)),
                ('leaves', models.DateTimeField()),
                ('arrives', models.DateTimeField()),
                ('coolant', models.CharField(choices=[('none', 'nothing, ambient'), ('gel', 'gel packs'), ('wet_ice', 'wet ice'), ('dry_ice', 'dry ice'), ('dry_shipper', 'dry shipper, nitrogen vapour'), ('powered', 'a powered freezer or fridge')], max_length=11)),
                ('coolant_g', models.PositiveIntegerField(blank=True, null=True, verbose_name='coolant, g')),
                ('ice_form', models.CharField(blank=True, choices=[('pellets', 'pellets or pieces'), ('blocks', 'blocks')], max_length=7, verbose_name='form of the dry ice')),
                ('hold_min', models.PositiveIntegerField(blank=True, null=True, verbose_name='holds for, min')),
                ('hold_source', models.CharField(blank=True, max_length=160, verbose_name='who says so')),
                ('upright', models.BooleanField(default=True, verbose_name='stays upright')),
            ],
            options={
                'ordering': ['shipment', 'n'],
            },
        ),
        migrations.CreateModel(
            name='OpenHours',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('weekday', models.PositiveSmallIntegerField()),
                ('opens', models.TimeField()),
                ('closes', models.TimeField()),
            ],
            options={
                'ordering': ['agency', 'weekday', 'opens'],
            },
        ),
        migrations.CreateModel(
            name='OwnNumber',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tube', models.CharField(db_index=True, max_length=9)),
                ('number', models.CharField(max_length=40)),
                ('event', models.UUIDField()),
            ],
            options={
                'ordering': ['agency', 'number'],
            },
        ),
        migrations.CreateModel(
            name='PackingCheck',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('point', models.CharField(max_length=40)),
                ('applies', models.BooleanField(default=True)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('at', models.DateTimeField()),
            ],
            options={
                'ordering': ['point'],
            },
        ),
        migrations.CreateModel(
            name='PermitFile',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=200, verbose_name='name of the file as it came')),
                ('kind', models.CharField(max_length=16)),
                ('size', models.PositiveIntegerField(verbose_name='bytes')),
                ('sha256', models.CharField(max_length=64)),
                ('content', models.BinaryField()),
                ('at', models.DateTimeField(auto_now_add=True)),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='Shipment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.CharField(max_length=24, unique=True)),
                ('terms', models.CharField(choices=[('service', 'for analysis, ownership stays'), ('loan', 'a loan, ownership stays, due back'), ('transfer', 'a transfer, ownership passes')], max_length=8)),
                ('due_back', models.DateField(blank=True, null=True)),
                ('hazard', models.CharField(blank=True, choices=[('category_b', 'biological substance, category B (UN3373)'), ('exempt', 'exempt animal specimen'), ('none', 'neither: not subject to either')], max_length=10)),
                ('contact', models.CharField(blank=True, max_length=160, verbose_name='responsible person, with telephone')),
                ('seal', models.CharField(blank=True, max_length=120, verbose_name='seal numbers')),
                ('remarks', models.CharField(blank=True, max_length=300)),
                ('made', models.DateTimeField()),
                ('handoff', models.UUIDField(null=True, unique=True)),
                ('dropped', models.CharField(blank=True, max_length=300, verbose_name='why it is not sent')),
            ],
            options={
                'ordering': ['-pk'],
            },
        ),
        migrations.CreateModel(
            name='ShipmentTube',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tube', models.CharField(db_index=True, max_length=9)),
                ('box', models.CharField(blank=True, max_length=20)),
            ],
            options={
                'ordering': ['box', 'tube'],
            },
        ),
        migrations.CreateModel(
            name='TransferLetter',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('year', models.PositiveSmallIntegerField()),
                ('n', models.PositiveIntegerField(verbose_name='number in its year')),
                ('handoff', models.UUIDField(unique=True)),
                ('purpose', models.CharField(max_length=300)),
                ('terms', models.CharField(blank=True, max_length=300)),
                ('at', models.DateTimeField()),
            ],
            options={
                'ordering': ['-year', '-n'],
            },
        ),
        migrations.RemoveConstraint(
            model_name='permit',
            name='permit_allows_a_known_word',
        ),
        migrations.AddField(
            model_name='agency',
            name='address',
            field=models.CharField(blank=True, max_length=200),
        ),
        migrations.AddField(
            model_name='agency',
            name='contact',
            field=models.CharField(blank=True, max_length=160, verbose_name='who takes parcels, with telephone'),
        ),
        migrations.AddField(
            model_name='historicalagency',
            name='address',
            field=models.CharField(blank=True, max_length=200),
        ),
        migrations.AddField(
            model_name='historicalagency',
            name='contact',
            field=models.CharField(blank=True, max_length=160, verbose_name='who takes parcels, with telephone'),
        ),
        migrations.AddField(
            model_name='historicalpermit',
            name='conditions',
            field=models.TextField(blank=True, max_length=2000),
        ),
        migrations.AddField(
            model_name='historicalpermit',
            name='counted',
            field=models.CharField(blank=True, choices=[('animals', 'animals'), ('tubes', 'tubes'), ('ul', 'µL')], max_length=7, verbose_name='counted in'),
        ),
        migrations.AddField(
            model_name='historicalpermit',
            name='parts',
            field=models.CharField(blank=True, max_length=120),
        ),
        migrations.AddField(
            model_name='historicalpermit',
            name='quantity',
            field=models.PositiveIntegerField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='historicalpermit',
            name='sort',
            field=models.CharField(choices=[('permit', 'permit'), ('agreement', 'agreement')], default='permit', max_length=9),
        ),
        migrations.AddField(
            model_name='permit',
            name='conditions',
            field=models.TextField(blank=True, max_length=2000),
        ),
        migrations.AddField(
            model_name='permit',
            name='counted',
            field=models.CharField(blank=True, choices=[('animals', 'animals'), ('tubes', 'tubes'), ('ul', 'µL')], max_length=7, verbose_name='counted in'),
        ),
        migrations.AddField(
            model_name='permit',
            name='parts',
            field=models.CharField(blank=True, max_length=120),
        ),
        migrations.AddField(
            model_name='permit',
            name='people',
            field=models.ManyToManyField(blank=True, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='permit',
            name='quantity',
            field=models.PositiveIntegerField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='permit',
            name='recipients',
            field=models.ManyToManyField(blank=True, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='permit',
            name='sort',
            field=models.CharField(choices=[('permit', 'permit'), ('agreement', 'agreement')], default='permit', max_length=9),
        ),
        migrations.AlterField(
            model_name='historicalpermit',
            name='allows',
            field=models.CharField(choices=[('take', 'take'), ('hold', 'hold'), ('send', 'send to another agency'), ('receive', 'receive from another agency'), ('import', 'import'), ('export', 'export')], max_length=7, verbose_name='allows to'),
        ),
        migrations.AlterField(
            model_name='permit',
            name='allows',
            field=models.CharField(choices=[('take', 'take'), ('hold', 'hold'), ('send', 'send to another agency'), ('receive', 'receive from another agency'), ('import', 'import'), ('export', 'export')], max_length=7, verbose_name='allows to'),
        ),
        migrations.AddConstraint(
            model_name='permit',
            constraint=models.CheckConstraint(condition=models.Q(('allows__in', ['take', 'hold', 'send', 'receive', 'import', 'export']), ('sort__in', ['permit', 'agreement'])), name='permit_allows_a_known_word'),
        ),
        migrations.AddConstraint(
            model_name='permit',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('counted', ''), ('quantity', None)), models.Q(('counted__in', ['animals', 'tubes', 'ul']), ('quantity__isnull', False)), _connector='OR'), name='a_quantity_says_of_what'),
        ),
        migrations.AddField(
            model_name='closedday',
            name='agency',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='closed_days', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='handoffcase',
            name='owner',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='cases', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='handofflink',
            name='made_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='handofflink',
            name='to',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='handoffpaper',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalclosedday',
            name='agency',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicalclosedday',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalhandoffcase',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalhandoffcase',
            name='owner',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalopenhours',
            name='agency',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicalopenhours',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalpermit_people',
            name='history',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, to='biobank.historicalpermit'),
        ),
        migrations.AddField(
            model_name='historicalpermit_people',
            name='permit',
            field=models.ForeignKey(blank=True, db_constraint=False, db_tablespace='', null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.permit'),
        ),
        migrations.AddField(
            model_name='historicalpermit_people',
            name='person',
            field=models.ForeignKey(blank=True, db_constraint=False, db_tablespace='', null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalpermit_recipients',
            name='agency',
            field=models.ForeignKey(blank=True, db_constraint=False, db_tablespace='', null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicalpermit_recipients',
            name='history',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, to='biobank.historicalpermit'),
        ),
        migrations.AddField(
            model_name='historicalpermit_recipients',
            name='permit',
            field=models.ForeignKey(blank=True, db_constraint=False, db_tablespace='', null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.permit'),
        ),
        migrations.AddField(
            model_name='historicalshipment',
            name='assay',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.assay'),
        ),
        migrations.AddField(
            model_name='historicalshipment',
            name='giver',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicalshipment',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalshipment',
            name='made_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalshipment',
            name='programme',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='historicalshipment',
            name='receiver',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='leg',
            name='logger',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.logger'),
        ),
        migrations.AddField(
            model_name='leg',
            name='unit',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.unit'),
        ),
        migrations.AddField(
            model_name='openhours',
            name='agency',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='hours', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='ownnumber',
            name='agency',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='packingcheck',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='permitfile',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='permitfile',
            name='permit',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='files', to='biobank.permit'),
        ),
        migrations.AddField(
            model_name='shipment',
            name='assay',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.assay'),
        ),
        migrations.AddField(
            model_name='shipment',
            name='giver',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='shipment',
            name='made_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='shipment',
            name='programme',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='shipments', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='shipment',
            name='receiver',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='packingcheck',
            name='shipment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='checks', to='biobank.shipment'),
        ),
        migrations.AddField(
            model_name='leg',
            name='shipment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='legs', to='biobank.shipment'),
        ),
        migrations.AddField(
            model_name='shipmenttube',
            name='shipment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='tubes', to='biobank.shipment'),
        ),
        migrations.AddField(
            model_name='transferletter',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='transferletter',
            name='programme',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='letters', to='biobank.programme'),
        ),
        migrations.AddConstraint(
            model_name='closedday',
            constraint=models.UniqueConstraint(fields=('agency', 'day'), name='closed_day_once'),
        ),
        migrations.AddIndex(
            model_name='handoffcase',
            index=models.Index(condition=models.Q(('closed', None)), fields=['due'], name='open_case_by_due'),
        ),
        migrations.AddConstraint(
            model_name='handoffcase',
            constraint=models.UniqueConstraint(fields=('event', 'tube', 'code'), name='handoff_case_once'),
        ),
        migrations.AddConstraint(
            model_name='handoffcase',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('closed', None), ('outcome', '')), models.Q(('closed__isnull', False), models.Q(('outcome', ''), _negated=True)), _connector='OR'), name='a_closed_case_says_what_became_of_it'),
        ),
        migrations.AddConstraint(
            model_name='handofflink',
            constraint=models.UniqueConstraint(condition=models.Q(('revoked', None), ('used', None)), fields=('handoff',), name='one_link_a_handoff'),
        ),
        migrations.AddConstraint(
            model_name='handofflink',
            constraint=models.CheckConstraint(condition=models.Q(('expires__gt', models.F('made'))), name='link_expires_after_it_was_made'),
        ),
        migrations.AddConstraint(
            model_name='handoffpaper',
            constraint=models.UniqueConstraint(fields=('handoff', 'sha256'), name='handoff_paper_once'),
        ),
        migrations.AddConstraint(
            model_name='handoffpaper',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['image/jpeg', 'image/png', 'image/webp', 'application/pdf'])), name='handoff_paper_kind_is_known'),
        ),
        migrations.AddConstraint(
            model_name='handoffpaper',
            constraint=models.CheckConstraint(condition=models.Q(('size__gte', 1)), name='handoff_paper_is_not_empty'),
        ),
        migrations.AddConstraint(
            model_name='openhours',
            constraint=models.UniqueConstraint(fields=('agency', 'weekday', 'opens'), name='open_hours_once'),
        ),
        migrations.AddConstraint(
            model_name='openhours',
            constraint=models.CheckConstraint(condition=models.Q(('weekday__lte', 6), ('closes__gt', models.F('opens'))), name='open_hours_are_a_stretch'),
        ),
        migrations.AddConstraint(
            model_name='ownnumber',
            constraint=models.UniqueConstraint(fields=('agency', 'number'), name='own_number_names_one_tube'),
        ),
        migrations.AddConstraint(
            model_name='ownnumber',
            constraint=models.UniqueConstraint(fields=('agency', 'tube'), name='one_own_number_a_tube_and_agency'),
        ),
        migrations.AddConstraint(
            model_name='permitfile',
            constraint=models.UniqueConstraint(fields=('permit', 'sha256'), name='permit_file_once'),
        ),
        migrations.AddConstraint(
            model_name='permitfile',
            constraint=models.CheckConstraint(condition=models.Q(('size__gte', 1)), name='permit_file_is_not_empty'),
        ),
        migrations.AddConstraint(
            model_name='shipment',
            constraint=models.CheckConstraint(condition=models.Q(('giver', models.F('receiver')), _negated=True), name='shipment_goes_to_another_agency'),
        ),
        migrations.AddConstraint(
            model_name='shipment',
            constraint=models.CheckConstraint(condition=models.Q(('terms__in', ['service', 'loan', 'transfer']), ('hazard__in', ['', 'category_b', 'exempt', 'none'])), name='shipment_says_known_words'),
        ),
        migrations.AddConstraint(
            model_name='shipment',
            constraint=models.CheckConstraint(condition=models.Q(('handoff', None), ('dropped', ''), _connector='OR'), name='what_was_sent_is_not_dropped'),
        ),
        migrations.AddConstraint(
            model_name='packingcheck',
            constraint=models.UniqueConstraint(fields=('shipment', 'point'), name='packing_point_once'),
        ),
        migrations.AddConstraint(
            model_name='packingcheck',
            constraint=models.CheckConstraint(condition=models.Q(('applies', True), models.Q(('note', ''), _negated=True), _connector='OR'), name='left_out_says_why'),
        ),
        migrations.AddConstraint(
            model_name='leg',
            constraint=models.UniqueConstraint(fields=('shipment', 'n'), name='leg_number_once'),
        ),
        migrations.AddConstraint(
            model_name='leg',
            constraint=models.CheckConstraint(condition=models.Q(('arrives__gt', models.F('leaves'))), name='leg_arrives_after_it_left'),
        ),
        migrations.AddConstraint(
            model_name='leg',
            constraint=models.CheckConstraint(condition=models.Q(('mode__in', ['hand', 'road', 'boat', 'rail', 'air']), ('coolant__in', ['none', 'gel', 'wet_ice', 'dry_ice', 'dry_shipper', 'powered']), ('ice_form__in', ['', 'pellets', 'blocks'])), name='leg_says_known_words'),
        ),
        migrations.AddConstraint(
            model_name='leg',
            constraint=models.CheckConstraint(condition=models.Q(('hold_min', None), models.Q(('hold_source', ''), _negated=True), _connector='OR'), name='a_hold_time_says_who_says_so'),
        ),
        migrations.AddConstraint(
            model_name='shipmenttube',
            constraint=models.UniqueConstraint(fields=('shipment', 'tube'), name='tube_once_a_shipment'),
        ),
        migrations.AddConstraint(
            model_name='transferletter',
            constraint=models.UniqueConstraint(fields=('programme', 'year', 'n'), name='letter_number_once'),
        ),
        migrations.AddConstraint(
            model_name='transferletter',
            constraint=models.CheckConstraint(condition=models.Q(('n__gte', 1)), name='letter_number_from_one'),
        ),
    ]
