"""Field sheets that were filled in by hand: the photos of them, exactly as they came.

Promises: a photo is added and never changed or removed (biobank.kept); the ledger names it by the first
sixteen characters of its hash, in the note of each act that was typed from it.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .people import Person
from .plans import TubeSet


class SheetPhoto(models.Model):
    """One photo or scan of the sheet of a tube set. One photo may show the sheets of two sets."""

    class Kind(models.TextChoices):
        JPEG = "image/jpeg", "JPEG"
        PNG = "image/png", "PNG"
        WEBP = "image/webp", "WebP"
        PDF = "application/pdf", "PDF"

    tube_set = models.ForeignKey(TubeSet, models.PROTECT, related_name="photos")
    name = models.CharField("name of the file as it came", max_length=200)
    kind = models.CharField(max_length=16, choices=Kind)
    size = models.PositiveIntegerField("bytes")
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField(help_text="the file as it came, byte for byte")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["tube_set", "sha256"], name="sheet_photo_once_a_set"),
            models.CheckConstraint(
                condition=Q(kind__in=["image/jpeg", "image/png", "image/webp", "application/pdf"]),
                name="sheet_photo_kind_is_known",
            ),
            models.CheckConstraint(condition=Q(size__gte=1), name="sheet_photo_is_not_empty"),
        ]

    def __str__(self) -> str:
        return self.short

    @property
    def short(self) -> str:
        """What the ledger calls it."""
        return self.sha256[:16]

    @property
    def is_picture(self) -> bool:
        return self.kind != self.Kind.PDF
