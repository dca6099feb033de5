"""What is known of a logger besides its readings: its clock, its calibration, readings that do not count; and
at which temperature a unit is supposed to be.

Promises: a correction is a dated record that is applied when readings are read; it never edits a reading. One
that was wrong is withdrawn, with who and why, and stays.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .loggers import Logger
from .people import Person
from .store import Unit


class Withdrawn(models.Model):
    """Said by somebody, perhaps taken back by somebody."""

    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    made = models.DateTimeField(auto_now_add=True)
    note = models.CharField(max_length=200, blank=True)
    withdrawn = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn_why = models.CharField(max_length=200, blank=True)

    class Meta:
        abstract = True


def _says(name: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(withdrawn=None, withdrawn_by=None, withdrawn_why="")
        | (Q(withdrawn__isnull=False, withdrawn_by__isnull=False) & ~Q(withdrawn_why="")),
        name=name,
    )


class ClockCheck(Withdrawn):
    """The logger's clock beside a true one, both UTC ms. shown − true is how far it is ahead."""

    class Method(models.TextChoices):
        RADIO = "radio", "a radio or satellite clock"
        SERVER = "server", "a computer set by network time"
        PHONE = "phone", "a phone"
        OTHER = "other", "something else"

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="clock_checks")
    true_ms = models.BigIntegerField()
    shown_ms = models.BigIntegerField()
    method = models.CharField(max_length=6, choices=Method)
    history = HistoricalRecords()

    class Meta:
        ordering = ["logger", "shown_ms"]
        constraints = [_says("a_withdrawn_clock_check_says_who_and_why")]

    @property
    def ahead_ms(self) -> int:
        return self.shown_ms - self.true_ms


class CalibrationCertificate(Withdrawn):
    """A certificate: for indicated temperatures the correction to add and its uncertainty, hundredths of °C.

    points  [[indicated, correction, uncertainty], …], rising by indicated
    """

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="certificates")
    number = models.CharField(max_length=60)
    laboratory = models.CharField(max_length=120)
    issued = models.DateField()
    valid_from = models.DateField()
    valid_to = models.DateField()
    points = models.JSONField()
    document = models.BinaryField(null=True, blank=True)
    document_name = models.CharField(max_length=200, blank=True)
    document_sha256 = models.CharField(max_length=64, blank=True)
    history = HistoricalRecords(excluded_fields=["document"])

    class Meta:
        ordering = ["logger", "valid_from"]
        constraints = [
            models.CheckConstraint(
                condition=Q(valid_to__gte=F("valid_from")), name="certificate_ends_after_it_starts"
            ),
            models.UniqueConstraint(
                fields=["logger", "number"], condition=Q(withdrawn=None), name="certificate_number_once"
            ),
            _says("a_withdrawn_certificate_says_who_and_why"),
        ]

    def __str__(self) -> str:
        return self.number


class ReadingExclusion(Withdrawn):
    """Readings of this stretch (UTC ms, half-open, by the logger's own clock) do not count: no data.

    approved_by  a second person; empty: nobody has looked yet, and the readings still count
    """

    class Reason(models.TextChoices):
        OUT = "out", "the probe was out"
        DEFROST = "defrost", "a defrost test"
        BATTERY = "battery", "battery change"
        CALIBRATION = "calibration", "calibration"
        FAULT = "fault", "the probe or logger was at fault"

    logger = models.ForeignKey(Logger, models.PROTECT, related_name="exclusions")
    from_ms = models.BigIntegerField()
    to_ms = models.BigIntegerField()
    reason = models.CharField(max_length=12, choices=Reason)
    approved = models.DateTimeField(null=True, blank=True)
    approved_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    history = HistoricalRecords()

    class Meta:
        ordering = ["logger", "from_ms"]
        constraints = [
            models.CheckConstraint(
                condition=Q(to_ms__gt=F("from_ms")), name="exclusion_ends_after_it_starts"
            ),
            models.CheckConstraint(
                condition=Q(approved=None, approved_by=None)
                | (Q(approved__isnull=False, approved_by__isnull=False) & ~Q(approved_by=F("by"))),
                name="an_exclusion_is_approved_by_another",
            ),
            _says("a_withdrawn_exclusion_says_who_and_why"),
        ]


class NominalTemperature(Withdrawn):
    """From a moment on (UTC ms; `to_ms` empty: still) a unit is kept at a temperature, hundredths of °C.

    basis  why that may be supposed: a set point, a display read daily, a service report
    """

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="nominals")
    from_ms = models.BigIntegerField()
    to_ms = models.BigIntegerField(null=True, blank=True)
    nominal_centi = models.SmallIntegerField()
    tolerance_centi = models.PositiveSmallIntegerField(default=0)
    basis = models.CharField(max_length=200)
    history = HistoricalRecords()

    class Meta:
        ordering = ["unit", "from_ms"]
        constraints = [
            models.CheckConstraint(
                condition=Q(to_ms=None) | Q(to_ms__gt=F("from_ms")), name="nominal_ends_after_it_starts"
            ),
            models.CheckConstraint(condition=~Q(basis=""), name="nominal_has_a_basis"),
            _says("a_withdrawn_nominal_says_who_and_why"),
        ]
