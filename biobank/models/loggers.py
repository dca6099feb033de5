"""Temperature loggers: the instrument, where it was, the files taken from it, and its readings.

Promises: a reading once stored is never changed or removed. A later file only adds a block with the
readings that were not there; a different value for a stored time is a conflict that stores nothing.
Every block carries the hash of what it holds, and a block that no longer matches its hash is not used.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Length
from django.db.models.lookups import Exact
from simple_history.models import HistoricalRecords

from .people import CODE

DAY_MS = 86_400_000


class Logger(models.Model):
    """A temperature logger. `interval_s` is the recording interval it is set to."""

    code = models.CharField(max_length=20, unique=True, validators=[CODE])
    name = models.CharField(max_length=80, blank=True)
    serial = models.CharField("serial number", max_length=40, blank=True)
    agency = models.ForeignKey("biobank.Agency", models.PROTECT, related_name="loggers")
    interval_s = models.PositiveIntegerField("recording interval, s", default=300)
    retired = models.BooleanField(default=False)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(interval_s__gte=1, interval_s__lte=86_400), name="logger_interval_up_to_a_day"
            ),
            models.CheckConstraint(
                condition=~Q(code="import") & ~Q(code="new"), name="logger_code_is_no_page"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.code})" if self.name else self.code

    @property
    def interval_ms(self) -> int:
        return self.interval_s * 1000


class LoggerPlacement(models.Model):
    """A logger stood in a unit from one moment to another (UTC ms, half-open; `to_ms` empty: still).

    probe      where in the unit, and what the probe is in: a probe in air is not the sample
    governing  its readings count for what stands in the unit; one such logger at a time
    """

    class Medium(models.TextChoices):
        AIR = "air", "in air"
        BUFFERED = "buffered", "in a buffer (glycol, beads)"
        SURFACE = "surface", "on a surface"
        UNKNOWN = "unknown", "not known"

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="placements")
    unit = models.ForeignKey("biobank.Unit", models.PROTECT, related_name="logger_placements")
    from_ms = models.BigIntegerField()
    to_ms = models.BigIntegerField(null=True, blank=True)
    probe = models.CharField("where the probe is", max_length=80, blank=True)
    medium = models.CharField("probe", max_length=8, choices=Medium, default=Medium.UNKNOWN)
    governing = models.BooleanField(default=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["logger", "from_ms"]
        constraints = [
            models.CheckConstraint(
                condition=Q(to_ms=None) | Q(to_ms__gt=F("from_ms")), name="placement_ends_after_it_starts"
            ),
            models.CheckConstraint(
                condition=Q(medium__in=["air", "buffered", "surface", "unknown"]),
                name="placement_medium_known",
            ),
            models.UniqueConstraint(
                fields=["logger"], condition=Q(to_ms=None), name="a_logger_is_in_one_place_now"
            ),
            models.UniqueConstraint(
                fields=["unit"],
                condition=Q(to_ms=None, governing=True),
                name="one_governing_logger_per_unit_now",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.logger_id} in {self.unit_id}"


class LoggerMapping(models.Model):
    """How one kind of logger file is read, saved under a name. `spec` is read by temperature.parse."""

    name = models.CharField(max_length=80, unique=True)
    spec = models.JSONField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class LoggerDraft(models.Model):
    """A file uploaded and looked at, not yet stored as readings. Nothing refers to it."""

    person = models.ForeignKey("biobank.Person", models.PROTECT, related_name="logger_drafts")
    logger = models.ForeignKey(Logger, models.CASCADE, related_name="drafts")
    mapping_name = models.CharField(max_length=80, blank=True)
    mapping_spec = models.JSONField()
    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField()
    made = models.DateTimeField(auto_now_add=True)


class LoggerImport(models.Model):
    """One file whose readings were stored: who, when, with which mapping, how many were new."""

    key = models.UUIDField(unique=True, help_text="a form sent twice is one import")
    logger = models.ForeignKey(Logger, models.PROTECT, related_name="imports")
    person = models.ForeignKey("biobank.Person", models.PROTECT, related_name="logger_imports")
    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField(help_text="the file as it came, compressed with zlib")
    mapping_name = models.CharField(max_length=80, blank=True)
    mapping_spec = models.JSONField(help_text="the mapping as it was used")
    rows = models.PositiveIntegerField()
    stored = models.PositiveIntegerField("new readings")
    already = models.PositiveIntegerField("readings already stored", default=0)
    repeated = models.PositiveIntegerField("rows said twice", default=0)
    missing = models.PositiveIntegerField("rows without a reading", default=0)
    first_ms = models.BigIntegerField()
    last_ms = models.BigIntegerField()
    made = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-made", "-pk"]
        constraints = [
            models.CheckConstraint(condition=Q(stored__gte=1), name="logger_import_stores_something"),
            models.CheckConstraint(
                condition=Q(last_ms__gte=F("first_ms")), name="logger_import_runs_forward"
            ),
            models.CheckConstraint(
                condition=Q(rows=F("stored") + F("already") + F("repeated") + F("missing")),
                name="logger_import_accounts_for_every_row",
            ),
        ]

    def __str__(self) -> str:
        return self.file_name


class ReadingDay(models.Model):
    """Readings of one logger on one UTC day, from one import; never changed.

    day      days since 1 Jan 1970 UTC
    times    little-endian int32, ms since the day began, rising
    values   little-endian int16, hundredths of °C
    sha256   of logger code, day, times and values (temperature.blocks)
    gap_ms   the longest silence after one of these readings that still counts as measured
    """

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="days")
    source = models.ForeignKey(LoggerImport, models.PROTECT, related_name="days")
    day = models.IntegerField()
    n = models.PositiveIntegerField()
    gap_ms = models.PositiveIntegerField()
    low_centi = models.SmallIntegerField()
    high_centi = models.SmallIntegerField()
    times = models.BinaryField()
    values = models.BinaryField()
    sha256 = models.CharField(max_length=64)

    class Meta:
        ordering = ["logger", "day", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["logger", "day", "sha256"], name="reading_block_once"),
            models.CheckConstraint(condition=Q(n__gte=1), name="reading_block_has_readings"),
            models.CheckConstraint(
                condition=Q(high_centi__gte=F("low_centi")), name="reading_block_low_to_high"
            ),
            models.CheckConstraint(
                condition=Exact(Length("times"), F("n") * 4), name="reading_block_times_fit_n"
            ),
            models.CheckConstraint(
                condition=Exact(Length("values"), F("n") * 2), name="reading_block_values_fit_n"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.logger_id} day {self.day}"
