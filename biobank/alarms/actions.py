"""What people do about alarms: acknowledge, close, set limits, say who is on call, test.

Promises: every function raises Refused (code, sentence) and changes nothing, or does one thing; nothing is
deleted; who did it and why stands in the history of the row.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F, Q
from django.utils import timezone

from biobank.acting import Actor, ms, saving
from biobank.alarms import mails
from biobank.alarms.rounds import SETTLED
from biobank.models import Alarm, AlarmSetting, AlarmTest, OnCall, Person, Unit
from biobank.store.actions import stated
from biobank.temperature import queries as temperature
from custody.core.refusal import Refused

Kind = Alarm.Kind


@transaction.atomic
def acknowledge(actor: Actor, alarm: Alarm, why: str) -> Alarm:
    """Somebody has seen it and says what is done. Refused: reason_required, alarm_acknowledged."""
    reason, row, now = stated(why), _held(alarm), timezone.now()
    if row.seen_by is not None:
        raise Refused("alarm_acknowledged", f"{row.seen_by.name} has acknowledged this alarm already.")
    row.seen, row.seen_by, row.seen_why = now, actor.person, reason
    if row.closed is None and row.back_ms is not None:
        row.closed, row.closed_why = now, SETTLED
    return _saved(actor, row, reason)


@transaction.atomic
def close(actor: Actor, alarm: Alarm, why: str) -> Alarm:
    """By hand. Refused: reason_required, alarm_closed, alarm_goes_on (it is not in range, and watched)."""
    reason, row = stated(why), _held(alarm)
    if row.closed is not None:
        raise Refused("alarm_closed", "This alarm is closed already.")
    if row.back_ms is None and watched(row):
        raise Refused(
            "alarm_goes_on",
            "It goes on. Acknowledge it; it closes by itself when it is over. Or stop watching the unit.",
        )
    row.closed, row.closed_by, row.closed_why = timezone.now(), actor.person, reason
    return _saved(actor, row, reason)


def watched(alarm: Alarm) -> bool:
    """Whether anything would still find that it is over: watched, with this limit, and with a logger."""
    setting = AlarmSetting.objects.filter(unit=alarm.unit_id, active=True).first()
    if setting is None:
        return False
    limits = {Kind.ABOVE: alarm.unit.alarm_above_centi, Kind.BELOW: alarm.unit.alarm_below_centi}
    if alarm.kind in limits and limits[alarm.kind] is None:  # type: ignore[index]
        return False
    now = ms(timezone.now())
    pieces = temperature.tree([alarm.unit.code]).over(alarm.unit.code, now, now + 1)
    return any(piece.logger is not None for piece in pieces)


def _held(alarm: Alarm) -> Alarm:
    """The row as it is now, held until the transaction ends."""
    Alarm.objects.filter(pk=alarm.pk).update(raised=F("raised"))
    return Alarm.objects.select_related("unit", "seen_by", "closed_by").get(pk=alarm.pk)


def _saved(actor: Actor, row: Any, reason: str) -> Any:
    with saving(actor.person.user, reason, row):
        row.save()
    return row


# --- limits and delays ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Limits:
    """above, below in hundredths of °C, None: no such limit; lengths in minutes."""

    above: int | None
    below: int | None
    delay_min: int
    silence_min: int
    active: bool = True


@transaction.atomic
def set_limits(actor: Actor, unit: Unit, limits: Limits, why: str) -> AlarmSetting:
    """Refused: reason_required, limits_crossed, alarm_delay_too_long, alarm_silence_out_of_range."""
    reason = stated(why)
    _sensible(limits)
    row = Unit.objects.select_for_update().get(pk=unit.pk)
    if (row.alarm_above_centi, row.alarm_below_centi) != (limits.above, limits.below):
        row.alarm_above_centi, row.alarm_below_centi = limits.above, limits.below
        _saved(actor, row, reason)
    setting = AlarmSetting.objects.filter(unit=row).first() or AlarmSetting(unit=row)
    setting.delay_s, setting.silence_s = limits.delay_min * 60, limits.silence_min * 60
    setting.active = limits.active
    done: AlarmSetting = _saved(actor, setting, reason)
    return done


def _sensible(limits: Limits) -> None:
    if limits.above is not None and limits.below is not None and limits.below >= limits.above:
        raise Refused("limits_crossed", "The limit below must be colder than the limit above.")
    if not 0 <= limits.delay_min <= 10_080:
        raise Refused("alarm_delay_too_long", "A delay is from 0 minutes to 7 days.")
    if not 1 <= limits.silence_min <= 43_200:
        raise Refused("alarm_silence_out_of_range", "No data is borne from 1 minute to 30 days.")


# --- on call --------------------------------------------------------------------------------------


def put_on_call(
    actor: Actor, person: Person, email: str, rank: int, after_min: int, start: datetime,
    stop: datetime | None, why: str,
) -> OnCall:  # fmt: skip
    """Refused: reason_required, on_call_ends_first, on_call_taken (somebody has this rank then)."""
    reason = stated(why)
    if stop is not None and stop <= start:
        raise Refused("on_call_ends_first", "It ends before it begins.")
    begin, end = ms(start), None if stop is None else ms(stop)
    touching = Q(to_ms=None) | Q(to_ms__gt=begin)
    touching &= Q() if end is None else Q(from_ms__lt=end)
    there = OnCall.objects.filter(touching, rank=rank).select_related("person").first()
    if there is not None:
        raise Refused(
            "on_call_taken",
            f"{there.person.name} is number {rank} in that time. End that first, or take another.",
        )
    row = OnCall(person=person, email=email, rank=rank, after_s=after_min * 60, from_ms=begin, to_ms=end)
    done: OnCall = _saved(actor, row, reason)
    return done


def end_on_call(actor: Actor, row: OnCall, stop: datetime, why: str) -> OnCall:
    """Refused: reason_required, on_call_ends_first, on_call_ended."""
    reason, at = stated(why), ms(stop)
    if row.to_ms is not None and row.to_ms <= ms(timezone.now()):
        raise Refused("on_call_ended", "This has ended already.")
    if at <= row.from_ms:
        raise Refused("on_call_ends_first", "It ends before it begins.")
    row.to_ms = at
    done: OnCall = _saved(actor, row, reason)
    return done


# --- tests ----------------------------------------------------------------------------------------


def send_test(actor: Actor, key: str, unit: Unit) -> AlarmTest:
    """A test message to whoever is on call first, at once; the same key again sends nothing more.

    Refused: nobody_on_call. A message that cannot be sent is no refusal: the test stands with its failure.
    """
    if there := AlarmTest.objects.filter(key=key).first():
        return there
    now = timezone.now()
    people = mails.on_call(now)
    if not people:
        raise Refused("nobody_on_call", "Nobody is on call now, so nobody would be told. Say first who is.")
    test = AlarmTest(key=key, unit=unit, to=people[0].person, by=actor.person, at=now)
    try:
        with transaction.atomic():
            _saved(actor, test, "test of the alarm")
    except IntegrityError:  # the same form twice at once: the other one sends it
        return AlarmTest.objects.get(key=key)
    mails.send_test(test, people[0])
    return test


@transaction.atomic
def answer_test(actor: Actor, test: AlarmTest, result: str, note: str = "") -> AlarmTest:
    """Whether it came. Refused: test_answered, reason_required (it came late or not, and nothing is said)."""
    AlarmTest.objects.filter(pk=test.pk).update(at=F("at"))
    row = AlarmTest.objects.select_related("answered_by").get(pk=test.pk)
    if row.answered_by is not None:
        raise Refused("test_answered", f"{row.answered_by.name} has answered this test already.")
    row.note = note.strip() if result == "came" else stated(note)
    row.result, row.answered, row.answered_by = result, timezone.now(), actor.person
    done: AlarmTest = _saved(actor, row, "answered")
    return done
