"""Readings of temperature loggers: the files they came in, and the sealed days that hold them.

Promises: a block of readings once stored is never changed or removed; a later file that knows more of a day
makes the next revision of that day, and the one before stays. A different value for a stored time is a
conflict that a person settles, and until then that moment is no data. Every block carries the hash of what it
holds, and a block that no longer matches its hash is not used.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .loggers import Logger


class LoggerMapping(models.Model):
    """How one kind of logger file is read, saved under a name. `spec` is read by temperature.parse."""

    name = models.CharField(max_length=80, unique=True)
    spec = models.JSONField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


VIA = [("page", "a page"), ("folder", "a watched folder"), ("push", "sent by the logger")]


class LoggerDraft(models.Model):
    """A file uploaded and not stored as readings: looked at, or set aside because it cannot be taken.

    logger    empty: not known which (a file of a watched folder)
    aside     why it cannot be taken: a code and a sentence; empty: it waits to be accepted
    """

    person = models.ForeignKey("biobank.Person", models.PROTECT, related_name="logger_drafts")
    logger = models.ForeignKey(Logger, models.CASCADE, null=True, blank=True, related_name="drafts")
    mapping_name = models.CharField(max_length=80, blank=True)
    mapping_spec = models.JSONField()
    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField()
    via = models.CharField(max_length=6, choices=VIA, default="page")
    aside_code = models.CharField(max_length=40, blank=True)
    aside = models.TextField(blank=True)
    made = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-made", "-pk"]


class LoggerImport(models.Model):
    """One file whose readings were stored: who, when, with which mapping, how many were new.

    interval_ms  the median step of this file; gap_ms the longest silence that counts as measured
    conflicts    readings with another value than the stored one (ReadingConflict)
    """

    key = models.UUIDField(unique=True, help_text="a form sent twice is one import")
    logger = models.ForeignKey(Logger, models.PROTECT, related_name="imports")
    person = models.ForeignKey("biobank.Person", models.PROTECT, related_name="logger_imports")
    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, db_index=True)
    content = models.BinaryField(help_text="the file as it came, compressed with zlib")
    mapping_name = models.CharField(max_length=80, blank=True)
    mapping_spec = models.JSONField(help_text="the mapping as it was used")
    via = models.CharField(max_length=6, choices=VIA, default="page")
    rows = models.PositiveIntegerField()
    stored = models.PositiveIntegerField("new readings")
    already = models.PositiveIntegerField("readings already stored", default=0)
    repeated = models.PositiveIntegerField("rows said twice", default=0)
    missing = models.PositiveIntegerField("rows without a reading", default=0)
    conflicts = models.PositiveIntegerField("readings with another value", default=0)
    interval_ms = models.PositiveIntegerField(default=0)
    gap_ms = models.PositiveIntegerField(default=0)
    first_ms = models.BigIntegerField()
    last_ms = models.BigIntegerField()
    made = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-made", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(last_ms__gte=F("first_ms")), name="logger_import_runs_forward"
            ),
            models.CheckConstraint(
                condition=Q(rows=F("stored") + F("already") + F("repeated") + F("missing") + F("conflicts")),
                name="logger_import_accounts_for_every_row",
            ),
        ]

    def __str__(self) -> str:
        return self.file_name


class ReadingBlock(models.Model):
    """What is known of one logger on one UTC day; never changed but for `current`, which a later revision
    takes.

    day      days since 1 Jan 1970 UTC
    payload  times, values and gap limits as temperature.blocks packs them (`codec` says how)
    sha256   of logger code, day, times, values and gap limits, not of the packed form
    low, high_centi  over readings that are no sensor error; empty when there is none
    covered_ms   between two readings of this day no further apart than the gap limit
    """

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="blocks")
    source = models.ForeignKey(
        LoggerImport, models.PROTECT, null=True, related_name="blocks", help_text="empty: sealed from a feed"
    )
    day = models.IntegerField()
    revision = models.PositiveIntegerField()
    current = models.BooleanField(default=True)
    n = models.PositiveIntegerField()
    first_ms = models.BigIntegerField()
    last_ms = models.BigIntegerField()
    low_centi = models.SmallIntegerField(null=True)
    high_centi = models.SmallIntegerField(null=True)
    covered_ms = models.PositiveIntegerField()
    codec = models.PositiveSmallIntegerField()
    payload = models.BinaryField()
    sha256 = models.CharField(max_length=64)

    class Meta:
        ordering = ["logger", "day", "revision"]
        constraints = [
            models.UniqueConstraint(fields=["logger", "day", "revision"], name="reading_block_revision_once"),
            models.UniqueConstraint(
                fields=["logger", "day"], condition=Q(current=True), name="one_current_block_a_day"
            ),
            models.CheckConstraint(
                condition=Q(n__gte=1, revision__gte=1), name="reading_block_holds_something"
            ),
            models.CheckConstraint(
                condition=Q(low_centi=None, high_centi=None) | Q(high_centi__gte=F("low_centi")),
                name="reading_block_runs_low_to_high",
            ),
            models.CheckConstraint(
                condition=Q(last_ms__gte=F("first_ms"), covered_ms__lte=86_400_000),
                name="reading_block_lies_in_a_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.logger_id} day {self.day} revision {self.revision}"


class LiveReading(models.Model):
    """A reading that a logger sent by itself, until its day is sealed into a block. UTC ms, centi."""

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="live")
    at_ms = models.BigIntegerField()
    centi = models.SmallIntegerField()
    got = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["logger", "at_ms"]
        constraints = [models.UniqueConstraint(fields=["logger", "at_ms"], name="live_reading_once")]


class ReadingConflict(models.Model):
    """A file says another value for a moment (UTC ms) than the stored one, in hundredths of °C.

    choice  which counts, when somebody has said: the stored one, the other one, or neither
    """

    class Choice(models.TextChoices):
        STORED = "stored", "the one stored first"
        SAID = "said", "the other one"
        NEITHER = "neither", "neither: no data"

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="conflicts")
    source = models.ForeignKey(LoggerImport, models.PROTECT, null=True, related_name="conflict_rows")
    at_ms = models.BigIntegerField()
    stored_centi = models.SmallIntegerField()
    said_centi = models.SmallIntegerField()
    line = models.PositiveIntegerField(null=True)
    made = models.DateTimeField(auto_now_add=True)
    choice = models.CharField(max_length=7, choices=Choice, blank=True)
    reason = models.CharField(max_length=200, blank=True)
    settled = models.DateTimeField(null=True)
    by = models.ForeignKey("biobank.Person", models.PROTECT, null=True, related_name="+")
    history = HistoricalRecords()

    class Meta:
        ordering = ["logger", "at_ms", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["logger", "at_ms", "said_centi"], name="reading_conflict_once"),
            models.CheckConstraint(
                condition=Q(choice="", settled=None, by=None)
                | (
                    Q(choice__in=["stored", "said", "neither"], settled__isnull=False, by__isnull=False)
                    & ~Q(reason="")
                ),
                name="a_settled_conflict_says_who_and_why",
            ),
        ]


class LoggerToken(models.Model):
    """The password of a logger that sends by itself. Only its hash is kept; it is shown once."""

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="tokens")
    name = models.CharField(max_length=60)
    sha256 = models.CharField(max_length=64, unique=True)
    made = models.DateTimeField(auto_now_add=True)
    by = models.ForeignKey("biobank.Person", models.PROTECT, related_name="+")
    used = models.DateTimeField(null=True)
    revoked = models.DateTimeField(null=True)
    revoked_by = models.ForeignKey("biobank.Person", models.PROTECT, null=True, related_name="+")
    history = HistoricalRecords(excluded_fields=["used"])

    class Meta:
        ordering = ["logger", "-made"]

    def __str__(self) -> str:
        return f"{self.name} of {self.logger_id}"
