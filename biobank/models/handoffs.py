"""What belongs to a handoff and is no event: links without a login, signed papers, cases, numbers.

Promises: the ledger says who holds a tube; nothing here does. A link's secret is never stored, only its
hash; a photo of a signed paper is added and never changed or removed (biobank.kept).
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .people import Agency, Person, Programme
from .sheets import SheetPhoto

PHOTO_KINDS = [kind.value for kind in SheetPhoto.Kind]


class HandoffLink(models.Model):
    """A way for one receiver to answer one handoff without a login (evidence grade B).

    handoff     id of its event; one link counts at a time, an older one is revoked
    token_hash  SHA-256, hex, of the 128-bit secret in the address; code_hash: salted hash of the code that is
                told apart, by telephone for example
    tries       wrong codes so far; locked at `handoffs.links.MOST_TRIES`
    """

    handoff = models.UUIDField()
    to = models.ForeignKey(Agency, models.PROTECT, related_name="+")
    token_hash = models.CharField(max_length=64, unique=True)
    code_hash = models.CharField(max_length=128)
    made_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    made = models.DateTimeField()
    expires = models.DateTimeField()
    tries = models.PositiveSmallIntegerField(default=0)
    last_try = models.DateTimeField(null=True)
    opened = models.DateTimeField(null=True)
    used = models.DateTimeField(null=True)
    revoked = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-made"]
        constraints = [
            models.UniqueConstraint(
                fields=["handoff"], condition=Q(used=None, revoked=None), name="one_link_a_handoff"
            ),
            models.CheckConstraint(condition=Q(expires__gt=F("made")), name="link_expires_after_it_was_made"),
        ]


class HandoffPaper(models.Model):
    """A photo or scan of the answer strip that a receiver filled in by hand (evidence grade C)."""

    handoff = models.UUIDField(db_index=True)
    name = models.CharField("name of the file as it came", max_length=200)
    kind = models.CharField(max_length=16, choices=SheetPhoto.Kind)
    size = models.PositiveIntegerField("bytes")
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField(help_text="the file as it came, byte for byte")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["handoff", "sha256"], name="handoff_paper_once"),
            models.CheckConstraint(condition=Q(kind__in=PHOTO_KINDS), name="handoff_paper_kind_is_known"),
            models.CheckConstraint(condition=Q(size__gte=1), name="handoff_paper_is_not_empty"),
        ]

    @property
    def short(self) -> str:
        """What the ledger calls it."""
        return self.sha256[:16]


class HandoffCase(models.Model):
    """A discrepancy of a handoff, with somebody who looks after it and a day by which.

    event   id of the answer that found it; tube empty: about the whole handoff (seal, count, temperature)
    code    missing, extra, foreign, unreadable, damaged, warm, twice, seal, count, temperature
    closed  id of the event that settled it, or empty; `outcome` says in words what became of it
    """

    handoff = models.UUIDField(db_index=True)
    event = models.UUIDField()
    tube = models.CharField(max_length=9, blank=True)
    code = models.CharField(max_length=12)
    said = models.CharField("what was found", max_length=300)
    owner = models.ForeignKey(Person, models.PROTECT, related_name="cases")
    due = models.DateField()
    opened = models.DateTimeField()
    closed = models.DateTimeField(null=True)
    closing = models.UUIDField(null=True)
    outcome = models.CharField(max_length=300, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["due", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["event", "tube", "code"], name="handoff_case_once"),
            models.CheckConstraint(
                condition=Q(closed=None, outcome="") | (Q(closed__isnull=False) & ~Q(outcome="")),
                name="a_closed_case_says_what_became_of_it",
            ),
        ]
        indexes = [models.Index(fields=["due"], condition=Q(closed=None), name="open_case_by_due")]


class OwnNumber(models.Model):
    """The receiver's own accession number of a tube, beside ours. The event `received` says it, too."""

    agency = models.ForeignKey(Agency, models.PROTECT, related_name="+")
    tube = models.CharField(max_length=9, db_index=True)
    number = models.CharField(max_length=40)
    event = models.UUIDField()

    class Meta:
        ordering = ["agency", "number"]
        constraints = [
            models.UniqueConstraint(fields=["agency", "number"], name="own_number_names_one_tube"),
            models.UniqueConstraint(fields=["agency", "tube"], name="one_own_number_a_tube_and_agency"),
        ]


class TransferLetter(models.Model):
    """A numbered letter that goes with a handoff or shipment; its PDF is made from the ledger."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="letters")
    year = models.PositiveSmallIntegerField()
    n = models.PositiveIntegerField("number in its year")
    handoff = models.UUIDField(unique=True)
    purpose = models.CharField(max_length=300)
    terms = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["-year", "-n"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "year", "n"], name="letter_number_once"),
            models.CheckConstraint(condition=Q(n__gte=1), name="letter_number_from_one"),
        ]

    @property
    def number(self) -> str:
        return f"{self.programme.code}-{self.year}-{self.n:03d}"
