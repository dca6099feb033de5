"""Tables of past samples taken in: the saved mapping, and each table that was taken.

Promises: a mapping is data and outlives the table; what was taken in is named by the table's hash and by
the key of the form that took it, each once.
"""

from __future__ import annotations

from django.db import models
from simple_history.models import HistoricalRecords

from .people import Person, Programme


class TableMapping(models.Model):
    """Which column means what, saved under a name. `spec` is read by biobank.imports.mapping."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="table_mappings")
    name = models.CharField(max_length=80)
    spec = models.JSONField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "name"], name="mapping_name_once_per_programme")
        ]

    def __str__(self) -> str:
        return self.name


class TableDraft(models.Model):
    """A table uploaded and looked at, not yet taken in. Nothing refers to it."""

    person = models.ForeignKey(Person, models.PROTECT, related_name="table_drafts")
    mapping = models.ForeignKey(TableMapping, models.CASCADE, related_name="drafts")
    file_name = models.CharField(max_length=200)
    sheet = models.CharField(
        max_length=80, blank=True, help_text="sheet of an .xlsx file; empty is the first"
    )
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField()
    made = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-made"]


class TableImport(models.Model):
    """One table taken in, whole."""

    mapping = models.ForeignKey(TableMapping, models.PROTECT, related_name="imports")
    person = models.ForeignKey(Person, models.PROTECT, related_name="table_imports")
    key = models.UUIDField(
        unique=True, help_text="key of the form that took it in; its events' ids follow from it"
    )
    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, unique=True)
    mapping_spec = models.JSONField(help_text="the mapping as it was used")
    rows = models.PositiveIntegerField()
    animals = models.PositiveIntegerField(help_text="individuals in the table, known before or not")
    tubes = models.PositiveIntegerField()
    drawn = models.PositiveIntegerField(help_text="tubes drawn as planned")
    short = models.PositiveIntegerField("short draws")
    not_collected = models.PositiveIntegerField()
    made = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-made"]

    def __str__(self) -> str:
        return self.file_name

    @property
    def workup_prefix(self) -> str:
        """How the codes of its workups begin; the row number follows."""
        return f"IM-{self.sha256[:8].upper()}-"
