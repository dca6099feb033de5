"""How long a failed freezer stays cold, supposed from figures of the trade or drawn on from readings.

Promises: a supposition is never called a measurement; where no figure is known there is none. Times are
UTC ms or ms of length, temperatures hundredths of °C.

Figures. An unopened freezer at −80 °C reaches −40 °C after 1 to 2 h by one laboratory's experience (a post on
a mailing list, weak), after 4 to 6 h by what suppliers say (a supplier's page, weak). Nothing better was
found. So the earliest and the latest of them are taken, 1 h and 6 h, and between them anything may be true:
age of the seals, how full it is, how warm the room.
Between these points the curve of a body in a warmer room (Newton's law of cooling): the gap to the room
shrinks by the same share in each hour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

HOUR = 3_600_000
ROOM = 2000
START, KNOWN = -8000, -4000
EARLIEST_MS, LATEST_MS = 1 * HOUR, 6 * HOUR  # from START to KNOWN, unopened
DEEP = (-8600, -7000)  # set points to which the figures are applied
LEAST = 3  # readings that rise


@dataclass(frozen=True)
class Span:
    """A length of time, at least and at most, ms."""

    earliest_ms: int
    latest_ms: int


def nominal(set_centi: int | None, limit_centi: int, room_centi: int = ROOM) -> Span | None:
    """From failing to reaching the limit, unopened: supposed. None where no figure is known: a set point
    that is not near −80 °C, or a limit that is not between set point and room."""
    if set_centi is None or not DEEP[0] <= set_centi <= DEEP[1] or not set_centi < limit_centi < room_centi:
        return None
    share = math.log((room_centi - set_centi) / (room_centi - limit_centi))
    whole = math.log((ROOM - START) / (ROOM - KNOWN))
    return Span(round(EARLIEST_MS * share / whole), round(LATEST_MS * share / whole))


@dataclass(frozen=True)
class Trend:
    """Readings that rise, drawn on to a limit: when it is reached, by a straight line and by a curve.

    readings   how many; from the first to the newest
    line_ms    by a straight line; curve_ms by the gap to the room shrinking evenly; None: never, or unknown
    now_centi  the newest reading; reached: it is at the limit or above it already
    """

    readings: int
    first_ms: int
    newest_ms: int
    now_centi: int
    reached: bool
    line_ms: int | None = None
    curve_ms: int | None = None

    @property
    def earliest_ms(self) -> int | None:
        return min((one for one in (self.line_ms, self.curve_ms) if one is not None), default=None)

    @property
    def latest_ms(self) -> int | None:
        return max((one for one in (self.line_ms, self.curve_ms) if one is not None), default=None)


def rising(readings: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """The newest readings (time, temperature), as far back as each is warmer than the one before."""
    found = list(readings[-1:])
    for one in reversed(readings[:-1]):
        if one[1] >= found[0][1]:
            break
        found.insert(0, one)
    return found


def trend(readings: Sequence[tuple[int, int]], limit_centi: int, room_centi: int = ROOM) -> Trend | None:
    """What the newest readings say, oldest first; None with fewer than three that rise."""
    used = rising(readings)
    if len(used) < LEAST:
        return None
    (first, _), (newest, now) = used[0], used[-1]
    if now >= limit_centi:
        return Trend(len(used), first, newest, now, True)
    line = _fit([(at - newest, centi) for at, centi in used])
    straight = None if line is None else _cross(line, limit_centi)
    curve = None
    if limit_centi < room_centi:
        gap = _fit([(at - newest, math.log(room_centi - centi)) for at, centi in used])
        curve = None if gap is None else _cross(gap, math.log(room_centi - limit_centi))
    return Trend(len(used), first, newest, now, False, _later(newest, straight), _later(newest, curve))


def _later(newest: int, after: float | None) -> int | None:
    return None if after is None else newest + max(0, round(after))


def _fit(points: Sequence[tuple[int, float]]) -> tuple[float, float] | None:
    """Least squares: slope and value at nought; None for points at one moment."""
    n = len(points)
    x = sum(at for at, _ in points) / n
    y = sum(value for _, value in points) / n
    spread = sum((at - x) ** 2 for at, _ in points)
    if spread == 0:
        return None
    slope = sum((at - x) * (value - y) for at, value in points) / spread
    return slope, y - slope * x


def _cross(line: tuple[float, float], value: float) -> float | None:
    """When a line has this value; None for a flat one."""
    slope, start = line
    return None if slope == 0 else (value - start) / slope
