"""How much blood may be taken, as the programme's veterinarian says, and where they allowed more.

Promises: nothing here is ever overwritten. Another limit is another row, in force from its date; what was
allowed beyond a limit is one row each time, and taking it back is a row below nought.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from biobank.core.blood import Rule

from .field import Workup
from .people import Person, Programme


class BloodLimit(models.Model):
    """A rule in force from a date on, for a species or (blank) for all. `key` is the form that said it."""

    key = models.UUIDField(unique=True)
    programme = models.ForeignKey(Programme, models.PROTECT, related_name="blood_limits")
    species = models.CharField(max_length=80, blank=True)
    mass_per_mille = models.PositiveSmallIntegerField("share of body mass, ‰", null=True, blank=True)
    volume_per_mille = models.PositiveSmallIntegerField("share of blood volume, ‰", null=True, blank=True)
    ml_per_kg = models.PositiveSmallIntegerField("blood volume, mL/kg", null=True, blank=True)
    window_days = models.PositiveSmallIntegerField("window, days")
    since = models.DateField("in force from")
    source = models.CharField(max_length=200)
    note = models.TextField(blank=True)
    set_by = models.ForeignKey(Person, models.PROTECT, related_name="blood_limits")
    set_at = models.DateTimeField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["species", "-since", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(mass_per_mille__gte=1) | Q(volume_per_mille__gte=1), name="blood_limit_is_a_share"
            ),
            models.CheckConstraint(
                condition=Q(volume_per_mille=None, ml_per_kg=None)
                | Q(volume_per_mille__isnull=False, ml_per_kg__isnull=False),
                name="blood_limit_of_volume_knows_the_volume",
            ),
            models.CheckConstraint(condition=Q(window_days__gte=1), name="blood_limit_has_a_window"),
        ]

    def __str__(self) -> str:
        return f"{self.species or 'all species'} from {self.since}"

    @property
    def rule(self) -> Rule:
        return Rule(self.mass_per_mille, self.volume_per_mille, self.ml_per_kg, self.window_days)


class BloodAllowance(models.Model):
    """So much more than the limit for one workup (µL; below nought takes back). `key` is the form."""

    key = models.UUIDField(unique=True)
    workup = models.ForeignKey(Workup, models.PROTECT, related_name="blood_allowances")
    ul = models.IntegerField("more than the limit, µL")
    by = models.ForeignKey(Person, models.PROTECT, related_name="blood_allowances")
    reason = models.CharField(max_length=200)
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(ul=0), name="blood_allowance_is_something"),
            models.CheckConstraint(condition=~Q(reason=""), name="blood_allowance_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.workup}: {self.ul} µL"
