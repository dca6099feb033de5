"""Thaw cycles: how often a sample went from frozen to thawed, by two thresholds and its own state.

Definition. Two thresholds freeze < thaw. The sample becomes thawed at the first instant above `thaw`, frozen
at the first instant below `freeze`, and otherwise keeps its state. A cycle is one frozen -> thawed. The state
is the sample's own and goes with it from unit to unit.

Promises: many stretches of one logger are answered at once, for both states in which the sample may come; a
single reading between two gaps is an instant too, as it is for the maximum. Time without data keeps the
state; `settled` says whether the state was seen again after it.

From the temperature of air this is an upper bound: a door that stands open can cross the threshold in the air
without thawing a tube.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
States = NDArray[np.int8]  # 1 thawed, -1 frozen, 0 neither is certain
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Thaws:
    """What each of many stretches does to a sample, whichever state it comes in.

    first, last  the first and the last certain state in the stretch; 0: there is none, the state is kept
    cycles       how often it thawed after the first certain state. One that comes frozen to a stretch that
                 is first certain to be thawed has one cycle more
    settled      a certain state was seen after the last gap in the stretch
    """

    first: States
    last: States
    cycles: Ints
    settled: Flags

    def of(self, frozen: bool) -> tuple[Ints, Flags]:
        """Cycles, and whether frozen afterwards, of a sample that came frozen or thawed."""
        start = -1 if frozen else 1
        cycles = self.cycles + (frozen & (self.first > 0))
        return cycles, np.where(self.last == 0, start, self.last) < 0


class ThawTable:
    """One logger's readings (float centi) under one pair of thresholds."""

    def __init__(self, centi: Floats, freeze: int, thaw: int) -> None:
        self._freeze, self._thaw = freeze, thaw
        self._state = self.state(centi)
        place = np.arange(len(centi), dtype=np.int32)
        sure = self._state != 0
        self._last = np.maximum.accumulate(np.where(sure, place, np.int32(-1)))
        self._next = np.minimum.accumulate(np.where(sure, place, np.int32(len(centi)))[::-1])[::-1]
        came = np.where(self._last > -1, self._state[self._last], np.int8(1))
        thawed = (came[1:] > 0) & (came[:-1] < 0)
        self._cycles = np.append(np.int64(0), np.cumsum(thawed, dtype=np.int64))

    def state(self, centi: Floats) -> States:
        """The state that each temperature makes certain."""
        return np.asarray((centi > self._thaw).astype(np.int8) - (centi < self._freeze), dtype=np.int8)

    def ask(self, first: Ints, last: Ints, start: States, end: States, gap: Ints) -> Thaws:
        """For each stretch: its first and last reading, the states at its two cut edges (0 without data),
        and the last reading up to the end that begins a gap (the last reading itself: it ends in one)."""
        n = len(self._state)
        f = self._next[np.minimum(first, n - 1)].astype(np.int64)
        k = self._last[np.maximum(last, 0)].astype(np.int64)
        some = (first <= last) & (f <= last) & (k >= first)
        f, k = np.where(some, f, 0), np.where(some, k, 0)
        one, two = np.where(some, self._state[f], 0), np.where(some, self._state[k], 0)
        cycles = np.where(some, self._cycles[k] - self._cycles[f], 0)
        came = np.where(start != 0, start, one)
        cycles = cycles + ((start < 0) & (one > 0))
        before_end = np.where(two != 0, two, start)
        cycles = cycles + ((before_end < 0) & (end > 0))
        return Thaws(
            np.where(came != 0, came, end).astype(np.int8),
            np.where(end != 0, end, before_end).astype(np.int8),
            cycles.astype(np.int64),
            (end != 0) | (some & (k > gap)),
        )
