"""Verdicts worked out and kept for lists, and what a draft of rules would change.

Promises: a kept verdict is a copy for finding and sorting and never decides anything: whoever acts on one
asks anew. What was decided (overrides, deviations) is in the ledger, not here.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .checks import Assay, RuleSet
from .people import Person

WORDS = [
    ("not_fit", "not fit"),
    ("cannot_tell", "cannot tell"),
    ("caution", "fit with caution"),
    ("fit", "fit"),
]


class Judgement(models.Model):
    """The verdict for one tube and one assay as it was worked out at one moment.

    word       the rules' answer; allowed: overridden by two people, so that the gate lets it through
    rank       0 not fit … 3 fit, for sorting
    sentence   what decided; decided_by: code of its rule
    seq        the last event of the tube or of what it came from that was taken into account
    inputs     of all that went in but the time: 16 hex digits of SHA-256 each of rules, acts, origin with
               permits, and temperatures
    until_ms   the first moment (UTC ms) at which time alone may change the answer; null: time changes nothing
    measured_bp  share of its life that was measured, in hundredths of a per cent
    """

    tube = models.CharField(max_length=9)
    assay = models.ForeignKey(Assay, models.PROTECT, related_name="+")
    rule_set = models.ForeignKey(RuleSet, models.PROTECT, related_name="+")
    word = models.CharField(max_length=11, choices=WORDS)
    rank = models.PositiveSmallIntegerField()
    allowed = models.BooleanField(default=False)
    sentence = models.TextField()
    decided_by = models.CharField(max_length=40, blank=True)
    matrix = models.CharField(max_length=3, blank=True)
    taxon = models.CharField(max_length=8, blank=True)
    drawn_ms = models.BigIntegerField(null=True)
    volume_ul = models.IntegerField(null=True)
    measured_bp = models.PositiveSmallIntegerField(default=0)
    asof_ms = models.BigIntegerField()
    until_ms = models.BigIntegerField(null=True)
    seq = models.BigIntegerField()
    inputs = models.CharField(max_length=64)

    class Meta:
        ordering = ["assay", "rank", "tube"]
        constraints = [
            models.UniqueConstraint(fields=["tube", "assay"], name="one_judgement_a_tube_and_assay"),
            models.CheckConstraint(
                condition=Q(word__in=[word for word, _ in WORDS])
                & Q(rank__lte=3)
                & Q(measured_bp__lte=10_000),
                name="judgement_is_a_known_word",
            ),
        ]
        indexes = [
            models.Index(fields=["assay", "rank", "tube"], name="judgement_by_assay"),
            models.Index(fields=["assay", "drawn_ms", "tube"], name="judgement_by_draw"),
        ]


class OpenFinding(models.Model):
    """A rule that a tube does not pass, as it was when it was last judged. A copy for the work list.

    code       of the rule; assays: those that it is about, with commas; since_ms: when the last act behind it
               happened (UTC ms), for its age
    """

    tube = models.CharField(max_length=9)
    code = models.CharField(max_length=40)
    severity = models.CharField(max_length=8)
    rank = models.PositiveSmallIntegerField()
    answer = models.CharField(max_length=11)
    sentence = models.TextField()
    fact = models.CharField(max_length=200, blank=True)
    assays = models.CharField(max_length=200)
    since_ms = models.BigIntegerField()
    rule_set = models.ForeignKey(RuleSet, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["rank", "since_ms", "tube", "code"]
        constraints = [models.UniqueConstraint(fields=["tube", "code"], name="open_finding_once")]
        indexes = [models.Index(fields=["rank", "since_ms", "tube"], name="open_finding_by_age")]


class Trial(models.Model):
    """A draft run on the whole collection before it is put in force, in pieces.

    done       tubes judged so far, `after` the last of them; total: how many there were when it began
    draft_at   fingerprint of the draft's rules, and against_at of those in force: another one makes it stale
    """

    draft = models.ForeignKey(RuleSet, models.CASCADE, related_name="trials")
    against = models.ForeignKey(RuleSet, models.PROTECT, null=True, related_name="+")
    draft_at = models.CharField(max_length=64)
    against_at = models.CharField(max_length=64, blank=True)
    begun = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    asof_ms = models.BigIntegerField()
    total = models.PositiveIntegerField()
    done = models.PositiveIntegerField(default=0)
    after = models.CharField(max_length=9, blank=True)
    ended = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-begun"]


class TrialChange(models.Model):
    """A tube whose verdict would change. Words as in Judgement; an empty word: no such verdict."""

    trial = models.ForeignKey(Trial, models.CASCADE, related_name="changes")
    tube = models.CharField(max_length=9)
    assay = models.CharField(max_length=12)
    before = models.CharField(max_length=11, blank=True)
    now = models.CharField(max_length=11, blank=True)
    sentence = models.TextField()

    class Meta:
        ordering = ["trial", "assay", "before", "now", "tube"]
        constraints = [models.UniqueConstraint(fields=["trial", "tube", "assay"], name="trial_change_once")]
