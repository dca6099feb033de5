from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('custody', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Checkpoint',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('size', models.PositiveBigIntegerField(unique=True)),
                ('root', models.BinaryField(max_length=32)),
                ('note', models.TextField()),
                ('reason', models.CharField(max_length=40)),
                ('made_ms', models.BigIntegerField()),
            ],
        ),
        migrations.CreateModel(
            name='Device',
            fields=[
                ('code', models.CharField(max_length=40, primary_key=True, serialize=False)),
                ('label', models.CharField(max_length=80)),
                ('org', models.CharField(max_length=12)),
                ('person', models.CharField(blank=True, default='', max_length=12)),
                ('public_key', models.CharField(blank=True, default='', max_length=400)),
                ('registered_ms', models.BigIntegerField()),
                ('registered_by', models.CharField(max_length=150)),
                ('revoked_ms', models.BigIntegerField(null=True)),
                ('revoked_by', models.CharField(blank=True, default='', max_length=150)),
                ('revoked_why', models.CharField(blank=True, default='', max_length=200)),
            ],
        ),
        migrations.AddField(
            model_name='event',
            name='signature',
            field=models.BinaryField(null=True),
        ),
        migrations.CreateModel(
            name='Held',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('raw', models.TextField()),
                ('sha256', models.CharField(max_length=64)),
                ('size', models.PositiveIntegerField()),
                ('code', models.CharField(max_length=40)),
                ('why', models.CharField(max_length=500)),
                ('device', models.CharField(max_length=40)),
                ('login', models.CharField(max_length=150)),
                ('recorded_ms', models.BigIntegerField()),
                ('event_id', models.UUIDField(null=True)),
                ('number', models.PositiveBigIntegerField(null=True)),
                ('waits_for', models.UUIDField(db_index=True, null=True)),
                ('settled_as', models.CharField(blank=True, default='', max_length=10)),
                ('settled_by', models.CharField(blank=True, default='', max_length=150)),
                ('settled_ms', models.BigIntegerField(null=True)),
                ('note', models.CharField(blank=True, default='', max_length=500)),
            ],
            options={
                'indexes': [models.Index(fields=['device', 'recorded_ms'], name='held_of_a_device'), models.Index(fields=['login', 'recorded_ms'], name='held_of_a_login')],
                'constraints': [models.UniqueConstraint(fields=('device', 'sha256'), name='held_once')],
            },
        ),
        migrations.CreateModel(
            name='Tile',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('level', models.PositiveSmallIntegerField()),
                ('idx', models.PositiveBigIntegerField()),
                ('hash', models.BinaryField(max_length=32)),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('level', 'idx'), name='tile_once')],
            },
        ),
    ]
