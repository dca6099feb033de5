"""One round of watching: look at the newest readings of each watched unit, open and settle alarms.

Promises: run as often as you like, or twice at once: the same readings give the same alarms, one row each.
The clock is read once a round. A unit that cannot be judged is named and stops no other. An alarm is never
deleted; one that is over closes by itself once somebody has acknowledged it. Whether tubes stand in the unit
does not matter. Nothing is sent here (`mails`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from django.db import IntegrityError, transaction
from django.db.models import F, Max, Min, Q
from django.utils import timezone

from biobank.acting import ms, saving
from biobank.alarms.episodes import Episode, Said, episodes
from biobank.models import Alarm, AlarmSetting, AlarmWatch, LiveReading, LoggerImport, ReadingBlock
from biobank.temperature import blocks, queries
from biobank.temperature.places import Piece, Tree

LOOK_BACK_MS = 24 * 3_600_000
OLD_MS = 6 * 3_600_000  # over for longer when it is found: no mail
MARGIN_MS = 3_600_000  # a file may have been on its way when the last round ran
SETTLED = "in range again, and acknowledged"
NONE = np.zeros(0, np.int64)
Late = Mapping[int, tuple[int, int]]
ABOVE, BELOW, SILENT = "above", "below", "silent"  # as in Alarm.Kind


@dataclass(frozen=True)
class Round:
    """What one round did: how many units it looked at, alarms that it opened, what it could not judge."""

    at: datetime
    watched: int
    opened: list[Alarm]
    troubles: list[str]


@dataclass(frozen=True)
class Seen:
    """What is known of one unit in a round.

    said      readings of whatever governed it, since it must be looked at; logger: which governs it now
    newest_ms its newest reading before that, if it has any; else since_ms, when its watching began, counts
    shut_ms   when somebody last closed an alarm of silence by hand
    known     its alarms that touch that time or are open
    """

    setting: AlarmSetting
    said: Said
    logger: int | None
    newest_ms: int | None
    since_ms: int
    shut_ms: int
    known: list[Alarm]

    @property
    def delay_ms(self) -> int:
        return self.setting.delay_s * 1000

    @property
    def silence_ms(self) -> int:
        return self.setting.silence_s * 1000

    def open_of(self, kind: str) -> Alarm | None:
        return next((one for one in self.known if one.kind == kind and one.closed is None), None)


def watch(now: datetime | None = None) -> Round:
    """One round. Two at once are one after the other."""
    at = now or timezone.now()
    AlarmWatch.objects.get_or_create(pk=1, defaults={"ran": at - timedelta(milliseconds=LOOK_BACK_MS)})
    with transaction.atomic():
        # a write, and not a locked read: it holds off another round on both databases
        AlarmWatch.objects.filter(pk=1).update(opened=F("opened"))
        row = AlarmWatch.objects.get(pk=1)
        opened, troubles, watched = _all(at, row.ran)
        row.ran, row.opened, row.error = max(at, row.ran), len(opened), "; ".join(troubles)[:300]
        row.save()
    return Round(at, watched, opened, troubles)


def _all(at: datetime, ran: datetime) -> tuple[list[Alarm], list[str], int]:
    opened: list[Alarm] = []
    troubles: list[str] = []
    seen = look(ms(at), ms(ran))
    for one in seen:
        try:
            found = _judged(one, ms(at))
        except (ValueError, ArithmeticError, LookupError) as why:  # plain arithmetic: nothing was written yet
            troubles.append(f"{one.setting.unit.code}: {why}")
            continue
        if found.beyond or found.silent_since is not None or one.known:
            opened += _kept_apart(one, found, at, troubles)
    _close_settled(at)
    return opened, troubles, len(seen)


def _kept_apart(seen: Seen, found: Found, at: datetime, troubles: list[str]) -> list[Alarm]:
    """One unit's alarms, or none of them when the database refuses one."""
    try:
        with transaction.atomic():
            return _write(seen, found, at)
    except IntegrityError as why:
        troubles.append(f"{seen.setting.unit.code}: {why}")
        return []


# --- what there is to see -------------------------------------------------------------------------


