"""The ledger's tables and what is derived from them.

Promises: Event and Line are append-only (`custody.triggers`); Head counts them; TubeState, UnitState
and Finding are derived and can be remade by `manage.py custody_rebuild`. Only `custody.record` writes.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from custody.core.kinds import KINDS
from custody.core.state import STATUSES


class Event(models.Model):
    """One act, as the text that was hashed. The other columns repeat it, for finding things.

    seq  its number in the log, 0, 1, 2… without gaps; salt  16 bytes that hide the lines from those who
    are not given them; leaf  hash of its entry in the log; of  the event that it voids or corrects
    """

    event_id = models.UUIDField(primary_key=True)
    seq = models.PositiveBigIntegerField(unique=True)
    kind = models.CharField(max_length=24)
    at_ms = models.BigIntegerField()
    by = models.CharField(max_length=12)
    org = models.CharField(max_length=12)
    ref = models.UUIDField(null=True, db_index=True)
    of = models.UUIDField(null=True, db_index=True)
    device = models.CharField(max_length=40)
    device_n = models.PositiveBigIntegerField(null=True)
    recorded_ms = models.BigIntegerField()
    login = models.CharField(max_length=150)
    via = models.CharField(max_length=120)
    body = models.TextField()
    salt = models.BinaryField(max_length=16)
    leaf = models.BinaryField(max_length=32)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(kind__in=sorted(KINDS)), name="event_kind_is_known"),
            models.UniqueConstraint(
                fields=["device", "device_n"], condition=Q(device_n__isnull=False), name="device_number_once"
            ),
        ]


class Line(models.Model):
    """One tube (`what` t) or unit (u) in an event, as the text that was hashed."""

    event = models.ForeignKey(Event, models.PROTECT, related_name="lines")
    n = models.PositiveIntegerField()
    what = models.CharField(max_length=1)
    subject = models.CharField(max_length=20)
    text = models.TextField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["event", "n"], name="line_once"),
            models.CheckConstraint(condition=Q(what__in=["t", "u"]), name="line_is_about_a_tube_or_a_unit"),
        ]
        indexes = [models.Index(fields=["subject", "what"], name="lines_of_a_subject")]


class Head(models.Model):
    """How long the log is, and when it last grew. One row, locked first by every writer."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    size = models.PositiveBigIntegerField(default=0)
    recorded_ms = models.BigIntegerField(default=0)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="one_head")]


class TubeState(models.Model):
    """Where a tube is now: `custody.core.state.TubeState` as a row. Derived."""

    tube = models.CharField(max_length=20, primary_key=True)
    status = models.CharField(max_length=14)
    custodian = models.CharField(max_length=12, null=True)
    by = models.CharField(max_length=12, null=True)
    pending_to = models.CharField(max_length=12, null=True)
    pending_ref = models.CharField(max_length=36, null=True)
    unit = models.CharField(max_length=20, null=True)
    row = models.PositiveSmallIntegerField(null=True)
    col = models.PositiveSmallIntegerField(null=True)
    contested = models.BooleanField(default=False)
    volume_ul = models.IntegerField(null=True)
    parent = models.CharField(max_length=20, null=True, db_index=True)
    workup = models.CharField(max_length=24, null=True, db_index=True)
    label = models.CharField(max_length=60, default="")
    matrix = models.CharField(max_length=8, default="")
    additive = models.CharField(max_length=8, default="")
    container = models.CharField(max_length=40, default="")
    thaws = models.IntegerField(default=0)
    disputes = models.IntegerField(default=0)
    copies = models.IntegerField(default=0)
    reserved = models.BooleanField(default=False)
    drawn_ms = models.BigIntegerField(null=True)
    seen_ms = models.BigIntegerField(null=True)
    last_ms = models.BigIntegerField(null=True)
    seq = models.BigIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "row", "col"],
                condition=Q(row__isnull=False, contested=False),
                name="slot_once",
            ),
            models.CheckConstraint(condition=Q(status__in=STATUSES), name="tube_status_is_known"),
            models.CheckConstraint(
                condition=Q(volume_ul=None) | Q(volume_ul__gte=0), name="volume_not_negative"
            ),
            models.CheckConstraint(condition=Q(thaws__gte=0, disputes__gte=0), name="counts_not_negative"),
            models.CheckConstraint(
                # isnull as well: a comparison with NULL is not false, and a CHECK lets it pass
                condition=Q(row=None, col=None)
                | Q(row__isnull=False, col__isnull=False, unit__isnull=False, row__gte=1, col__gte=1),
                name="one_slot",
            ),
            models.CheckConstraint(
                condition=Q(status="stored", unit__isnull=False)
                | Q(status="in_transit")
                | (~Q(status__in=["stored", "in_transit"]) & Q(unit=None)),
                name="stored_is_somewhere_and_only_a_carried_tube_may_be",
            ),
            models.CheckConstraint(
                condition=~Q(status__in=["held", "stored", "in_transit"]) | Q(custodian__isnull=False),
                name="custodian_known",
            ),
            models.CheckConstraint(
                condition=~Q(status="discarded") | Q(custodian=None, unit=None), name="discarded_is_nowhere"
            ),
        ]
        indexes = [models.Index(fields=["custodian", "status"], name="tubes_of_a_custodian")]


class UnitState(models.Model):
    """What a unit stands in now. Derived."""

    unit = models.CharField(max_length=20, primary_key=True)
    parent = models.CharField(max_length=20, null=True, db_index=True)
    by = models.CharField(max_length=12, null=True)
    last_ms = models.BigIntegerField(null=True)
    seq = models.BigIntegerField(default=0)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(parent=models.F("unit")), name="unit_not_in_itself"),
        ]


class Finding(models.Model):
    """A broken invariant in a history: the work list. Derived; closed only by an event."""

    code = models.CharField(max_length=40)
    subject = models.CharField(max_length=20, db_index=True)
    event = models.CharField(max_length=36)
    sentence = models.TextField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["code", "subject", "event"], name="finding_once")]
