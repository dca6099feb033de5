"""Permits and agreements: which paper lets whom take, hold, send, receive or move what, how much, until when.

Promises: a paper is written down as its text says; what it allows is for the authorities to say. Files are
added and never changed or removed (biobank.kept).
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .people import Agency, Person, Programme

ALLOWS = [
    ("take", "take"),
    ("hold", "hold"),
    ("send", "send to another agency"),
    ("receive", "receive from another agency"),
    ("import", "import"),
    ("export", "export"),
]
SORTS = [("permit", "permit"), ("agreement", "agreement")]
COUNTED = [("animals", "animals"), ("tubes", "tubes"), ("ul", "µL")]


class Permit(models.Model):
    """Authority by a paper. Empty species, parts, people or recipients: it names none, so it holds for all.

    parts     codes of matrices, with spaces; quantity of what `counted` says, from valid_from to valid_until
    """

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="permits")
    sort = models.CharField(max_length=9, choices=SORTS, default="permit")
    number = models.CharField(max_length=60)
    allows = models.CharField("allows to", max_length=7, choices=ALLOWS)
    agency = models.ForeignKey(Agency, models.PROTECT, related_name="permits")
    issued_by = models.CharField(max_length=120)
    species = models.CharField(max_length=80, blank=True)
    parts = models.CharField(max_length=120, blank=True)
    quantity = models.PositiveIntegerField(null=True, blank=True)
    counted = models.CharField("counted in", max_length=7, choices=COUNTED, blank=True)
    people = models.ManyToManyField(Person, blank=True, related_name="+")
    recipients = models.ManyToManyField(Agency, blank=True, related_name="+")
    valid_from = models.DateField()
    valid_until = models.DateField()
    conditions = models.TextField(blank=True, max_length=2000)
    note = models.CharField(max_length=200, blank=True)
    history = HistoricalRecords(m2m_fields=[people, recipients])

    class Meta:
        ordering = ["-valid_from", "number"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "number", "allows", "agency"], name="permit_once"),
            models.CheckConstraint(
                condition=Q(valid_until__gte=F("valid_from")), name="permit_is_not_reversed"
            ),
            models.CheckConstraint(
                condition=Q(allows__in=[word for word, _ in ALLOWS]) & Q(sort__in=[one for one, _ in SORTS]),
                name="permit_allows_a_known_word",
            ),
            models.CheckConstraint(
                condition=Q(quantity=None, counted="")
                | Q(quantity__isnull=False, counted__in=[c for c, _ in COUNTED]),
                name="a_quantity_says_of_what",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.sort} {self.number} to {self.allows}"


class PermitFile(models.Model):
    """The paper itself as it came, byte for byte."""

    permit = models.ForeignKey(Permit, models.PROTECT, related_name="files")
    name = models.CharField("name of the file as it came", max_length=200)
    kind = models.CharField(max_length=16)
    size = models.PositiveIntegerField("bytes")
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["permit", "sha256"], name="permit_file_once"),
            models.CheckConstraint(condition=Q(size__gte=1), name="permit_file_is_not_empty"),
        ]