def look(now_ms: int, ran_ms: int) -> list[Seen]:
    """Each watched unit with its readings. The number of queries does not grow with the number of units,
    only with how deep they stand."""
    settings = list(AlarmSetting.objects.filter(active=True).select_related("unit"))
    if not settings:
        return []
    tree, late = queries.tree(one.unit.code for one in settings), _late(ran_ms - MARGIN_MS)
    running = _by_unit(Alarm.objects.filter(closed=None, back_ms=None))
    starts = {
        one.pk: _start(one, running.get(one.unit_id, []), tree, late, now_ms, ran_ms) for one in settings
    }
    pieces = {one.pk: _governed(tree, one.unit.code, starts[one.pk], now_ms) for one in settings}
    loaded = dict(blocks.each(_spans(pieces.values())))
    known = _by_unit(Alarm.objects.filter(Q(closed=None) | Q(last_ms__gte=min(starts.values()))))
    newest, since, shut = _newest(), _since(), _shut()
    return [
        Seen(
            one, _said(pieces[one.pk], loaded, now_ms), _governs(pieces[one.pk], now_ms),
            _latest(pieces[one.pk], newest, now_ms), since.get(one.pk, now_ms), shut.get(one.unit_id, 0),
            known.get(one.unit_id, []),
        )
        for one in settings
    ]  # fmt: skip


def _by_unit(rows: Iterable[Alarm]) -> dict[int, list[Alarm]]:
    found: dict[int, list[Alarm]] = {}
    for one in rows:
        found.setdefault(one.unit_id, []).append(one)
    return found


def _late(after_ms: int) -> dict[int, tuple[int, int]]:
    """For each logger from which something came since: from its first to its last reading. 2 queries."""
    after = datetime.fromtimestamp(after_ms / 1000, UTC)
    files = LoggerImport.objects.filter(made__gt=after, stored__gt=0).order_by().values_list("logger")
    sent = LiveReading.objects.filter(got__gt=after).order_by().values_list("logger")
    found: dict[int, tuple[int, int]] = {}
    for logger, first, last in [
        *files.annotate(Min("first_ms"), Max("last_ms")),
        *sent.annotate(Min("at_ms"), Max("at_ms")),
    ]:
        a, b = found.get(logger, (first, last))
        found[logger] = (min(a, first), max(b, last))
    return found


def _start(
    one: AlarmSetting, running: Sequence[Alarm], tree: Tree, late: Late, now_ms: int, ran_ms: int
) -> int:
    """Since when the unit must be looked at: a day before the last round, the beginning of what goes on, and
    whatever came late."""
    back = 2 * one.delay_s * 1000
    starts = [min(now_ms, ran_ms) - max(LOOK_BACK_MS, back), *(alarm.begun_ms for alarm in running)]
    for logger, (first, last) in late.items():
        there = [piece for piece in tree.over(one.unit.code, first, last + 1) if piece.logger == logger]
        starts += [piece.start - back for piece in there[:1]]
    return min(starts)


def _governed(tree: Tree, code: str, start: int, now_ms: int) -> list[Piece]:
    return [piece for piece in tree.over(code, start, now_ms + 1) if piece.logger is not None]


def _spans(units: Iterable[Sequence[Piece]]) -> dict[int, tuple[int, int]]:
    """For each logger, from where to where it is asked for."""
    found: dict[int, tuple[int, int]] = {}
    for piece in (piece for pieces in units for piece in pieces):
        if piece.logger is not None:
            a, b = found.get(piece.logger, (piece.start, piece.end))
            found[piece.logger] = (min(a, piece.start), max(b, piece.end))
    return found


def _said(pieces: Sequence[Piece], loaded: Mapping[int, blocks.Loaded], now_ms: int) -> Said:
    """The readings of each piece by its logger, one after the other, none from the future."""
    times, centi, loggers = [NONE], [NONE], [NONE]
    for piece in pieces:
        held = loaded.get(piece.logger or 0)
        if held is None:
            continue
        inside = (held.times >= piece.start) & (held.times < min(piece.end, now_ms + 1))
        times.append(held.times[inside])
        centi.append(held.centi[inside])
        loggers.append(np.full(len(times[-1]), piece.logger, np.int64))
    return Said(np.concatenate(times), np.concatenate(centi), np.concatenate(loggers))


