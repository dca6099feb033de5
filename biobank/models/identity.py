"""That two animals are one, said with its proof and taken back with a reason.

Promises: a row is added or ended, never changed otherwise. What it was merged into stands on the animal.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from .field import Animal
from .people import Person


class AnimalMerge(models.Model):
    """`gone` was found to be the same animal as `kept`."""

    class Proof(models.TextChoices):
        CHIP = "chip", "Chip or tag"
        GENOTYPE = "genotype", "Genotype"
        PHOTO = "photo", "Photographs"
        OTHER = "other", "Something else"

    kept = models.ForeignKey(Animal, models.PROTECT, related_name="merges_kept")
    gone = models.ForeignKey(Animal, models.PROTECT, related_name="merges_gone")
    kind = models.CharField(max_length=8, choices=Proof)
    proof = models.CharField(max_length=300)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    undone_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_why = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(kept=F("gone")), name="merge_of_two_animals"),
            models.CheckConstraint(condition=~Q(proof=""), name="merge_has_a_proof"),
            models.UniqueConstraint(
                fields=["gone"], condition=Q(undone_at=None), name="animal_is_merged_into_one"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.gone} is {self.kept}"
