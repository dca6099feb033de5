"""What somebody at the bench has scanned and not yet said to the ledger, and what was answered lately.

Promises: a reload, an empty battery or another device loses nothing of it. None of this is truth about tubes:
what happened is in the ledger, and a pass may be thrown away.
"""

from __future__ import annotations

from django.db import models

from .people import Person


class Pass(models.Model):
    """One person's work at the bench.

    mode   the mode they were in last
    held   mode -> what is collected in it: a run to spin, aliquots in their order, a list to receive …
    said   what was scanned and answered, newest first, a score of them
    """

    person = models.OneToOneField(Person, models.PROTECT, related_name="+")
    mode = models.CharField(max_length=10, default="look-up")
    held = models.JSONField(default=dict, blank=True)
    said = models.JSONField(default=list, blank=True)
    updated = models.DateTimeField()

    class Meta:
        verbose_name_plural = "passes"

    def __str__(self) -> str:
        return f"{self.person_id}: {self.mode}"