def _governs(pieces: Sequence[Piece], now_ms: int) -> int | None:
    return next((piece.logger for piece in pieces if piece.start <= now_ms < piece.end), None)


def _newest() -> dict[int, int]:
    """The newest reading of each logger, ever. 2 queries."""
    blocked = ReadingBlock.objects.filter(current=True).order_by().values_list("logger")
    sent = LiveReading.objects.order_by().values_list("logger")
    found = dict(blocked.annotate(Max("last_ms")))
    for logger, last in sent.annotate(Max("at_ms")):
        found[logger] = max(last, found.get(logger, last))
    return found


def _latest(pieces: Sequence[Piece], newest: Mapping[int, int], now_ms: int) -> int | None:
    """The newest reading by whatever governs when none that counts was seen: only those from before the
    look-back count here. (Later ones are sensor errors, left out, or from the future.)"""
    found = [min(newest[piece.logger], piece.start, now_ms) for piece in pieces if piece.logger in newest]
    return max(found, default=None)


def _since() -> dict[int, int]:
    """When each setting was first made. 1 query."""
    rows = AlarmSetting.history.order_by().values_list("id").annotate(Min("history_date"))
    return {pk: ms(at) for pk, at in rows}


def _shut() -> dict[int, int]:
    """1 query."""
    rows = Alarm.objects.filter(kind=SILENT, closed_by__isnull=False).order_by().values_list("unit")
    return {unit: ms(at) for unit, at in rows.annotate(Max("closed"))}


# --- what to say of it ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """What the readings of a unit say now: stretches beyond, and since when it is silent."""

    beyond: list[tuple[str, int, Episode]]
    silent_since: int | None


def _judged(seen: Seen, now_ms: int) -> Found:
    unit = seen.setting.unit
    beyond: list[tuple[str, int, Episode]] = []
    for kind, limit in ((ABOVE, unit.alarm_above_centi), (BELOW, unit.alarm_below_centi)):
        if limit is not None:
            rows = episodes(seen.said, limit, seen.delay_ms, seen.silence_ms, now_ms, below=kind == BELOW)
            beyond += [(kind, limit, one) for one in rows]
    return Found(beyond, _silent(seen, now_ms))


def _silent(seen: Seen, now_ms: int) -> int | None:
    base = int(seen.said.times[-1]) if len(seen.said) else seen.newest_ms
    base = seen.since_ms if base is None else base
    base = max(base, seen.shut_ms)  # somebody closed it: silence is counted from then on
    return base if now_ms - base >= seen.silence_ms else None


def _write(seen: Seen, found: Found, at: datetime) -> list[Alarm]:
    """Keeps the alarms of one unit as the readings say; those that are new."""
    opened: list[Alarm] = []
    touched: set[int] = set()
    for kind, limit, one in found.beyond:
        alarm = _same(seen.known, kind, one)
        if alarm is None:
            alarm = _open(seen, kind, limit, one, at)
            opened.append(alarm)
        else:
            _follow(seen, alarm, one)
        touched.add(alarm.pk)
    for kind in (ABOVE, BELOW):
        left = seen.open_of(kind)
        if left is not None and left.pk not in touched and left.back_ms is None:
            _fade(seen, left, ms(at))
    return opened + _silence(seen, found.silent_since, at)


def _same(known: Iterable[Alarm], kind: str, one: Episode) -> Alarm | None:
    """The alarm that is about this stretch already, perhaps about a part of it: an open one first."""
    for alarm in sorted(known, key=lambda alarm: (alarm.closed is not None, alarm.begun_ms)):
        last = alarm.last_ms if alarm.last_ms is not None else alarm.begun_ms
        if alarm.kind == kind and alarm.begun_ms <= one.last_ms and one.begun_ms <= last:
            return alarm
    return None


