"""Rotors: what a laboratory's centrifuge can hold.

Promises: a rotor is data with a history; radius and places are what the rotor's own papers say.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from biobank.core import rotor as core
from custody.core.spin import rcf

from .people import Agency


class Rotor(models.Model):
    """places: even, each has one opposite; radius_mm: from the axis to the middle of the tube; max_g follows
    from the largest speed; retired: no longer in use."""

    agency = models.ForeignKey(Agency, models.PROTECT, related_name="rotors")
    name = models.CharField(max_length=60)
    places = models.PositiveSmallIntegerField()
    radius_mm = models.PositiveSmallIntegerField("radius, mm")
    max_rpm = models.PositiveIntegerField("largest speed, rpm")
    retired = models.BooleanField("no longer in use", default=False)
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["agency", "name"], name="rotor_name_once"),
            models.CheckConstraint(condition=Q(places__gte=2, places__lte=200), name="rotor_has_places"),
            models.CheckConstraint(condition=Q(radius_mm__gte=1, max_rpm__gte=1), name="rotor_turns"),
        ]

    def __str__(self) -> str:
        return f"{self.name}: {self.places} places, {self.radius_mm} mm"

    @property
    def max_g(self) -> int:
        """The force at the largest speed, whole multiples of g, rounded down."""
        return int(rcf(self.max_rpm, self.radius_mm))

    def core(self) -> core.Rotor:
        return core.Rotor(self.name, self.places, self.max_g)
