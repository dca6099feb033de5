"""Swaps of freezers: all boxes of some units into others, as one job that takes days.

Promises: here stands what was to be moved and who opened and closed the job; how far each box has come is
asked of the ledger (`biobank/core/swapping.py`) and kept nowhere while the job is open.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .people import Person
from .store import Unit


class Swap(models.Model):
    """listed: the boxes as they stood when it was opened, in walking order: [[box, [rack, shelf, …]], …]
    left: when closed, the boxes that had not arrived: [[box, how far it had come, where it stood], …]
    key, close_key: of the forms that opened and closed it
    """

    key = models.UUIDField(unique=True)
    close_key = models.UUIDField(unique=True, null=True)
    out_of = models.ManyToManyField(Unit, related_name="+")
    into = models.ManyToManyField(Unit, related_name="+")
    why = models.CharField(max_length=200)
    listed = models.JSONField()
    opened = models.DateTimeField()
    opened_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    closed = models.DateTimeField(null=True)
    closed_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    closed_why = models.CharField(max_length=400, blank=True)
    left = models.JSONField(default=list)

    class Meta:
        ordering = ["-opened", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(closed=None, closed_by=None, close_key=None)
                | Q(closed__isnull=False, closed_by__isnull=False, close_key__isnull=False),
                name="a_closed_swap_says_who_and_when",
            )
        ]

    def __str__(self) -> str:
        return f"swap {self.pk}"
