"""Counts of boxes: why a box was chosen, who counted it, what was read while it was open.

Promises: what a count found is in the ledger (`counted`, and `discrepancy_noted` for each difference); the
numbers here repeat it for lists. Readings stand here because they come one by one and before the expected
content is shown; nobody changes them after the count is finished.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .people import Person
from .store import Unit


class CountDraw(models.Model):
    """One choice of boxes with all that is needed to redo it: candidates, their weights, number and seed."""

    key = models.UUIDField(unique=True)
    at = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    seed = models.CharField(max_length=32)
    wanted = models.PositiveIntegerField()
    considered = models.JSONField(help_text="[[box, weight, [reason, …]], …]")
    chosen = models.JSONField(help_text="[[box, risk or chance], …]")

    class Meta:
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return f"draw {self.pk}"


class Count(models.Model):
    """A box to count, or one that was. `event`: the `counted` event; none when no known tube was concerned.

    key           of the form that finished it
    next_slot     the slot that was scanned ahead of its tube, in the box's own naming
    found …       how many of each word; expected: tubes that the ledger had in the box
    """

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="counts")
    draw = models.ForeignKey(CountDraw, models.PROTECT, null=True, related_name="counts")
    after = models.ForeignKey("self", models.PROTECT, null=True, related_name="queued")
    why = models.CharField(max_length=400)
    weight = models.PositiveIntegerField(default=0)
    asked = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    started = models.DateTimeField(null=True)
    finished = models.DateTimeField(null=True)
    key = models.UUIDField(null=True, unique=True)
    event = models.UUIDField(null=True)
    next_slot = models.CharField(max_length=6, default="", blank=True)
    expected = models.PositiveIntegerField(default=0)
    found = models.PositiveIntegerField(default=0)
    wrong_place = models.PositiveIntegerField(default=0)
    not_found = models.PositiveIntegerField(default=0)
    extra = models.PositiveIntegerField(default=0)
    unreadable = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["-finished", "-weight", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["unit"], condition=Q(finished=None), name="one_open_count_a_box"),
            models.CheckConstraint(
                condition=Q(finished=None) | Q(by__isnull=False, started__isnull=False, key__isnull=False),
                name="a_finished_count_says_who_and_when",
            ),
        ]

    def __str__(self) -> str:
        return f"count {self.pk} of {self.unit_id}"

    @property
    def misses(self) -> int:
        return self.wrong_place + self.not_found + self.extra


class CountRead(models.Model):
    """One reading of an open count: a tube (empty: its label cannot be read), its slot if it was told.

    taken_for: the tube that a label nobody could read must be, by its slot; set when the count is finished
    """

    count = models.ForeignKey(Count, models.CASCADE, related_name="reads")
    tube = models.CharField(max_length=9, blank=True)
    row = models.PositiveSmallIntegerField(null=True)
    col = models.PositiveSmallIntegerField(null=True)
    taken_for = models.CharField(max_length=9, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["count", "tube"], condition=~Q(tube=""), name="a_tube_once_in_a_count"
            ),
            models.UniqueConstraint(
                fields=["count", "row", "col"],
                condition=Q(row__isnull=False),
                name="one_reading_a_slot_in_a_count",
            ),
        ]

    def __str__(self) -> str:
        return self.tube or "unreadable"
