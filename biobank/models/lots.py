"""Which lots of empty tubes there are, until when they may be used."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from .people import Programme
from .plans import ADDITIVES


class TubeLot(models.Model):
    """One lot of empty tubes of one kind. `expires` is the last day on which it is good."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="lots")
    additive = models.CharField(max_length=5, choices=ADDITIVES)
    container = models.CharField(max_length=40, blank=True)
    ul = models.PositiveIntegerField("nominal volume, µL", null=True, blank=True)
    cap = models.CharField("cap colour", max_length=20, blank=True)
    lot = models.CharField(max_length=40)
    expires = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=160, blank=True)
    used_up = models.BooleanField(default=False)
    history = HistoricalRecords()

    class Meta:
        ordering = ["used_up", "additive", "ul", "expires", "lot"]
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "additive", "container", "ul", "lot"], name="tube_lot_once"
            ),
            models.UniqueConstraint(
                fields=["programme", "additive", "container", "lot"],
                condition=Q(ul=None),
                name="tube_lot_without_volume_once",
            ),
            models.CheckConstraint(condition=Q(ul=None) | Q(ul__gte=1), name="tube_lot_holds_something"),
            models.CheckConstraint(condition=~Q(lot=""), name="tube_lot_has_a_number"),
        ]

    def __str__(self) -> str:
        return self.lot
