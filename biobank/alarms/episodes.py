"""When readings were beyond a limit for long enough to be an alarm.

A reading holds until the next one, at most as long as silence is borne. A stretch beyond begins with the
first reading beyond the limit (strictly: a reading at the limit is not beyond it) and goes on until readings
in range have held for one full delay; so a freezer that chatters around its limit is one alarm, not twenty.
It is an alarm when the time from its first reading beyond to the end of what the last one holds is the delay
or more.

Promises: pure; the same readings give the same stretches whenever they are asked for. Times are UTC ms,
temperatures hundredths of °C.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Episode:
    """One stretch beyond a limit that lasted for the delay.

    begun_ms  its first reading beyond; last_ms: its last; until_ms: to when that one holds
    worst     the furthest beyond; logger: which logger gave the last one
    back_ms   the first reading in range after it, once they were in range for the whole delay; else None
    """

    begun_ms: int
    last_ms: int
    until_ms: int
    worst: int
    logger: int
    back_ms: int | None


@dataclass(frozen=True)
class Said:
    """What governed a unit said over some time, rising: times, values, and which logger each is of."""

    times: Ints
    centi: Ints
    loggers: Ints

    def __len__(self) -> int:
        return len(self.times)


def episodes(
    said: Said, limit: int, delay_ms: int, hold_ms: int, now_ms: int, *, below: bool = False
) -> list[Episode]:
    """Every stretch beyond the limit that was long enough by now, oldest first."""
    if not len(said):
        return []
    t = said.times
    beyond = np.flatnonzero(said.centi < limit if below else said.centi > limit)
    if not len(beyond):
        return []
    held = np.minimum(np.append(t[1:], max(now_ms, int(t[-1]))), t + hold_ms)  # until when each one holds
    quiet = _quiet(t, beyond, held)
    cuts = np.flatnonzero(_parted(quiet, delay_ms, beyond)) + 1
    found = []
    for part in np.split(beyond, cuts):
        last = int(part[-1])
        begun, until = int(t[part[0]]), int(held[last])
        if until - begun < delay_ms:
            continue
        values = said.centi[part]
        worst = int(values.min() if below else values.max())
        back = _back(t, last, beyond, held, delay_ms)
        found.append(Episode(begun, int(t[last]), until, worst, int(said.loggers[last]), back))
    return found


def _quiet(t: Ints, beyond: Ints, held: Ints) -> Ints:
    """Between each reading beyond and the next one beyond: how long readings were surely in range, ms.

    Silence is not in range: only what readings hold is counted.
    """
    sums = np.append(0, np.cumsum(held - t))
    return np.asarray(sums[beyond[1:]] - sums[beyond[:-1] + 1], np.int64)


def _parted(quiet: Ints, delay_ms: int, beyond: Ints) -> NDArray[np.bool_]:
    """Whether two neighbours beyond belong to two stretches: there was a reading between them, and in range
    for the delay."""
    return (quiet >= delay_ms) & (np.diff(beyond) > 1)


def _back(t: Ints, last: int, beyond: Ints, held: Ints, delay_ms: int) -> int | None:
    """The first reading in range after the last one beyond, once in range for the whole delay."""
    at = int(np.searchsorted(beyond, last, side="right"))
    end = int(beyond[at]) if at < len(beyond) else len(t)
    if last + 1 >= end:
        return None
    quiet = int(np.sum(held[last + 1 : end] - t[last + 1 : end]))
    return int(t[last + 1]) if quiet >= delay_ms else None
