"""The additive rows are gone; their readings stand in the blocks."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("biobank", "0006_days_to_blocks")]
    operations = [migrations.DeleteModel(name="ReadingDay")]
