"""A freezer that fails: the evacuation of a unit, and what is known of how warm it became.

Promises: which boxes went where stands in the ledger (`moved`) and is not copied here. A thermal event is
said once and never edited; one that was wrong is withdrawn, with who and why, and another is said.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .people import Person
from .store import Unit


class Evacuation(models.Model):
    """A unit that is being emptied, or was. `key`, `end_key`: of the forms that began and ended it.

    warm_since  since when it is supposed to warm up; empty: not known
    """

    key = models.UUIDField(unique=True)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="evacuations")
    opened = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    why = models.CharField(max_length=400)
    warm_since = models.DateTimeField(null=True, blank=True)
    end_key = models.UUIDField(null=True, unique=True)
    ended = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = [F("ended").desc(nulls_first=True), "-opened", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit"], condition=Q(ended=None), name="one_open_evacuation_a_unit"
            ),
            models.CheckConstraint(
                condition=Q(ended=None) | Q(ended_by__isnull=False, end_key__isnull=False),
                name="an_ended_evacuation_says_by_whom",
            ),
            models.CheckConstraint(condition=~Q(why=""), name="evacuation_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"evacuation {self.pk} of {self.unit_id}"


class ThermalEvent(models.Model):
    """From one moment to another (UTC ms, half-open) this unit was not as cold as it should be.

    max_centi  the warmest that was measured, hundredths of °C; empty: not known. It counts for the whole
               stretch, and for everything that was in the unit then
    """

    key = models.UUIDField(unique=True)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="thermal_events")
    from_ms = models.BigIntegerField()
    to_ms = models.BigIntegerField()
    max_centi = models.SmallIntegerField("warmest measured, hundredths of °C", null=True, blank=True)
    probe = models.CharField("measured with", max_length=80, blank=True)
    note = models.CharField(max_length=400)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    withdrawn = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn_why = models.CharField(max_length=200, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-from_ms", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(to_ms__gt=F("from_ms")), name="thermal_event_ends_after_it_starts"
            ),
            models.CheckConstraint(
                condition=Q(withdrawn=None, withdrawn_by=None, withdrawn_why="")
                | (Q(withdrawn__isnull=False, withdrawn_by__isnull=False) & ~Q(withdrawn_why="")),
                name="a_withdrawn_thermal_event_says_who_and_why",
            ),
        ]

    def __str__(self) -> str:
        return f"thermal event {self.pk} of {self.unit_id}"
