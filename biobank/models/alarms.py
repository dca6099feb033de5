"""Alarms of units: limits and delays, who is on call, what happened, and the monthly tests.

Promises: an alarm is never deleted; what was sent, and what could not be sent, stays with it.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .loggers import Logger
from .people import Person
from .store import Unit


class AlarmSetting(models.Model):
    """When a unit's alarm is raised. The limits themselves stand in the unit.

    delay_s    beyond the limit for so long; silence_s without a reading for so long
    """

    unit = models.OneToOneField(Unit, models.PROTECT, related_name="alarm_setting")
    delay_s = models.PositiveIntegerField("delay, s", default=1800)
    silence_s = models.PositiveIntegerField("no data for, s", default=3600)
    active = models.BooleanField(default=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["unit"]
        constraints = [
            models.CheckConstraint(
                condition=Q(delay_s__lte=604_800, silence_s__gte=60, silence_s__lte=2_592_000),
                name="alarm_delays_are_sensible",
            )
        ]


class OnCall(models.Model):
    """Who is told, from when to when (UTC ms, half-open; `to_ms` empty: still). rank 1 is told first.

    after_s  how long the one before has to acknowledge until this one is told
    """

    person = models.ForeignKey(Person, models.PROTECT, related_name="on_call")
    email = models.EmailField()
    rank = models.PositiveSmallIntegerField(default=1)
    after_s = models.PositiveIntegerField(default=1800)
    from_ms = models.BigIntegerField()
    to_ms = models.BigIntegerField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["rank", "from_ms", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(to_ms=None) | Q(to_ms__gt=F("from_ms")), name="on_call_ends_after_it_starts"
            ),
            models.CheckConstraint(condition=Q(rank__gte=1), name="on_call_rank_from_one"),
        ]


class Alarm(models.Model):
    """One alarm of one unit.

    begun_ms   the first moment beyond the limit, or of the last reading before the silence (UTC ms)
    worst_centi, last_ms   the furthest beyond, and the newest reading behind it
    back_ms    since when it is in range again, or readings came again
    afterwards it was found in readings that came later; nobody could have been told in time
    """

    class Kind(models.TextChoices):
        ABOVE = "above", "too warm"
        BELOW = "below", "too cold"
        SILENT = "silent", "no data"

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="alarms")
    logger = models.ForeignKey(Logger, models.PROTECT, null=True, blank=True, related_name="+")
    kind = models.CharField(max_length=6, choices=Kind)
    limit_centi = models.SmallIntegerField(null=True, blank=True)
    begun_ms = models.BigIntegerField()
    raised = models.DateTimeField()
    worst_centi = models.SmallIntegerField(null=True, blank=True)
    last_ms = models.BigIntegerField(null=True, blank=True)
    back_ms = models.BigIntegerField(null=True, blank=True)
    afterwards = models.BooleanField(default=False)
    seen = models.DateTimeField("acknowledged", null=True, blank=True)
    seen_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    seen_why = models.CharField("reason and what is done", max_length=400, blank=True)
    closed = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        Person, models.PROTECT, null=True, blank=True, related_name="+", help_text="empty: by itself"
    )
    closed_why = models.CharField(max_length=400, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = [F("closed").desc(nulls_first=True), "-begun_ms", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["unit", "kind", "begun_ms"], name="alarm_once"),
            models.UniqueConstraint(
                fields=["unit", "kind"], condition=Q(closed=None), name="one_open_alarm_a_kind"
            ),
            models.CheckConstraint(
                condition=Q(seen=None, seen_by=None)
                | (Q(seen__isnull=False, seen_by__isnull=False) & ~Q(seen_why="")),
                name="an_acknowledged_alarm_says_who_and_why",
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["above", "below", "silent"]), name="alarm_kind_known"
            ),
        ]


class AlarmMail(models.Model):
    """One message about an alarm or a test, sent or not. error: why it could not be sent."""

    alarm = models.ForeignKey(Alarm, models.PROTECT, null=True, blank=True, related_name="mails")
    test = models.ForeignKey("biobank.AlarmTest", models.PROTECT, null=True, blank=True, related_name="mails")
    person = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    email = models.EmailField()
    about = models.CharField(max_length=10)
    at = models.DateTimeField()
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-at", "-pk"]


class AlarmTest(models.Model):
    """A test alarm: sent on purpose, and whether it came."""

    key = models.UUIDField(unique=True)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="alarm_tests")
    to = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    result = models.CharField(
        max_length=8,
        blank=True,
        choices=[("came", "it came"), ("late", "it came late"), ("not", "it did not come")],
    )
    note = models.CharField(max_length=400, blank=True)
    answered = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    history = HistoricalRecords()

    class Meta:
        ordering = ["-at", "-pk"]


class AlarmWatch(models.Model):
    """The one row that says when the watching command last ran."""

    ran = models.DateTimeField()
    opened = models.PositiveIntegerField(default=0)
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="one_alarm_watch")]
