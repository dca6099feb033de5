"""The ledger's tables and what is derived from them.

Promises: Event and Line are append-only (`custody.triggers`); Head counts them; TubeState, UnitState
and Finding are derived and can be remade by `manage.py custody_rebuild`. Only `custody.record` writes.
Checkpoint and Tile are append-only too and written by `custody.checkpoints`: a checkpoint is kept for ever,
a tile follows from the events and is compared with them by `custody_verify`. Device and Held are neither:
they are no part of the log, change when somebody revokes or settles, and no row of them is ever deleted.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from custody.core.kinds import KINDS
from custody.core.state import STATUSES


class Event(models.Model):
    """One act, as the text that was hashed. The other columns repeat it, for finding things.

    seq  its number in the log, 0, 1, 2… without gaps; salt  16 bytes that hide the lines from those who
    are not given them; signature  of the device, over the text, when it signs; leaf  hash of its entry in
    the log; of  the event that it voids or corrects
    """

    event_id = models.UUIDField(primary_key=True)
    seq = models.PositiveBigIntegerField(unique=True)
    kind = models.CharField(max_length=24)
    at_ms = models.BigIntegerField()
    by = models.CharField(max_length=12)
    org = models.CharField(max_length=12)
    ref = models.UUIDField(null=True)
    of = models.UUIDField(null=True)
    device = models.CharField(max_length=40)
    device_n = models.PositiveBigIntegerField(null=True)
    recorded_ms = models.BigIntegerField()
    login = models.CharField(max_length=150)
    via = models.CharField(max_length=120)
    body = models.TextField()
    salt = models.BinaryField(max_length=16)
    signature = models.BinaryField(null=True)
    leaf = models.BinaryField(max_length=32)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(kind__in=sorted(KINDS)), name="event_kind_is_known"),
            models.UniqueConstraint(
                fields=["device", "device_n"], condition=Q(device_n__isnull=False), name="device_number_once"
            ),
        ]
        # of those that have one: most have none, and a planner that knows that reads the whole table instead
        indexes = [
            models.Index(fields=["ref"], condition=Q(ref__isnull=False), name="events_that_answer"),
            models.Index(fields=["of"], condition=Q(of__isnull=False), name="events_that_amend"),
            models.Index(fields=["at_ms"], name="events_by_time"),
            models.Index(
                fields=["seq"], condition=Q(kind__in=["handed_off", "shipped"]), name="events_that_send"
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
        indexes = [models.Index(fields=["what", "subject"], name="lines_of_a_subject")]


class Head(models.Model):
    """How long the log is, and when it last grew. One row, locked first by every writer."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    size = models.PositiveBigIntegerField(default=0)
    recorded_ms = models.BigIntegerField(default=0)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="one_head")]


class Tile(models.Model):
    """The root over 256^level events, number `idx` of that level: proofs read these, not the whole log."""

    level = models.PositiveSmallIntegerField()
    idx = models.PositiveBigIntegerField()
    hash = models.BinaryField(max_length=32)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["level", "idx"], name="tile_once")]


class Checkpoint(models.Model):
    """A signed statement of the root over the first `size` events, as it was handed out.

    reason  what it was made for: a kind of event, manifest, hourly, on demand; made_ms  when, by our clock
    """

    size = models.PositiveBigIntegerField(unique=True)
    root = models.BinaryField(max_length=32)
    note = models.TextField()
    reason = models.CharField(max_length=40)
    made_ms = models.BigIntegerField()


class Device(models.Model):
    """A phone, tablet or scanner that says what happened while there was no network.

    org, person  for whom it may speak: always one agency, and one person unless `person` is empty
    public_key   its key in DER (SubjectPublicKeyInfo) as base64, when it signs; never changed: a device with
    another key is another device. All it said before it was revoked stays good.
    """

    code = models.CharField(max_length=40, primary_key=True)
    label = models.CharField(max_length=80)
    org = models.CharField(max_length=12)
    person = models.CharField(max_length=12, default="", blank=True)
    public_key = models.CharField(max_length=400, default="", blank=True)
    registered_ms = models.BigIntegerField()
    registered_by = models.CharField(max_length=150)
    revoked_ms = models.BigIntegerField(null=True)
    revoked_by = models.CharField(max_length=150, default="", blank=True)
    revoked_why = models.CharField(max_length=200, default="", blank=True)


class Held(models.Model):
    """What a device sent and the ledger could not take: the work list keeps it until somebody settles it.

    raw      the item as it was sent, as JSON in ASCII (cut when it was far too long: then `size` says more)
    event_id, number  what it calls itself, where that can be read; waits_for  an event that must come first
    settled_as  let_in, set_aside, or arrived (what it waited for came)
    """

    raw = models.TextField()
    sha256 = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    code = models.CharField(max_length=40)
    why = models.CharField(max_length=500)
    device = models.CharField(max_length=40)
    login = models.CharField(max_length=150)
    recorded_ms = models.BigIntegerField()
    event_id = models.UUIDField(null=True)
    number = models.PositiveBigIntegerField(null=True)
    waits_for = models.UUIDField(null=True, db_index=True)
    settled_as = models.CharField(max_length=10, default="", blank=True)
    settled_by = models.CharField(max_length=150, default="", blank=True)
    settled_ms = models.BigIntegerField(null=True)
    note = models.CharField(max_length=500, default="", blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["device", "sha256"], name="held_once")]
        indexes = [
            models.Index(fields=["device", "recorded_ms"], name="held_of_a_device"),
            models.Index(fields=["login", "recorded_ms"], name="held_of_a_login"),
        ]


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
    parent = models.CharField(max_length=20, null=True)
    workup = models.CharField(max_length=24, null=True)
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
        indexes = [
            models.Index(fields=["custodian", "status"], name="tubes_of_a_custodian"),
            # of those that have one, as with events
            models.Index(fields=["unit"], condition=Q(unit__isnull=False), name="tubes_of_a_unit"),
            models.Index(fields=["parent"], condition=Q(parent__isnull=False), name="tubes_of_a_parent"),
            models.Index(fields=["workup"], condition=Q(workup__isnull=False), name="tubes_of_a_workup"),
            models.Index(
                fields=["pending_to"], condition=Q(pending_to__isnull=False), name="tubes_on_the_way"
            ),
            models.Index(
                fields=["custodian", "tube"], condition=Q(pending_to__isnull=False), name="tubes_given_away"
            ),
            models.Index(fields=["tube"], condition=Q(disputes__gt=0), name="tubes_in_dispute"),
        ]


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


class Fill(models.Model):
    """How many tubes stand in a unit itself, when any do: counting a million anew takes too long for a page.
    Derived."""

    unit = models.CharField(max_length=20, primary_key=True)
    tubes = models.PositiveIntegerField()


class Finding(models.Model):
    """A broken invariant in a history: the work list. Derived; closed only by an event."""

    code = models.CharField(max_length=40)
    subject = models.CharField(max_length=20, db_index=True)
    event = models.CharField(max_length=36)
    sentence = models.TextField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["code", "subject", "event"], name="finding_once")]
