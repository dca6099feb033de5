
import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
    ]

    operations = [
        migrations.CreateModel(
            name='Event',
            fields=[
                ('event_id', models.UUIDField(primary_key=True, serialize=False)),
                ('seq', models.PositiveBigIntegerField(unique=True)),
                ('kind', models.CharField(max_length=24)),
                ('at_ms', models.BigIntegerField()),
                ('by', models.CharField(max_length=12)),
                ('org', models.CharField(max_length=12)),
                ('ref', models.UUIDField(db_index=True, null=True)),
                ('of', models.UUIDField(db_index=True, null=True)),
                ('device', models.CharField(max_length=40)),
                ('device_n', models.PositiveBigIntegerField(null=True)),
                ('recorded_ms', models.BigIntegerField()),
                ('login', models.CharField(max_length=150)),
                ('via', models.CharField(max_length=120)),
                ('body', models.TextField()),
                ('salt', models.BinaryField(max_length=16)),
                ('leaf', models.BinaryField(max_length=32)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('kind__in', ['aliquoted', 'bound', 'closed', 'corrected', 'counted', 'discarded', 'discrepancy_noted', 'discrepancy_resolved', 'drawn', 'graded', 'handed_off', 'issued', 'label_printed', 'moved', 'not_collected', 'pulled', 'put_away', 'received', 'refused', 'released', 'reserved', 'shipped', 'spun', 'thawed', 'voided', 'withdrawn'])), name='event_kind_is_known'), models.UniqueConstraint(condition=models.Q(('device_n__isnull', False)), fields=('device', 'device_n'), name='device_number_once')],
            },
        ),
        migrations.CreateModel(
            name='Finding',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=40)),
                ('subject', models.CharField(db_index=True, max_length=20)),
                ('event', models.CharField(max_length=36)),
                ('sentence', models.TextField()),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('code', 'subject', 'event'), name='finding_once')],
            },
        ),
        migrations.CreateModel(
            name='Head',
            fields=[
                ('id', models.PositiveSmallIntegerField(default=1, primary_key=True, serialize=False)),
                ('size', models.PositiveBigIntegerField(default=0)),
                ('recorded_ms', models.BigIntegerField(default=0)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('id', 1)), name='one_head')],
            },
        ),
        migrations.CreateModel(
            name='TubeState',
            fields=[
                ('tube', models.CharField(max_length=20, primary_key=True, serialize=False)),
                ('status', models.CharField(max_length=14)),
                ('custodian', models.CharField(max_length=12, null=True)),
                ('by', models.CharField(max_length=12, null=True)),
                ('pending_to', models.CharField(max_length=12, null=True)),
                ('pending_ref', models.CharField(max_length=36, null=True)),
                ('unit', models.CharField(max_length=20, null=True)),
                ('row', models.PositiveSmallIntegerField(null=True)),
                ('col', models.PositiveSmallIntegerField(null=True)),
                ('contested', models.BooleanField(default=False)),
                ('volume_ul', models.IntegerField(null=True)),
                ('parent', models.CharField(db_index=True, max_length=20, null=True)),
                ('workup', models.CharField(db_index=True, max_length=24, null=True)),
                ('label', models.CharField(default='', max_length=60)),
                ('matrix', models.CharField(default='', max_length=8)),
                ('additive', models.CharField(default='', max_length=8)),
                ('container', models.CharField(default='', max_length=40)),
                ('thaws', models.IntegerField(default=0)),
                ('disputes', models.IntegerField(default=0)),
                ('copies', models.IntegerField(default=0)),
                ('reserved', models.BooleanField(default=False)),
                ('drawn_ms', models.BigIntegerField(null=True)),
                ('seen_ms', models.BigIntegerField(null=True)),
                ('last_ms', models.BigIntegerField(null=True)),
                ('seq', models.BigIntegerField(default=0)),
            ],
            options={
                'indexes': [models.Index(fields=['custodian', 'status'], name='tubes_of_a_custodian')],
                'constraints': [models.UniqueConstraint(condition=models.Q(('contested', False), ('row__isnull', False)), fields=('unit', 'row', 'col'), name='slot_once'), models.CheckConstraint(condition=models.Q(('status__in', ['unknown', 'labelled', 'not_collected', 'held', 'stored', 'in_transit', 'discarded', 'void'])), name='tube_status_is_known'), models.CheckConstraint(condition=models.Q(('volume_ul', None), ('volume_ul__gte', 0), _connector='OR'), name='volume_not_negative'), models.CheckConstraint(condition=models.Q(('disputes__gte', 0), ('thaws__gte', 0)), name='counts_not_negative'), models.CheckConstraint(condition=models.Q(models.Q(('col', None), ('row', None)), models.Q(('col__gte', 1), ('col__isnull', False), ('row__gte', 1), ('row__isnull', False), ('unit__isnull', False)), _connector='OR'), name='one_slot'), models.CheckConstraint(condition=models.Q(models.Q(('status', 'stored'), ('unit__isnull', False)), ('status', 'in_transit'), models.Q(models.Q(('status__in', ['stored', 'in_transit']), _negated=True), ('unit', None)), _connector='OR'), name='stored_is_somewhere_and_only_a_carried_tube_may_be'), models.CheckConstraint(condition=models.Q(models.Q(('status__in', ['held', 'stored', 'in_transit']), _negated=True), ('custodian__isnull', False), _connector='OR'), name='custodian_known'), models.CheckConstraint(condition=models.Q(models.Q(('status', 'discarded'), _negated=True), models.Q(('custodian', None), ('unit', None)), _connector='OR'), name='discarded_is_nowhere')],
            },
        ),
        migrations.CreateModel(
            name='UnitState',
            fields=[
                ('unit', models.CharField(max_length=20, primary_key=True, serialize=False)),
                ('parent', models.CharField(db_index=True, max_length=20, null=True)),
                ('by', models.CharField(max_length=12, null=True)),
                ('last_ms', models.BigIntegerField(null=True)),
                ('seq', models.BigIntegerField(default=0)),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('parent', models.F('unit')), _negated=True), name='unit_not_in_itself')],
            },
        ),
        migrations.CreateModel(
            name='Line',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('n', models.PositiveIntegerField()),
                ('what', models.CharField(max_length=1)),
                ('subject', models.CharField(max_length=20)),
                ('text', models.TextField()),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='custody.event')),
            ],
            options={
                'indexes': [models.Index(fields=['subject', 'what'], name='lines_of_a_subject')],
                'constraints': [models.UniqueConstraint(fields=('event', 'n'), name='line_once'), models.CheckConstraint(condition=models.Q(('what__in', ['t', 'u'])), name='line_is_about_a_tube_or_a_unit')],
            },
        ),
    ]
