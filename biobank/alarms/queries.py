"""What the pages of alarms show.

Promises: a fixed number of queries however many units, alarms and messages there are; nothing here writes;
when nobody watches, or nobody is on call, it is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import F, Max, Q

from biobank.acting import ms
from biobank.alarms import mails
from biobank.models import (
    Alarm,
    AlarmMail,
    AlarmSetting,
    AlarmTest,
    AlarmWatch,
    LoggerPlacement,
    OnCall,
    Person,
    Unit,
)
from biobank.templatetags.words import celsius

ALIVE = timedelta(minutes=15)  # a heartbeat older than this: nobody is watching
TEST_DAYS = 31  # common practice, no source
AHEAD_DAYS = 14
SHOWN = 30


@dataclass(frozen=True)
class Heart:
    """When the watching command ran last, and whether that is recent enough."""

    ran: datetime | None
    beats: bool
    error: str = ""


def heart(now: datetime) -> Heart:
    """1 query."""
    row = AlarmWatch.objects.filter(pk=1).first()
    if row is None:
        return Heart(None, False)
    return Heart(row.ran, now - row.ran <= ALIVE, row.error)


# --- an alarm in words ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    """An alarm with the words of its state. `mark` is the sign beside them."""

    alarm: Alarm

    @property
    def state(self) -> str:
        one = self.alarm
        if one.closed is not None:
            return "closed" if one.seen is not None else "not acknowledged"
        if one.back_ms is not None:
            return "in range again" if one.kind != Alarm.Kind.SILENT else "readings came again"
        return "acknowledged" if one.seen is not None else "open"

    @property
    def mark(self) -> str:
        one = self.alarm
        if one.closed is not None:
            return "done" if one.seen is not None else "caution"
        if one.back_ms is not None or one.seen is not None:
            return "caution"
        return "now"

    @property
    def figures(self) -> str:
        """`limit −65.0 °C, warmest −58.2 °C`."""
        one = self.alarm
        if one.kind == Alarm.Kind.SILENT:
            return ""
        word = "warmest" if one.kind == Alarm.Kind.ABOVE else "coldest"
        return f"limit {celsius(one.limit_centi)}, {word} {celsius(one.worst_centi)}"

    @property
    def failed(self) -> list[AlarmMail]:
        """The messages that could not be sent, of each address the newest."""
        newest = {one.email: one for one in reversed(self.alarm.mails.all())}
        return [one for one in newest.values() if one.error]


def _rows(rows: Any) -> list[Shown]:
    found = rows.select_related("unit", "logger", "seen_by", "closed_by").prefetch_related("mails__person")
    return [Shown(one) for one in found]


def waiting() -> list[Shown]:
    """Open, or never acknowledged: those that go on first. 3 queries."""
    found = _rows(Alarm.objects.filter(Q(closed=None) | Q(seen=None)))
    order = {"now": 0, "caution": 1}
    return sorted(found, key=lambda one: (order.get(one.mark, 2), -one.alarm.begun_ms))


def earlier() -> list[Shown]:
    """The newest of those that are done with. 3 queries."""
    return _rows(Alarm.objects.filter(closed__isnull=False, seen__isnull=False).order_by("-begun_ms")[:SHOWN])


def alarm(pk: int) -> Shown | None:
    """One with its messages. 3 queries."""
    return next(iter(_rows(Alarm.objects.filter(pk=pk))), None)


def open_count() -> int:
    """1 query."""
    return Alarm.objects.filter(Q(closed=None) | Q(seen=None)).count()


# --- units ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Watched:
    """A unit with limits or a setting: who looks after it, and when its alarm last passed a test."""

    unit: Unit
    setting: AlarmSetting | None
    logger: str
    passed: datetime | None
    test_due: bool

    @property
    def watched(self) -> bool:
        return self.setting is not None and self.setting.active

    @property
    def delay_ms(self) -> int:
        return self.setting.delay_s * 1000 if self.setting else 0

    @property
    def silence_ms(self) -> int:
        return self.setting.silence_s * 1000 if self.setting else 0


def units(now: datetime) -> list[Watched]:
    """Every unit with an alarm limit or a setting, watched ones first. 4 queries."""
    limits = Q(alarm_above_centi__isnull=False) | Q(alarm_below_centi__isnull=False)
    rows = Unit.objects.filter(limits | Q(alarm_setting__isnull=False)).select_related("alarm_setting")
    found = [_watched(unit, passed, logger, now) for unit, passed, logger in _with(rows)]
    return sorted(found, key=lambda one: (not one.watched, one.unit.code))


def _with(rows: Iterable[Unit]) -> list[tuple[Unit, datetime | None, str]]:
    found = list(rows)
    tests = AlarmTest.objects.filter(unit__in=found, result="came").order_by().values_list("unit")
    passed = dict(tests.annotate(Max("at")))
    placed = LoggerPlacement.objects.filter(unit__in=found, governing=True, to_ms=None)
    logger = dict(placed.order_by().values_list("unit", "logger__code"))
    return [(unit, passed.get(unit.pk), logger.get(unit.pk, "")) for unit in found]


def _watched(unit: Unit, passed: datetime | None, logger: str, now: datetime) -> Watched:
    setting = getattr(unit, "alarm_setting", None)
    due = passed is None or now - passed > timedelta(days=TEST_DAYS)
    return Watched(unit, setting, logger, passed, bool(setting and setting.active and due))


def unit(one: Unit, now: datetime) -> Watched:
    """3 queries."""
    return _watched(*_with([one])[0], now)


def alarms_of(one: Unit) -> list[Shown]:
    """3 queries."""
    return _rows(Alarm.objects.filter(unit=one)[:SHOWN])


def tests_of(one: Unit) -> list[AlarmTest]:
    """2 queries."""
    rows = AlarmTest.objects.filter(unit=one).select_related("to", "by", "answered_by")
    return list(rows.prefetch_related("mails")[:SHOWN])


def open_tests() -> list[AlarmTest]:
    """Sent, and nobody has said yet whether they came. 2 queries."""
    rows = AlarmTest.objects.filter(answered=None).select_related("unit", "to", "by")
    return list(rows.prefetch_related("mails")[:SHOWN])


@dataclass(frozen=True)
class Change:
    """One step in the history of a setting or of a unit's limits."""

    at: datetime
    who: str
    words: str
    why: str


