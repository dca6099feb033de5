"""The bag of a tube set while somebody packs it: which of its tubes were scanned so far."""

from __future__ import annotations

from django.db import models

from .people import Person
from .plans import Tube, TubeSet


class PackScan(models.Model):
    """A tube that was scanned into its bag. Scans go when the bag is opened; the ledger keeps `packed`."""

    tube_set = models.ForeignKey(TubeSet, models.PROTECT, related_name="scans")
    tube = models.OneToOneField(Tube, models.PROTECT, related_name="pack_scan")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.tube_id
