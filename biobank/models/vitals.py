"""What is counted and measured on an animal in hand: temperature, heart, breaths, girths.

Promises: a value that was mistyped is struck out, never deleted; one form makes one value (`key`).
Length, axillary girth and mass stand on the workup itself.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from .field import Workup
from .people import Person


class Vital(models.Model):
    """One reading. value: hundredths of °C for a temperature, a count in a minute for the others."""

    class Kind(models.TextChoices):
        TEMPERATURE = "temp", "Temperature"
        HEART = "heart", "Heart beats"
        BREATHS = "breaths", "Breaths"

    key = models.UUIDField(unique=True)
    workup = models.ForeignKey(Workup, models.PROTECT, related_name="vitals")
    kind = models.CharField(max_length=8, choices=Kind)
    value = models.PositiveIntegerField()
    at = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="vitals_taken")
    struck = models.BooleanField("struck out", default=False)
    history = HistoricalRecords()

    class Meta:
        ordering = ["workup", "at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["temp", "heart", "breaths"]), name="vital_kind_is_known_word"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.value}"


class Girth(models.Model):
    """One more girth of a workup, by where it was taken."""

    class Place(models.TextChoices):
        NECK = "neck", "Neck"
        NAVEL = "navel", "Navel"
        HIPS = "hips", "Hips"
        LARGEST = "largest", "Largest"

    workup = models.ForeignKey(Workup, models.PROTECT, related_name="girths")
    place = models.CharField(max_length=8, choices=Place)
    mm = models.PositiveIntegerField("girth, mm")
    history = HistoricalRecords()

    class Meta:
        ordering = ["workup", "place"]
        constraints = [
            models.UniqueConstraint(fields=["workup", "place"], name="girth_once_a_place"),
            models.CheckConstraint(condition=Q(mm__gte=1), name="girth_is_something"),
            models.CheckConstraint(
                condition=Q(place__in=["neck", "navel", "hips", "largest"]), name="girth_place_is_known_word"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_place_display()} {self.mm} mm"
