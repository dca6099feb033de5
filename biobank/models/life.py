"""What a tube lived through, worked out and kept until something that it was worked out from changes.

Promises: a result is never edited; a newer one takes its place and the older stays.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q


class ThermalResult(models.Model):
    """The thermal history of one tube as it was known at one moment.

    asof_ms     up to when (UTC ms); `open`: it still goes on, so it is never complete
    inputs      SHA-256 of all that it was worked out from; algorithm: by which version of the code
    life        phases and whole life as temperature.life writes them
    measured, assumed, no_data_ms   of the whole life, for lists
    stale       why it may no longer be so; empty: nothing is known against it
    """

    tube = models.CharField(max_length=9)
    current = models.BooleanField(default=True)
    computed = models.DateTimeField()
    asof_ms = models.BigIntegerField()
    open = models.BooleanField()
    algorithm = models.PositiveSmallIntegerField()
    inputs = models.CharField(max_length=64)
    life = models.JSONField()
    measured_ms = models.BigIntegerField()
    assumed_ms = models.BigIntegerField()
    no_data_ms = models.BigIntegerField()
    stale = models.CharField(max_length=100, blank=True)

    class Meta:
        ordering = ["tube", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["tube"], condition=Q(current=True), name="one_current_thermal_result_a_tube"
            ),
            models.CheckConstraint(
                condition=Q(measured_ms__gte=0, assumed_ms__gte=0, no_data_ms__gte=0),
                name="thermal_result_times_are_not_negative",
            ),
        ]
        indexes = [
            models.Index(fields=["tube", "id"], name="thermal_result_of_tube"),
            models.Index(
                fields=["id"], condition=Q(current=True) & ~Q(stale=""), name="thermal_result_stale"
            ),
        ]
