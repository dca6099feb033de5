
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('custody', '0005_events_by_time'),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='event',
            name='event_kind_is_known',
        ),
        migrations.AddConstraint(
            model_name='event',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['aliquoted', 'bound', 'closed', 'corrected', 'counted', 'deviation_closed', 'deviation_noted', 'discarded', 'discrepancy_noted', 'discrepancy_resolved', 'drawn', 'graded', 'handed_off', 'issued', 'label_printed', 'moved', 'not_collected', 'override_answered', 'override_asked', 'packed', 'pulled', 'put_away', 'received', 'refused', 'released', 'reserved', 'returned', 'shipped', 'spun', 'thawed', 'voided', 'withdrawn'])), name='event_kind_is_known'),
        ),
    ]
