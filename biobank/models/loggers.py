"""Temperature loggers: the instrument, and where it was.

Promises: placements keep their history; a logger is in one place at a time.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .people import CODE

DAY_MS = 86_400_000


class Logger(models.Model):
    """A temperature logger. `interval_s` is the recording interval it is set to.

    between  what is true between two readings: a straight line, or the value before (a logger that
             records when something changes)
    """

    class Between(models.TextChoices):
        LINEAR = "linear", "a straight line to the next reading"
        STEP = "step", "the value until the next reading"

    code = models.CharField(max_length=20, unique=True, validators=[CODE])
    name = models.CharField(max_length=80, blank=True)
    serial = models.CharField("serial number", max_length=40, blank=True)
    agency = models.ForeignKey("biobank.Agency", models.PROTECT, related_name="loggers")
    make = models.CharField(max_length=60, blank=True)
    model = models.CharField(max_length=60, blank=True)
    interval_s = models.PositiveIntegerField("recording interval, s", default=300)
    between = models.CharField("between two readings", max_length=6, choices=Between, default=Between.LINEAR)
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
            models.CheckConstraint(
                condition=Q(between__in=["linear", "step"]), name="logger_between_is_known"
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