def changes(one: Unit) -> list[Change]:
    """How limits and delays came to be, newest first. 2 queries, and 1 for the names."""
    found: list[tuple[Any, str]] = [
        (row, _delay_words(row)) for row in AlarmSetting.history.filter(unit_id=one.pk)[:SHOWN]
    ]
    found += [(row, _limit_words(row)) for row in _limit_steps(one)]
    names = dict(
        Person.objects.filter(user__in=[row.history_user_id for row, _ in found]).values_list("user", "name")
    )
    steps = [
        Change(row.history_date, names.get(row.history_user_id, ""), words, row.history_change_reason or "")
        for row, words in found
    ]
    return sorted(steps, key=lambda step: step.at, reverse=True)[:SHOWN]


def _limit_steps(one: Unit) -> list[Any]:
    """Of the unit's history only what changed a limit."""
    rows = list(Unit.history.filter(id=one.pk).order_by("history_date", "history_id"))
    pairs = [(row.alarm_above_centi, row.alarm_below_centi) for row in rows]
    before = [(None, None), *pairs]
    return [row for row, pair, old in zip(rows, pairs, before, strict=False) if pair != old]


def _limit_words(row: Any) -> str:
    above, below = row.alarm_above_centi, row.alarm_below_centi
    said = [f"above {celsius(above)}"] if above is not None else []
    said += [f"below {celsius(below)}"] if below is not None else []
    return f"limit {', '.join(said)}" if said else "no limit"


def _delay_words(row: Any) -> str:
    if not row.active:
        return "not watched"
    return f"watched: delay {row.delay_s // 60} min, no data for {row.silence_s // 60} min"


# --- on call --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Duty:
    """Who is on call now, who was and will be, and when nobody is in the next two weeks (UTC ms)."""

    now: list[OnCall]
    rows: list[OnCall]
    gaps: list[tuple[int, int]]


def duty(now: datetime) -> Duty:
    """2 queries."""
    start = ms(now)
    end = start + AHEAD_DAYS * 86_400_000
    rows = OnCall.objects.filter(Q(to_ms=None) | Q(to_ms__gt=start - AHEAD_DAYS * 86_400_000))
    rows = rows.annotate(after_ms=F("after_s") * 1000).select_related("person")
    found = list(rows.order_by("from_ms", "rank", "pk"))
    ahead = [one for one in found if (one.to_ms is None or one.to_ms > start) and one.from_ms < end]
    return Duty(mails.on_call(now), found, gaps([(one.from_ms, one.to_ms) for one in ahead], start, end))


def gaps(spans: Sequence[tuple[int, int | None]], start: int, end: int) -> list[tuple[int, int]]:
    """The parts of [start, end) that none of these half-open stretches holds."""
    found, clock = [], start
    for begin, stop in sorted(spans, key=lambda one: one[0]):
        if begin > clock:
            found.append((clock, min(begin, end)))
        clock = max(clock, end if stop is None else stop)
        if clock >= end:
            return found
    return [*found, (clock, end)]
