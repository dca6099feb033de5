import django.db.models.deletion
import simple_history.models
from django.conf import settings
from django.db import migrations, models


def aliquots_into_rows(apps, schema_editor):
    """What stood in three columns of a planned tube stands in a row of its own."""
    tubes = apps.get_model("biobank", "PlannedTube").objects.filter(aliquots__gt=0)
    row = apps.get_model("biobank", "PlannedAliquot")
    for tube in tubes.iterator():
        row.objects.create(
            tube=tube, position=1, count=tube.aliquots, matrix=tube.aliquot_matrix, ul=tube.aliquot_ul,
            target_centi=tube.target_centi, purpose=tube.purpose,
        )
    if schema_editor.connection.vendor == "postgresql":  # a table with checks still to be made is not altered
        schema_editor.execute("SET CONSTRAINTS ALL IMMEDIATE")


class Migration(migrations.Migration):

    dependencies = [
        ('biobank', '0001_initial'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='AnimalMerge',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('chip', 'Chip or tag'), ('genotype', 'Genotype'), ('photo', 'Photographs'), ('other', 'Something else')], max_length=8)),
                ('proof', models.CharField(max_length=300)),
                ('at', models.DateTimeField()),
                ('undone_at', models.DateTimeField(blank=True, null=True)),
                ('undone_why', models.CharField(blank=True, max_length=300)),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='BloodAllowance',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('ul', models.IntegerField(verbose_name='more than the limit, µL')),
                ('reason', models.CharField(max_length=200)),
                ('at', models.DateTimeField()),
            ],
            options={
                'ordering': ['at', 'pk'],
            },
        ),
        migrations.CreateModel(
            name='BloodLimit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('species', models.CharField(blank=True, max_length=80)),
                ('mass_per_mille', models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='share of body mass, ‰')),
                ('volume_per_mille', models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='share of blood volume, ‰')),
                ('ml_per_kg', models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='blood volume, mL/kg')),
                ('window_days', models.PositiveSmallIntegerField(verbose_name='window, days')),
                ('since', models.DateField(verbose_name='in force from')),
                ('source', models.CharField(max_length=200)),
                ('note', models.TextField(blank=True)),
                ('set_at', models.DateTimeField()),
            ],
            options={
                'ordering': ['species', '-since', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='Girth',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('place', models.CharField(choices=[('neck', 'Neck'), ('navel', 'Navel'), ('hips', 'Hips'), ('largest', 'Largest')], max_length=8)),
                ('mm', models.PositiveIntegerField(verbose_name='girth, mm')),
            ],
            options={
                'ordering': ['workup', 'place'],
            },
        ),
        migrations.CreateModel(
            name='HistoricalBloodLimit',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('key', models.UUIDField(db_index=True)),
                ('species', models.CharField(blank=True, max_length=80)),
                ('mass_per_mille', models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='share of body mass, ‰')),
                ('volume_per_mille', models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='share of blood volume, ‰')),
                ('ml_per_kg', models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='blood volume, mL/kg')),
                ('window_days', models.PositiveSmallIntegerField(verbose_name='window, days')),
                ('since', models.DateField(verbose_name='in force from')),
                ('source', models.CharField(max_length=200)),
                ('note', models.TextField(blank=True)),
                ('set_at', models.DateTimeField()),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical blood limit',
                'verbose_name_plural': 'historical blood limits',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalGirth',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('place', models.CharField(choices=[('neck', 'Neck'), ('navel', 'Navel'), ('hips', 'Hips'), ('largest', 'Largest')], max_length=8)),
                ('mm', models.PositiveIntegerField(verbose_name='girth, mm')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical girth',
                'verbose_name_plural': 'historical girths',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalPlannedAliquot',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('position', models.PositiveSmallIntegerField(default=1)),
                ('count', models.PositiveSmallIntegerField()),
                ('matrix', models.CharField(choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3)),
                ('ul', models.PositiveIntegerField(verbose_name='volume, µL')),
                ('container', models.CharField(default='cryovial', max_length=40)),
                ('target_centi', models.SmallIntegerField(blank=True, null=True, verbose_name='storage target, hundredths of °C')),
                ('purpose', models.CharField(blank=True, max_length=120)),
                ('priority', models.PositiveSmallIntegerField(default=1)),
                ('reserve', models.BooleanField(default=False, verbose_name='kept back')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical planned aliquot',
                'verbose_name_plural': 'historical planned aliquots',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalPrinter',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('name', models.CharField(max_length=60)),
                ('stock', models.CharField(max_length=20, verbose_name='label stock')),
                ('dpi', models.PositiveSmallIntegerField(verbose_name='dots per inch')),
                ('shift_x_um', models.IntegerField(default=0, verbose_name='moved right, µm')),
                ('shift_y_um', models.IntegerField(default=0, verbose_name='moved down, µm')),
                ('note', models.CharField(blank=True, max_length=200)),
                ('retired', models.BooleanField(default=False, verbose_name='no longer in use')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical printer',
                'verbose_name_plural': 'historical printers',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalTubeLot',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('additive', models.CharField(choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], max_length=5)),
                ('container', models.CharField(blank=True, max_length=40)),
                ('ul', models.PositiveIntegerField(blank=True, null=True, verbose_name='nominal volume, µL')),
                ('cap', models.CharField(blank=True, max_length=20, verbose_name='cap colour')),
                ('lot', models.CharField(max_length=40)),
                ('expires', models.DateField(blank=True, null=True)),
                ('note', models.CharField(blank=True, max_length=160)),
                ('used_up', models.BooleanField(default=False)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical tube lot',
                'verbose_name_plural': 'historical tube lots',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalVital',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('key', models.UUIDField(db_index=True)),
                ('kind', models.CharField(choices=[('temp', 'Temperature'), ('heart', 'Heart beats'), ('breaths', 'Breaths')], max_length=8)),
                ('value', models.PositiveIntegerField()),
                ('at', models.DateTimeField()),
                ('struck', models.BooleanField(default=False, verbose_name='struck out')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.CharField(max_length=100, null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical vital',
                'verbose_name_plural': 'historical vitals',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='PackScan',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='PlannedAliquot',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.PositiveSmallIntegerField(default=1)),
                ('count', models.PositiveSmallIntegerField()),
                ('matrix', models.CharField(choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3)),
                ('ul', models.PositiveIntegerField(verbose_name='volume, µL')),
                ('container', models.CharField(default='cryovial', max_length=40)),
                ('target_centi', models.SmallIntegerField(blank=True, null=True, verbose_name='storage target, hundredths of °C')),
                ('purpose', models.CharField(blank=True, max_length=120)),
                ('priority', models.PositiveSmallIntegerField(default=1)),
                ('reserve', models.BooleanField(default=False, verbose_name='kept back')),
            ],
            options={
                'ordering': ['tube', 'position'],
            },
        ),
        migrations.CreateModel(
            name='Printer',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=60)),
                ('stock', models.CharField(max_length=20, verbose_name='label stock')),
                ('dpi', models.PositiveSmallIntegerField(verbose_name='dots per inch')),
                ('shift_x_um', models.IntegerField(default=0, verbose_name='moved right, µm')),
                ('shift_y_um', models.IntegerField(default=0, verbose_name='moved down, µm')),
                ('note', models.CharField(blank=True, max_length=200)),
                ('retired', models.BooleanField(default=False, verbose_name='no longer in use')),
            ],
            options={
                'ordering': ['name'],
            },
        ),
        migrations.CreateModel(
            name='SheetPhoto',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
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
            name='TubeLot',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('additive', models.CharField(choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], max_length=5)),
                ('container', models.CharField(blank=True, max_length=40)),
                ('ul', models.PositiveIntegerField(blank=True, null=True, verbose_name='nominal volume, µL')),
                ('cap', models.CharField(blank=True, max_length=20, verbose_name='cap colour')),
                ('lot', models.CharField(max_length=40)),
                ('expires', models.DateField(blank=True, null=True)),
                ('note', models.CharField(blank=True, max_length=160)),
                ('used_up', models.BooleanField(default=False)),
            ],
            options={
                'ordering': ['used_up', 'additive', 'ul', 'expires', 'lot'],
            },
        ),
        migrations.CreateModel(
            name='Vital',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.UUIDField(unique=True)),
                ('kind', models.CharField(choices=[('temp', 'Temperature'), ('heart', 'Heart beats'), ('breaths', 'Breaths')], max_length=8)),
                ('value', models.PositiveIntegerField()),
                ('at', models.DateTimeField()),
                ('struck', models.BooleanField(default=False, verbose_name='struck out')),
            ],
            options={
                'ordering': ['workup', 'at', 'pk'],
            },
        ),
        migrations.RemoveConstraint(
            model_name='assaytakes',
            name='assay_takes_known_matrix',
        ),
        migrations.AddField(
            model_name='animal',
            name='merged_into',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='merged', to='biobank.animal', verbose_name='the same animal as'),
        ),
        migrations.AddField(
            model_name='fieldday',
            name='closed_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='fieldday',
            name='closed_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='days_signed_off', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalanimal',
            name='merged_into',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.animal', verbose_name='the same animal as'),
        ),
        migrations.AddField(
            model_name='historicalfieldday',
            name='closed_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='historicalfieldday',
            name='closed_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalidentifier',
            name='side',
            field=models.CharField(blank=True, choices=[('left', 'Left'), ('right', 'Right'), ('middle', 'Middle')], max_length=6),
        ),
        migrations.AddField(
            model_name='historicalidentifier',
            name='source',
            field=models.CharField(blank=True, max_length=80, verbose_name='who says so'),
        ),
        migrations.AddField(
            model_name='historicalperson',
            name='veterinarian',
            field=models.BooleanField(default=False, verbose_name='veterinarian of the programme'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='clot_max_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='clots at most, min'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='clot_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='clots at least, min'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='inversions',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='times inverted'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='least_pct',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='short below, % of the volume'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='separate_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='separate by, min from the draw'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='short_rule',
            field=models.CharField(choices=[('accept', 'Use it, with fewer aliquots'), ('flag', 'Use it and flag it'), ('void', 'Do not use it')], default='accept', max_length=6, verbose_name='when short'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='spin_g',
            field=models.PositiveIntegerField(blank=True, null=True, verbose_name='spin, times g'),
        ),
        migrations.AddField(
            model_name='historicalplannedtube',
            name='spin_minutes',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='spin, min'),
        ),
        migrations.AddField(
            model_name='historicalprogramme',
            name='hand_limit_min',
            field=models.PositiveSmallIntegerField(blank=True, default=60, null=True, verbose_name='limit out of water, min'),
        ),
        migrations.AddField(
            model_name='historicalprogramme',
            name='hurry_pct',
            field=models.PositiveSmallIntegerField(default=75, verbose_name='hurry from, % of a limit'),
        ),
        migrations.AddField(
            model_name='historicalprogramme',
            name='net_limit_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='limit since net closed, min'),
        ),
        migrations.AddField(
            model_name='historicalsampleplan',
            name='dry_ice_g',
            field=models.PositiveIntegerField(default=0, verbose_name='dry ice for an animal, g'),
        ),
        migrations.AddField(
            model_name='historicalsampleplan',
            name='ice_g',
            field=models.PositiveIntegerField(default=0, verbose_name='ice for an animal, g'),
        ),
        migrations.AddField(
            model_name='historicalsampleplan',
            name='note',
            field=models.TextField(blank=True),
        ),
        migrations.AddField(
            model_name='historicalsampleplan',
            name='order_source',
            field=models.CharField(blank=True, max_length=200, verbose_name='source of the order of draw'),
        ),
        migrations.AddField(
            model_name='historicalsampleplan',
            name='retired',
            field=models.BooleanField(default=False, verbose_name='no longer printed from'),
        ),
        migrations.AddField(
            model_name='historicalsampleplan',
            name='spare_pct',
            field=models.PositiveSmallIntegerField(default=0, verbose_name='spare labels, %'),
        ),
        migrations.AddField(
            model_name='historicalsampleplan',
            name='taxon',
            field=models.CharField(choices=[('mammal', 'Mammal'), ('reptile', 'Reptile'), ('bird', 'Bird'), ('other', 'Other')], default='mammal', max_length=8),
        ),
        migrations.AddField(
            model_name='historicaltubeset',
            name='out_org',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='historicaltubeset',
            name='out_with',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicaltubeset',
            name='spare',
            field=models.BooleanField(default=False, verbose_name='printed beyond the animals expected'),
        ),
        migrations.AddField(
            model_name='historicalworkup',
            name='mass_estimated',
            field=models.BooleanField(default=False, verbose_name='mass is estimated'),
        ),
        migrations.AddField(
            model_name='identifier',
            name='side',
            field=models.CharField(blank=True, choices=[('left', 'Left'), ('right', 'Right'), ('middle', 'Middle')], max_length=6),
        ),
        migrations.AddField(
            model_name='identifier',
            name='source',
            field=models.CharField(blank=True, max_length=80, verbose_name='who says so'),
        ),
        migrations.AddField(
            model_name='person',
            name='veterinarian',
            field=models.BooleanField(default=False, verbose_name='veterinarian of the programme'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='clot_max_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='clots at most, min'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='clot_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='clots at least, min'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='inversions',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='times inverted'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='least_pct',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='short below, % of the volume'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='separate_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='separate by, min from the draw'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='short_rule',
            field=models.CharField(choices=[('accept', 'Use it, with fewer aliquots'), ('flag', 'Use it and flag it'), ('void', 'Do not use it')], default='accept', max_length=6, verbose_name='when short'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='spin_g',
            field=models.PositiveIntegerField(blank=True, null=True, verbose_name='spin, times g'),
        ),
        migrations.AddField(
            model_name='plannedtube',
            name='spin_minutes',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='spin, min'),
        ),
        migrations.AddField(
            model_name='programme',
            name='hand_limit_min',
            field=models.PositiveSmallIntegerField(blank=True, default=60, null=True, verbose_name='limit out of water, min'),
        ),
        migrations.AddField(
            model_name='programme',
            name='hurry_pct',
            field=models.PositiveSmallIntegerField(default=75, verbose_name='hurry from, % of a limit'),
        ),
        migrations.AddField(
            model_name='programme',
            name='net_limit_min',
            field=models.PositiveSmallIntegerField(blank=True, null=True, verbose_name='limit since net closed, min'),
        ),
        migrations.AddField(
            model_name='sampleplan',
            name='dry_ice_g',
            field=models.PositiveIntegerField(default=0, verbose_name='dry ice for an animal, g'),
        ),
        migrations.AddField(
            model_name='sampleplan',
            name='ice_g',
            field=models.PositiveIntegerField(default=0, verbose_name='ice for an animal, g'),
        ),
        migrations.AddField(
            model_name='sampleplan',
            name='note',
            field=models.TextField(blank=True),
        ),
        migrations.AddField(
            model_name='sampleplan',
            name='order_source',
            field=models.CharField(blank=True, max_length=200, verbose_name='source of the order of draw'),
        ),
        migrations.AddField(
            model_name='sampleplan',
            name='retired',
            field=models.BooleanField(default=False, verbose_name='no longer printed from'),
        ),
        migrations.AddField(
            model_name='sampleplan',
            name='spare_pct',
            field=models.PositiveSmallIntegerField(default=0, verbose_name='spare labels, %'),
        ),
        migrations.AddField(
            model_name='sampleplan',
            name='taxon',
            field=models.CharField(choices=[('mammal', 'Mammal'), ('reptile', 'Reptile'), ('bird', 'Bird'), ('other', 'Other')], default='mammal', max_length=8),
        ),
        migrations.AddField(
            model_name='tubeset',
            name='out_org',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='sets_out', to='biobank.agency'),
        ),
        migrations.AddField(
            model_name='tubeset',
            name='out_with',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='sets_out', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='tubeset',
            name='spare',
            field=models.BooleanField(default=False, verbose_name='printed beyond the animals expected'),
        ),
        migrations.AddField(
            model_name='workup',
            name='mass_estimated',
            field=models.BooleanField(default=False, verbose_name='mass is estimated'),
        ),
        migrations.AlterField(
            model_name='assaytakes',
            name='additive',
            field=models.CharField(blank=True, choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], max_length=5),
        ),
        migrations.AlterField(
            model_name='assaytakes',
            name='matrix',
            field=models.CharField(choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3),
        ),
        migrations.AlterField(
            model_name='historicalassaytakes',
            name='additive',
            field=models.CharField(blank=True, choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], max_length=5),
        ),
        migrations.AlterField(
            model_name='historicalassaytakes',
            name='matrix',
            field=models.CharField(choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3),
        ),
        migrations.AlterField(
            model_name='historicalidentifier',
            name='kind',
            field=models.CharField(choices=[('chip', 'Transponder chip'), ('tag', 'Flipper tag'), ('brand', 'Brand'), ('field', 'Field number'), ('cat', 'Catalogue number')], max_length=8),
        ),
        migrations.AlterField(
            model_name='historicalplannedtube',
            name='additive',
            field=models.CharField(blank=True, choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], default='NONE', max_length=5),
        ),
        migrations.AlterField(
            model_name='historicalplannedtube',
            name='matrix',
            field=models.CharField(choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3),
        ),
        migrations.AlterField(
            model_name='historicalrule',
            name='additive',
            field=models.CharField(blank=True, choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], max_length=5),
        ),
        migrations.AlterField(
            model_name='historicalrule',
            name='matrix',
            field=models.CharField(blank=True, choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3),
        ),
        migrations.AlterField(
            model_name='identifier',
            name='kind',
            field=models.CharField(choices=[('chip', 'Transponder chip'), ('tag', 'Flipper tag'), ('brand', 'Brand'), ('field', 'Field number'), ('cat', 'Catalogue number')], max_length=8),
        ),
        migrations.AlterField(
            model_name='plannedtube',
            name='additive',
            field=models.CharField(blank=True, choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], default='NONE', max_length=5),
        ),
        migrations.AlterField(
            model_name='plannedtube',
            name='matrix',
            field=models.CharField(choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3),
        ),
        migrations.AlterField(
            model_name='rule',
            name='additive',
            field=models.CharField(blank=True, choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], max_length=5),
        ),
        migrations.AlterField(
            model_name='rule',
            name='matrix',
            field=models.CharField(blank=True, choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3),
        ),
        migrations.AlterField(
            model_name='tube',
            name='additive',
            field=models.CharField(blank=True, choices=[('EDTK', 'K-EDTA'), ('HEPL', 'lithium heparin'), ('HEPN', 'sodium heparin'), ('C32', 'citrate 3.2 %'), ('ACDA', 'ACD-A citrate'), ('SST', 'clot activator and gel'), ('CLOT', 'clot activator'), ('NAF', 'sodium fluoride'), ('TRCE', 'trace-element EDTA'), ('TRCN', 'trace-element, no additive'), ('RNA', 'RNA stabiliser'), ('BCB', 'blood culture broth'), ('ETOH', 'ethanol'), ('F10', 'formalin 10 %'), ('DMSO', 'DMSO'), ('VIRTM', 'virus medium'), ('AMIES', 'bacterial transport medium'), ('NONE', 'no additive')], default='NONE', max_length=5),
        ),
        migrations.AlterField(
            model_name='tube',
            name='matrix',
            field=models.CharField(choices=[('BLD', 'whole blood'), ('SER', 'serum'), ('PL1', 'plasma'), ('BUF', 'buffy coat'), ('CEL', 'blood cells'), ('SWB', 'swab'), ('SME', 'blood smear'), ('DBS', 'dried blood spot'), ('URN', 'urine'), ('STL', 'faeces'), ('BRE', 'breath'), ('MLK', 'milk'), ('SKN', 'skin'), ('BLU', 'blubber'), ('HAR', 'hair, feather, nail, scute or tooth'), ('TIS', 'tissue'), ('PAR', 'parasites')], max_length=3),
        ),
        migrations.AddConstraint(
            model_name='animal',
            constraint=models.CheckConstraint(condition=models.Q(('merged_into', models.F('pk')), _negated=True), name='animal_not_merged_into_itself'),
        ),
        migrations.AddConstraint(
            model_name='assaytakes',
            constraint=models.CheckConstraint(condition=models.Q(('matrix__in', ['BLD', 'SER', 'PL1', 'BUF', 'CEL', 'SWB', 'SME', 'DBS', 'URN', 'STL', 'BRE', 'MLK', 'SKN', 'BLU', 'HAR', 'TIS', 'PAR'])), name='assay_takes_known_matrix'),
        ),
        migrations.AddConstraint(
            model_name='plannedtube',
            constraint=models.CheckConstraint(condition=models.Q(('short_rule__in', ['accept', 'flag', 'void'])), name='planned_short_rule_is_known_word'),
        ),
        migrations.AddConstraint(
            model_name='plannedtube',
            constraint=models.CheckConstraint(condition=models.Q(('least_pct', None), models.Q(('least_pct__gte', 1), ('least_pct__lte', 100)), _connector='OR'), name='planned_least_fill_is_a_share'),
        ),
        migrations.AddConstraint(
            model_name='plannedtube',
            constraint=models.CheckConstraint(condition=models.Q(('clot_min', None), ('clot_max_min', None), ('clot_max_min__gte', models.F('clot_min')), _connector='OR'), name='planned_clotting_ends_after_it_begins'),
        ),
        migrations.AddConstraint(
            model_name='programme',
            constraint=models.CheckConstraint(condition=models.Q(('hurry_pct__gte', 1), ('hurry_pct__lte', 100)), name='programme_hurry_is_a_share'),
        ),
        migrations.AddConstraint(
            model_name='sampleplan',
            constraint=models.CheckConstraint(condition=models.Q(('taxon__in', ['mammal', 'reptile', 'bird', 'other'])), name='plan_taxon_is_known_word'),
        ),
        migrations.AddConstraint(
            model_name='sampleplan',
            constraint=models.CheckConstraint(condition=models.Q(('spare_pct__lte', 100)), name='plan_spares_at_most_double'),
        ),
        migrations.AddField(
            model_name='animalmerge',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='animalmerge',
            name='gone',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='merges_gone', to='biobank.animal'),
        ),
        migrations.AddField(
            model_name='animalmerge',
            name='kept',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='merges_kept', to='biobank.animal'),
        ),
        migrations.AddField(
            model_name='animalmerge',
            name='undone_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='bloodallowance',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='blood_allowances', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='bloodallowance',
            name='workup',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='blood_allowances', to='biobank.workup'),
        ),
        migrations.AddField(
            model_name='bloodlimit',
            name='programme',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='blood_limits', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='bloodlimit',
            name='set_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='blood_limits', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='girth',
            name='workup',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='girths', to='biobank.workup'),
        ),
        migrations.AddField(
            model_name='historicalbloodlimit',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalbloodlimit',
            name='programme',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='historicalbloodlimit',
            name='set_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalgirth',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalgirth',
            name='workup',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.workup'),
        ),
        migrations.AddField(
            model_name='historicalplannedaliquot',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalplannedaliquot',
            name='tube',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.plannedtube'),
        ),
        migrations.AddField(
            model_name='historicalprinter',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalprinter',
            name='programme',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='historicaltubelot',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicaltubelot',
            name='programme',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='historicalvital',
            name='by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='historicalvital',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalvital',
            name='workup',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='biobank.workup'),
        ),
        migrations.AddField(
            model_name='packscan',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='packscan',
            name='tube',
            field=models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='pack_scan', to='biobank.tube'),
        ),
        migrations.AddField(
            model_name='packscan',
            name='tube_set',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='scans', to='biobank.tubeset'),
        ),
        migrations.AddField(
            model_name='plannedaliquot',
            name='tube',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='made', to='biobank.plannedtube'),
        ),
        migrations.AddField(
            model_name='tube',
            name='planned_aliquot',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='tubes', to='biobank.plannedaliquot'),
        ),
        migrations.AddField(
            model_name='printer',
            name='programme',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='printers', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='sheetphoto',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='sheetphoto',
            name='tube_set',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='photos', to='biobank.tubeset'),
        ),
        migrations.AddField(
            model_name='tubelot',
            name='programme',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lots', to='biobank.programme'),
        ),
        migrations.AddField(
            model_name='vital',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='vitals_taken', to='biobank.person'),
        ),
        migrations.AddField(
            model_name='vital',
            name='workup',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='vitals', to='biobank.workup'),
        ),
        migrations.AddConstraint(
            model_name='animalmerge',
            constraint=models.CheckConstraint(condition=models.Q(('kept', models.F('gone')), _negated=True), name='merge_of_two_animals'),
        ),
        migrations.AddConstraint(
            model_name='animalmerge',
            constraint=models.CheckConstraint(condition=models.Q(('proof', ''), _negated=True), name='merge_has_a_proof'),
        ),
        migrations.AddConstraint(
            model_name='animalmerge',
            constraint=models.UniqueConstraint(condition=models.Q(('undone_at', None)), fields=('gone',), name='animal_is_merged_into_one'),
        ),
        migrations.AddConstraint(
            model_name='bloodallowance',
            constraint=models.CheckConstraint(condition=models.Q(('ul', 0), _negated=True), name='blood_allowance_is_something'),
        ),
        migrations.AddConstraint(
            model_name='bloodallowance',
            constraint=models.CheckConstraint(condition=models.Q(('reason', ''), _negated=True), name='blood_allowance_has_a_reason'),
        ),
        migrations.AddConstraint(
            model_name='bloodlimit',
            constraint=models.CheckConstraint(condition=models.Q(('mass_per_mille__gte', 1), ('volume_per_mille__gte', 1), _connector='OR'), name='blood_limit_is_a_share'),
        ),
        migrations.AddConstraint(
            model_name='bloodlimit',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('ml_per_kg', None), ('volume_per_mille', None)), models.Q(('ml_per_kg__isnull', False), ('volume_per_mille__isnull', False)), _connector='OR'), name='blood_limit_of_volume_knows_the_volume'),
        ),
        migrations.AddConstraint(
            model_name='bloodlimit',
            constraint=models.CheckConstraint(condition=models.Q(('window_days__gte', 1)), name='blood_limit_has_a_window'),
        ),
        migrations.AddConstraint(
            model_name='girth',
            constraint=models.UniqueConstraint(fields=('workup', 'place'), name='girth_once_a_place'),
        ),
        migrations.AddConstraint(
            model_name='girth',
            constraint=models.CheckConstraint(condition=models.Q(('mm__gte', 1)), name='girth_is_something'),
        ),
        migrations.AddConstraint(
            model_name='girth',
            constraint=models.CheckConstraint(condition=models.Q(('place__in', ['neck', 'navel', 'hips', 'largest'])), name='girth_place_is_known_word'),
        ),
        migrations.AddConstraint(
            model_name='plannedaliquot',
            constraint=models.UniqueConstraint(fields=('tube', 'position'), name='planned_aliquot_position_once'),
        ),
        migrations.AddConstraint(
            model_name='plannedaliquot',
            constraint=models.CheckConstraint(condition=models.Q(('count__gte', 1), ('ul__gte', 1)), name='planned_aliquot_is_something'),
        ),
        migrations.AddConstraint(
            model_name='printer',
            constraint=models.UniqueConstraint(fields=('programme', 'name'), name='printer_name_once'),
        ),
        migrations.AddConstraint(
            model_name='printer',
            constraint=models.CheckConstraint(condition=models.Q(('shift_x_um__gte', -20000), ('shift_x_um__lte', 20000), ('shift_y_um__gte', -20000), ('shift_y_um__lte', 20000)), name='printer_shift_is_small'),
        ),
        migrations.AddConstraint(
            model_name='printer',
            constraint=models.CheckConstraint(condition=models.Q(('dpi__gte', 1)), name='printer_has_dots'),
        ),
        migrations.AddConstraint(
            model_name='sheetphoto',
            constraint=models.UniqueConstraint(fields=('tube_set', 'sha256'), name='sheet_photo_once_a_set'),
        ),
        migrations.AddConstraint(
            model_name='sheetphoto',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['image/jpeg', 'image/png', 'image/webp', 'application/pdf'])), name='sheet_photo_kind_is_known'),
        ),
        migrations.AddConstraint(
            model_name='sheetphoto',
            constraint=models.CheckConstraint(condition=models.Q(('size__gte', 1)), name='sheet_photo_is_not_empty'),
        ),
        migrations.AddConstraint(
            model_name='tubelot',
            constraint=models.UniqueConstraint(fields=('programme', 'additive', 'container', 'ul', 'lot'), name='tube_lot_once'),
        ),
        migrations.AddConstraint(
            model_name='tubelot',
            constraint=models.UniqueConstraint(condition=models.Q(('ul', None)), fields=('programme', 'additive', 'container', 'lot'), name='tube_lot_without_volume_once'),
        ),
        migrations.AddConstraint(
            model_name='tubelot',
            constraint=models.CheckConstraint(condition=models.Q(('ul', None), ('ul__gte', 1), _connector='OR'), name='tube_lot_holds_something'),
        ),
        migrations.AddConstraint(
            model_name='tubelot',
            constraint=models.CheckConstraint(condition=models.Q(('lot', ''), _negated=True), name='tube_lot_has_a_number'),
        ),
        migrations.AddConstraint(
            model_name='vital',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['temp', 'heart', 'breaths'])), name='vital_kind_is_known_word'),
        ),
        migrations.RunPython(aliquots_into_rows, migrations.RunPython.noop),
        migrations.RemoveConstraint(
            model_name='plannedtube',
            name='planned_aliquots_have_matrix_and_volume',
        ),
        migrations.RemoveField(
            model_name='historicalplannedtube',
            name='aliquot_matrix',
        ),
        migrations.RemoveField(
            model_name='historicalplannedtube',
            name='aliquot_ul',
        ),
        migrations.RemoveField(
            model_name='historicalplannedtube',
            name='aliquots',
        ),
        migrations.RemoveField(
            model_name='plannedtube',
            name='aliquot_matrix',
        ),
        migrations.RemoveField(
            model_name='plannedtube',
            name='aliquot_ul',
        ),
        migrations.RemoveField(
            model_name='plannedtube',
            name='aliquots',
        ),
    ]
