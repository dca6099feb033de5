
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('custody', '0004_fill_and_indexes'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='event',
            index=models.Index(fields=['at_ms'], name='events_by_time'),
        ),
    ]
