from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('custody', '0006_verdicts'),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='event',
            name='event_kind_is_known',
        ),
        migrations.AddIndex(
            model_name='event',
            index=models.Index(condition=models.Q(('kind__in', ['handed_off', 'shipped'])), fields=['seq'], name='events_that_send'),
        ),
        migrations.AddConstraint(
            model_name='event',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['aliquoted', 'bound', 'closed', 'corrected', 'counted', 'deviation_closed', 'deviation_noted', 'discarded', 'discrepancy_noted', 'discrepancy_resolved', 'drawn', 'graded', 'handed_off', 'issued', 'label_printed', 'moved', 'not_collected', 'override_answered', 'override_asked', 'packed', 'pulled', 'put_away', 'received', 'refused', 'released', 'reserved', 'returned', 'shipped', 'spun', 'thawed', 'tracked', 'voided', 'withdrawn'])), name='event_kind_is_known'),
        ),
    ]