def _open(seen: Seen, kind: str, limit: int, one: Episode, at: datetime) -> Alarm:
    """A new alarm; what went before it and waits for acknowledgement only is closed."""
    afterwards = one.back_ms is not None or one.until_ms < ms(at) - OLD_MS
    before = seen.open_of(kind)
    closed = None
    if before is not None and before.begun_ms < one.begun_ms:
        _close(before, at, "another one began before anybody acknowledged it")
    elif before is not None:
        closed = at  # found in older readings while a newer one is open
    alarm = Alarm(
        unit=seen.setting.unit, logger_id=one.logger, kind=kind, limit_centi=limit, begun_ms=one.begun_ms,
        raised=at, worst_centi=one.worst, last_ms=one.last_ms, back_ms=one.back_ms, afterwards=afterwards,
        closed=closed, closed_why="over when it was found" if closed else "",
    )  # fmt: skip
    return _kept(seen, alarm, "readings beyond the limit for the whole delay")


def _kept(seen: Seen, alarm: Alarm, why: str) -> Alarm:
    with saving(None, why, alarm):
        alarm.save()
    seen.known.append(alarm)
    return alarm


def _follow(seen: Seen, alarm: Alarm, one: Episode) -> None:
    """The same alarm, as the readings say it now. Late readings may join two alarms: each keeps its begin."""
    worse = min if alarm.kind == BELOW else max
    taken = {other.begun_ms for other in seen.known if other.kind == alarm.kind and other.pk != alarm.pk}
    begun = alarm.begun_ms if one.begun_ms in taken else min(alarm.begun_ms, one.begun_ms)
    now = {
        "begun_ms": begun,
        "last_ms": max(alarm.last_ms or one.last_ms, one.last_ms),
        "worst_centi": one.worst if alarm.worst_centi is None else worse(alarm.worst_centi, one.worst),
        "back_ms": one.back_ms if alarm.closed is None else alarm.back_ms,
        "logger_id": one.logger,
    }
    _change(alarm, now, "newer readings")


def _fade(seen: Seen, alarm: Alarm, now_ms: int) -> None:
    """No stretch is beyond the limit any more: the limit was changed, or readings no longer count. In range
    again when that has lasted for the delay."""
    last = alarm.last_ms if alarm.last_ms is not None else alarm.begun_ms
    after = seen.said.times[seen.said.times > last]
    limit = (
        seen.setting.unit.alarm_below_centi if alarm.kind == BELOW else seen.setting.unit.alarm_above_centi
    )
    if limit is None or not len(after):
        return
    values = seen.said.centi[seen.said.times > last]
    beyond = values < limit if alarm.kind == BELOW else values > limit
    if not beyond.any() and min(now_ms, int(after[-1]) + seen.silence_ms) - int(after[0]) >= seen.delay_ms:
        _change(alarm, {"back_ms": int(after[0])}, "no reading is beyond the limit any more")


def _silence(seen: Seen, since: int | None, at: datetime) -> list[Alarm]:
    there = seen.open_of(SILENT)
    newest = int(seen.said.times[-1]) if len(seen.said) else seen.newest_ms
    if since is None:
        if there is not None and there.back_ms is None:
            after = seen.said.times[seen.said.times > there.begun_ms]
            _change(there, {"back_ms": int(after[0]) if len(after) else ms(at)}, "readings came again")
        return []
    if there is not None and there.back_ms is None:
        _change(there, {"last_ms": newest}, "still silent")
        return []
    if there is not None:
        _close(there, at, "another one began before anybody acknowledged it")
    alarm = Alarm(
        unit=seen.setting.unit, logger_id=seen.logger, kind=SILENT, begun_ms=since, raised=at, last_ms=newest
    )
    return [_kept(seen, alarm, "no reading for too long")]


def _change(alarm: Alarm, now: Mapping[str, int | None], why: str) -> None:
    if all(getattr(alarm, name) == value for name, value in now.items()):
        return
    for name, value in now.items():
        setattr(alarm, name, value)
    with saving(None, why, alarm):
        alarm.save()


def _close(alarm: Alarm, at: datetime, why: str) -> None:
    alarm.closed, alarm.closed_why = at, why
    with saving(None, why, alarm):
        alarm.save()


def _close_settled(at: datetime) -> None:
    """What is over and was acknowledged closes by itself."""
    for alarm in Alarm.objects.filter(closed=None, back_ms__isnull=False, seen__isnull=False):
        _close(alarm, at, SETTLED)
